"""Robust fit of lines with corners, and the spread of the corners."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from flash_runs import flat_rise_flat

from timingcam.reckoning.brokenline import Form, Points, jacobian, line
from timingcam.reckoning.corners import corner_spreads
from timingcam.reckoning.linefit import fit_line, variance_inflation

FLAT_RISE_FLAT = Form((False, True, False))


def points(seed: int, n: int = 300, jitter: float = 0.5, lag: float = 0.0, memory: float = 0.0) -> Points:
    rng = np.random.default_rng(seed)
    share = np.abs(np.linspace(-1, 1, n))
    x = 1100 + 4500 * (1 - share) + rng.uniform(-20, 20, n)
    way = np.where(np.arange(n) < n / 2, 1.0, -1.0)
    noise = rng.standard_normal(n)
    for i in range(1, n):
        noise[i] = memory * noise[i - 1] + np.sqrt(1 - memory**2) * noise[i]
    y = flat_rise_flat(x - lag * way / 2) + jitter * noise + 0.1 * rng.standard_normal(n)
    return Points(x, y, np.full(n, 0.1), np.zeros(n), way)


def test_jacobian_by_differences() -> None:
    form = Form((False, True, False), lag=True, tilt_prior_sd=1e-3, tilt_x0=3000.0)
    theta = np.array([12.0, 0.013, 1700.0, 3400.0, 60.0, -1e-4])
    x, way = np.array([1300.0, 1690.0, 2500.0, 3300.0, 5000.0]), np.array([1.0, -1, 1, -1, 1])
    ours = jacobian(form, theta, x, way)
    for j, size in enumerate([1.0, 1e-3, 1.0, 1.0, 1.0, 1e-5]):
        step = np.zeros(6)
        step[j] = 1e-3 * size
        difference = (line(form, theta + step, x, way) - line(form, theta - step, x, way)) / (2e-3 * size)
        assert ours[:, j] == pytest.approx(difference, rel=1e-6, abs=1e-9)


def test_parameters_within_their_sds() -> None:
    truth = np.array([12.0, 22 / 1700, 1700.0, 3400.0])
    pulls = []
    for seed in range(60):
        fit = fit_line(points(seed), FLAT_RISE_FLAT, 150.0)
        pulls.append((fit.theta - truth) / np.sqrt(np.diag(fit.covariance)))
    sd = np.std(pulls, axis=0)
    # An sd of 60 pulls is known to 9 %; three of those, and a tenth that corners are no parabolas.
    assert np.all((sd > 0.7) & (sd < 1.35))
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 4 / np.sqrt(60))


def test_scatter_without_the_measurements_noise() -> None:
    found = [np.sqrt(max(fit_line(points(seed), FLAT_RISE_FLAT, 150.0).scatter_var, 0)) for seed in range(20)]
    assert np.mean(found) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(2 * 300 * 20) + 0.005)


def test_strays_are_not_used() -> None:
    clean = points(3)
    y = clean.y.copy()
    y[::15] += 12
    fit = fit_line(
        Points(clean.x.copy(), y, clean.y_sd.copy(), clean.x_sd.copy(), clean.direction.copy()), FLAT_RISE_FLAT, 150.0
    )
    assert not fit.used[::15].any()
    assert fit.used.sum() > 270
    assert fit.theta[2:] == pytest.approx([1700, 3400], abs=60)


def test_lag_between_directions() -> None:
    form = Form((False, True, False), lag=True)
    fit = fit_line(points(4, lag=80.0), form, 150.0)
    assert fit.theta[4] == pytest.approx(80.0, abs=4 * np.sqrt(fit.covariance[4, 4]))


@pytest.mark.parametrize("memory", [0.3, 0.6, 0.8])
def test_inflation_of_a_series_with_memory(memory: float) -> None:
    """A first-order autoregression inflates the variance of a mean by (1 + ρ)/(1 − ρ)."""
    found = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        series = rng.standard_normal(800)
        for i in range(1, 800):
            series[i] = memory * series[i - 1] + np.sqrt(1 - memory**2) * series[i]
        found.append(variance_inflation(series))
    assert np.mean(found) == pytest.approx((1 + memory) / (1 - memory), rel=0.15)


def test_no_inflation_of_white_noise() -> None:
    found = [variance_inflation(np.random.default_rng(seed).standard_normal(400)) for seed in range(50)]
    assert np.mean(found) < 1.05


def test_corner_spread_is_that_of_the_corners() -> None:
    held, sds, errors = 0, [], []
    for seed in range(30):
        sample = points(seed, n=120)
        fit = fit_line(sample, FLAT_RISE_FLAT, 150.0)
        first, last = corner_spreads(sample, fit)
        held += int(first.low <= 1700 <= first.high) + int(last.low <= 3400 <= last.high)
        sds.append(last.sd)
        errors.append(fit.theta[3] - 3400)
    # 60 intervals of 95 %: 57 expected, sd 1.7; three of those.
    assert held >= 57 - 5
    assert np.std(errors) / np.mean(sds) == pytest.approx(1.0, abs=0.45)  # 30 errors: their sd is known to 13 %
