"""Smooth course through noisy angles."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.reckoning.smoothing import Samples, angle_between, smooth


def samples(time_s: np.ndarray, angle_deg: np.ndarray, sd_deg: float, linked: np.ndarray | None = None) -> Samples:
    n = len(time_s)
    return Samples(time_s, angle_deg, np.full(n, sd_deg), np.ones(n - 1, dtype=bool) if linked is None else linked)


@pytest.mark.parametrize("seed", range(20))
def test_straight_course_is_kept(seed: int) -> None:
    """Hardly any kicks, and samples that all but coincide: both once made the matrix singular."""
    t = np.sort(np.random.default_rng(seed).uniform(0, 4, 100))
    course = smooth(samples(t, 18000 * t, 0.1))
    assert course.speed_deg_s == pytest.approx(18000, rel=1e-9)


def test_constant_acceleration_is_followed_without_lag() -> None:
    t = np.arange(120) * 0.03
    course = smooth(samples(t, 9000 * t + 4500 * t**2, 0.1))
    assert course.speed_deg_s == pytest.approx(9000 + 9000 * t, rel=1e-4)
    assert course.accel_deg_s2[20:-20] == pytest.approx(9000, rel=0.02)


def test_sd_is_the_real_one() -> None:
    """A course drawn from the model itself: kicks of the speed, noise on the angle."""
    pulls = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        fine = np.arange(0, 8, 1e-3)
        speed = 18000 + np.cumsum(60.0 * rng.standard_normal(len(fine)))
        angle = np.concatenate([[0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * 1e-3)])
        at = np.arange(0, 7900, 40)
        course = smooth(samples(fine[at], angle[at] + 2.0 * rng.standard_normal(len(at)), 2.0))
        pulls.append((course.speed_deg_s - speed[at]) / course.speed_sd_deg_s)
    # 4000 pulls, neighbours alike: some 1000 count; an sd from those is known to 2 %. Four of those, and what the
    # unknown strength of the kicks adds.
    assert np.std(pulls) == pytest.approx(1.0, abs=0.12)


def test_open_gap_leaves_the_speeds_alone() -> None:
    t = np.arange(60) * 0.04
    angle = 18000 * t
    angle[30:] += 720 * 3  # three sparks uncounted
    linked = np.ones(59, dtype=bool)
    linked[29] = False
    course = smooth(samples(t, angle, 0.1, linked))
    assert course.speed_deg_s == pytest.approx(18000, rel=1e-4)


def test_long_pause_separates() -> None:
    t = np.concatenate([np.arange(30) * 0.04, 5 + np.arange(30) * 0.08])
    angle = np.concatenate([18000 * t[:30], 50_000 + 9000 * (t[30:] - 5)])
    linked = np.ones(59, dtype=bool)
    linked[29] = False
    course = smooth(samples(t, angle, 0.1, linked))
    assert course.speed_deg_s[:30] == pytest.approx(18000, rel=1e-4)
    assert course.speed_deg_s[30:] == pytest.approx(9000, rel=1e-4)


def test_angle_between_samples() -> None:
    t = np.arange(100) * 0.03
    course = smooth(samples(t, 9000 * t + 4500 * t**2, 0.05))
    at = np.linspace(0.5, 2.5, 77)
    angle, speed = angle_between(course, at)
    assert angle == pytest.approx(9000 * at + 4500 * at**2, abs=0.2)
    assert speed == pytest.approx(9000 + 9000 * at, rel=1e-3)


def test_stray_angle_hardly_moves_the_course() -> None:
    t = np.arange(100) * 0.04
    angle = 18000 * t + 0.1 * np.random.default_rng(3).standard_normal(100)
    angle[50] += 15
    course = smooth(samples(t, angle, 0.1))
    assert course.speed_deg_s[[49, 51]] == pytest.approx(18000, rel=2e-3)
    assert abs(course.residual_sd[50]) > 20
