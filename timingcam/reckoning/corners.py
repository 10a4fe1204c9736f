"""How far a fitted corner may be from where it is.

In:  a fitted line with one or two corners, and its points.
Out: `Spread`, the 95 % range and sd of each corner by the points' noise alone.
Not here: systematic errors (`figures.py`).

The sum of squares over a corner's place is no parabola: it has kinks where the corner passes a point, and few points
near a corner decide. So the likelihood is summed over a grid of places, everything else that the line is made of
being linear once the corners are given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.brokenline import Points, corner_pieces, jacobian
from timingcam.reckoning.linefit import Fit

PLACES = 25
REACH_SD = 5.0
WIDENINGS = 4  # of the grid, while its edge still holds something
AT_THE_EDGE = 1e-3


@dataclass(frozen=True, slots=True)
class Spread:
    """Of one corner, in the points' x."""

    sd: float
    low: float  # 2.5 % lie below
    high: float


def corner_spreads(points: Points, fit: Fit) -> tuple[Spread, ...]:
    """Spread of every corner.

    Parameters
    ----------
    points : Points
        Those of the fit.
    fit : Fit
        With one or two corners.

    Returns
    -------
    tuple of Spread
        Scaled by what the robust covariance says more, or less, than equal noise would.

    References
    ----------
    .. [1] Smith & Cook, Applied Statistics 29 (1980) 180–189: posterior of the place where two lines meet.
    """
    first = 1 + sum(fit.form.slopes)
    places = fit.theta[first : first + fit.form.corners]
    plain = np.sqrt(np.diag(_plain_covariance(points, fit)))[first : first + fit.form.corners]
    robust = np.sqrt(np.diag(fit.covariance))[first : first + fit.form.corners]
    reach = REACH_SD * plain
    for _ in range(WIDENINGS):
        axes = [_axis(points, place, half) for place, half in zip(places, reach, strict=True)]
        chance = _chances(points, fit, axes)
        marginals = [chance.sum(axis=tuple(k for k in range(chance.ndim) if k != j)) for j in range(chance.ndim)]
        if all(m[0] < AT_THE_EDGE and m[-1] < AT_THE_EDGE for m in marginals):
            break
        reach = reach * 1.7
    return tuple(
        _spread(axis, marginal, place, ratio)
        for axis, marginal, place, ratio in zip(axes, marginals, places, robust / plain, strict=True)
    )


def _plain_covariance(points: Points, fit: Fit) -> np.ndarray:
    """What the likelihood below would give if it were normal: to be compared with the robust covariance."""
    jac = jacobian(fit.form, fit.theta, points.x, points.direction)
    noise = fit.inflation * fit.used.sum() / max(fit.used.sum() - fit.form.size, 1)
    normal = (jac * (fit.weight / noise)[:, None]).T @ jac
    return np.linalg.pinv(normal + np.diag(1.0 / fit.form.prior_sds**2), hermitian=True)


def _axis(points: Points, place: float, half: float) -> np.ndarray:
    low, high = max(place - half, points.x.min()), min(place + half, points.x.max())
    return np.linspace(low, high, PLACES)


def _chances(points: Points, fit: Fit, axes: list[np.ndarray]) -> np.ndarray:
    """Posterior of the corners under a flat prior, the linear parameters integrated out; sums to 1."""
    if len(axes) == 1:
        log = np.array([_log_chance(points, fit, np.array([[a]]))[0] for a in axes[0]])
    else:
        log = np.array([_log_chance(points, fit, np.column_stack([np.full(PLACES, a), axes[1]])) for a in axes[0]])
    chance = np.exp(log - log.max())
    return chance / chance.sum()


def _log_chance(points: Points, fit: Fit, corners: np.ndarray) -> np.ndarray:
    """For several sets of corners, shape (n_sets, n_corners)."""
    form, parts = fit.form, fit.form.split(fit.theta)
    used = fit.weight > 0
    x, y, weight, way = points.x[used], points.y[used], fit.weight[used], points.direction[used]
    found = np.full(len(corners), -np.inf)
    at = np.arange(1 + sum(form.slopes), 1 + sum(form.slopes) + form.corners)
    for k in np.flatnonzero(np.all(np.diff(corners, axis=1) > 0, axis=1)):
        shifted = x - parts.lag * way / 2.0
        pieces = corner_pieces(form, corners[k], shifted)[:, list(form.slopes)]
        columns = [np.ones((len(x), 1)), pieces]
        if form.lag:
            slope = parts.slopes[np.searchsorted(corners[k], shifted)]
            columns.append((-slope * way / 2.0)[:, None])
        if form.tilt_prior_sd > 0:
            columns.append((x - form.tilt_x0)[:, None])
        basis = np.hstack(columns)
        normal = (basis * weight[:, None]).T @ basis
        normal += np.diag(1.0 / np.delete(form.prior_sds, at) ** 2)
        # A free lag that no point on the rise shows must not make the matrix singular.
        normal += np.diag(1e-12 * np.diag(normal) + 1e-12)
        pull = basis.T @ (weight * y)
        squares = float(np.sum(weight * y * y) - pull @ np.linalg.solve(normal, pull))
        freedom = max(len(x) - form.size, 1)
        noise = fit.inflation * len(x) / freedom
        found[k] = -0.5 * squares / noise - 0.5 * np.linalg.slogdet(normal)[1]
    return found


def _spread(axis: np.ndarray, chance: np.ndarray, place: float, ratio: float) -> Spread:
    total = np.cumsum(chance) - 0.5 * chance
    low, high = (float(np.interp(q, total, axis)) for q in (0.025, 0.975))
    mean = float(chance @ axis)
    sd = float(np.sqrt(chance @ (axis - mean) ** 2))
    # About the fitted place, which may lie off the middle.
    return Spread(sd * ratio, place - max(place - low, 0.0) * ratio, place + max(high - place, 0.0) * ratio)
