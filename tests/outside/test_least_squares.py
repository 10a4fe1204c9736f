"""The sharing out of moves among adjusters against statsmodels' weighted and generalised least squares."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from timingcam.reckoning.shares import Task, doubt, share

REL = 1e-8  # BVLS stops at 1e-10 of the cost; statsmodels' pseudo-inverse is good to about 1e-13


def task(rng: np.random.Generator, common_sd_deg: float) -> Task:
    """A plate for both cylinders and an adjuster of the second's own; two figures a cylinder; no bounds in the way."""
    random_sd = rng.uniform(0.05, 0.4, 4)
    return Task(
        coupling=np.array([[1.0, 0.0], [1.0, 1.0]]),
        row_cylinder=np.array([0, 0, 1, 1]),
        wanted_deg=rng.uniform(-6, 6, 4),
        row_sd_deg=random_sd,
        random_sd_deg=random_sd,
        common_sd_deg=np.full(2, common_sd_deg),
        room_deg=np.full(2, np.inf),
        low_deg=np.full(2, -50.0),
        high_deg=np.full(2, 50.0),
        cost=np.zeros(2),
        forced=np.zeros(2, dtype=bool),
    )


def test_weighted_least_squares() -> None:
    rng = np.random.default_rng(1)
    both = np.ones(2, dtype=bool)
    for _ in range(20):
        one = task(rng, common_sd_deg=0.0)
        design = one.coupling[one.row_cylinder]
        theirs = sm.WLS(one.wanted_deg, design, weights=1 / one.row_sd_deg**2).fit(cov_type="fixed scale")
        np.testing.assert_allclose(share(one, both), theirs.params, rtol=REL, atol=REL)
        np.testing.assert_allclose(doubt(one, both), theirs.bse, rtol=REL)


def test_common_doubt_of_a_clip() -> None:
    # With the same doubt in every figure, weighting by the random part alone is the generalised least squares too, so
    # that its uncertainties must be statsmodels'.
    rng = np.random.default_rng(2)
    both = np.ones(2, dtype=bool)
    one = task(rng, common_sd_deg=0.3)
    one.row_sd_deg[:] = one.random_sd_deg[:] = 0.1
    same = one.row_cylinder[:, None] == one.row_cylinder
    covariance = np.diag(one.random_sd_deg**2) + same * 0.3**2
    theirs = sm.GLS(one.wanted_deg, one.coupling[one.row_cylinder], sigma=covariance).fit(cov_type="fixed scale")
    np.testing.assert_allclose(share(one, both), theirs.params, rtol=REL, atol=REL)
    np.testing.assert_allclose(doubt(one, both), theirs.bse, rtol=REL)
    # Left out, the common doubt would be missed: sqrt(0.1²/2) instead of sqrt(0.1²/2 + 0.3²) for the plate.
    assert doubt(one, both)[0] > 4 * 0.1 / np.sqrt(2)


def test_bounds_against_a_scan() -> None:
    # One adjuster for both cylinders, one of the second's own that may only go 1 degree: the best plate by scanning.
    rng = np.random.default_rng(3)
    one = task(rng, common_sd_deg=0.0)
    one.low_deg[1], one.high_deg[1] = -1.0, 1.0
    found = share(one, np.ones(2, dtype=bool))
    plate = np.linspace(-10, 10, 2001)[:, None, None]
    own = np.linspace(-1, 1, 201)[None, :, None]
    shift = np.concatenate([plate + 0 * own, plate + own], axis=2)[..., one.row_cylinder]
    cost = (((one.wanted_deg - shift) / one.row_sd_deg) ** 2).sum(axis=2)
    best = np.unravel_index(np.argmin(cost), cost.shape)
    # The scan's own steps: 0.01 degrees.
    assert abs(found[0] - plate[best[0], 0, 0]) <= 0.01 and abs(found[1] - own[0, best[1], 0]) <= 0.01
