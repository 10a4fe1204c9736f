"""No edge and no speed may be claimed to be known better than the noise allows.

Bound of Cramér and Rao for the place of a known shape f in white noise σ: variance ≥ σ²/Σ f'². The bound's use for
shifts: Robinson & Milanfar, IEEE Transactions on Image Processing 13 (2004) 1185–1199, doi 10.1109/TIP.2004.832923 (the
formula itself from memory; checked below by most likely places in simulated noise, fitted with scipy). For the slope of
a line through times: least squares, whose variance is that bound.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.special import erf

sys.path.insert(0, str(Path(__file__).parents[1] / "seeing"))

from made_light import Camera, even_flashes, light

from timingcam.reckoning.tacho import FlashAngles, crank_speed
from timingcam.seeing.bands import find_bands

Shape = Callable[[np.ndarray], np.ndarray]


def bound(shape: Shape, sigma: float) -> float:
    """Least sd of the shape's place, samples one apart."""
    x = np.arange(-15.0, 16.0)
    slope = (shape(x + 1e-4) - shape(x - 1e-4)) / 2e-4
    return float(sigma / np.sqrt(np.sum(slope**2)))


def blurred_line(x: np.ndarray) -> np.ndarray:
    return 60.0 * np.exp(-0.5 * (x / 1.5) ** 2)


def blurred_edge(x: np.ndarray) -> np.ndarray:
    return 30.0 * (1 + erf(x / np.sqrt(2)))


# Closed forms σ/A·√(2s/√π) and σ/A·√(2s√π) for A 60, σ 4 and s 1.5 and 1: computed.
@pytest.mark.parametrize(("shape", "published"), [(blurred_line, 0.01939 * np.sqrt(20)), (blurred_edge, 0.1255)])
def test_the_bound_is_what_the_best_estimator_reaches(shape: Shape, published: float) -> None:
    assert bound(shape, 4.0) == pytest.approx(published, rel=0.03)
    rng, x = np.random.default_rng(1), np.arange(-15.0, 16.0)
    found = []
    for _ in range(300):
        noisy = shape(x - 0.3) + 4.0 * rng.standard_normal(len(x))
        found.append(least_squares(lambda at, y=noisy: shape(x - at[0]) - y, [0.3], xtol=1e-8).x[0])
    # The sd of 300 draws is known to 4 %; four of those.
    assert np.std(found) == pytest.approx(bound(shape, 4.0), rel=0.16)


@pytest.mark.parametrize("noise", [0.004, 0.012])
def test_edges_of_flashes_are_not_claimed_better_than_that(noise: float) -> None:
    """A flash of 4 rows' time in 240 rows: its edge rises by the scene's light over four rows."""
    camera = Camera(n_frames=200)
    flash_s = even_flashes(camera)
    bands = find_bands(light(camera, flash_s, 4 * camera.line_s, ambient=0.02, noise=noise))
    # σ/√Σf'² of a straight ramp of A over w rows is σ·√w/A; the brightest rows of that scene send 0.42.
    least = noise * np.sqrt(4.0) / 0.42
    assert bands.row_sd >= least
    # And the edges that were found scatter no less, and no more than is stated: against where they must be.
    true = ((flash_s[:, None] - camera.frame_s[None, :]) / camera.line_s).ravel()
    ends = bands.end_row[np.isfinite(bands.end_row)]
    off = np.array([row - true[np.argmin(np.abs(true - row))] for row in ends[len(ends) // 10 :]])
    off = off - np.median(off)
    sd = 1.4826 * float(np.median(np.abs(off)))
    assert sd >= 0.7 * least  # every row has its own light: the bound at the brightest less what 150 edges tell
    assert sd <= 2.0 * bands.row_sd


@pytest.mark.parametrize("time_sd_s", [5e-6, 50e-6])
def test_speed_is_not_claimed_better_than_times_and_angles_allow(time_sd_s: float) -> None:
    """A steady engine's speed from n times: var(slope) = 12σ²/(n(n² − 1)) for a line through evenly spaced ones.

    The estimator does not know that the engine is steady, so that it must state more, and err by more.
    """
    rng = np.random.default_rng(3)
    n, rpm = 150, 3000.0
    period_s = 120.0 / rpm
    true_s = period_s * np.arange(n)
    runs = [
        crank_speed(
            FlashAngles(
                np.sort(true_s + time_sd_s * rng.standard_normal(n)), np.full(n, time_sd_s),
                20.0 + 0.01 * rng.standard_normal(n), np.full(n, 0.01),
            ),
            0.5,
        )
        for _ in range(6)
    ]  # fmt: skip
    angle_s = 0.01 / (6 * rpm)  # an angle off by so much is a time off by that
    slope_sd_s = np.sqrt(12 / (n * (n**2 - 1.0))) * np.hypot(time_sd_s, angle_s)
    least_rpm = rpm * slope_sd_s / period_s
    for run in runs:
        assert np.nanmin(run.rpm_sd) >= least_rpm
    off = np.concatenate([run.rpm - rpm for run in runs])
    assert np.sqrt(np.nanmean(off**2)) >= least_rpm
