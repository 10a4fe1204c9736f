"""The line time at which an engine's flashes come most evenly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from timingcam.seeing.evenness import WINDOW, line_time_from_evenness, sd_by_evenness, steps_between, unevenness

LINE_S = 20e-6
BOUNDS_S = (3e-6, 31e-6)


def events(flash_s: np.ndarray, row: np.ndarray) -> Callable[[float], np.ndarray]:
    """Times as a trial line time has them: each flash was seen at a row, so a line too long makes it late by that."""
    return lambda line_s: flash_s + row * (line_s - LINE_S)


def rows(n: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 1080, n)


def speed_course(n: int, rpm_per_s: float) -> np.ndarray:
    """Times of sparks, one in two turns, from 1500 rpm upwards."""
    turns = 2.0 * np.arange(n)
    a, b = rpm_per_s / 120, 1500 / 60
    return turns / b if a == 0 else (-b + np.sqrt(b * b + 4 * a * turns)) / (2 * a)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rpm_per_s", [0.0, 300.0, 1500.0])
def test_found_within_its_doubt(rpm_per_s: float, seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    flash_s = speed_course(120, rpm_per_s)
    scattered = flash_s + 0.3 / (6 * 2000) * rng.standard_normal(120)  # a spark's scatter of 0.3 degrees
    found, sd = line_time_from_evenness(events(scattered, rows(120, seed)), BOUNDS_S)
    assert abs(found - LINE_S) < 4 * sd
    assert sd < 0.02 * LINE_S


def test_missed_flashes_leave_whole_gaps() -> None:
    kept = np.random.default_rng(4).random(160) > 0.3
    found, sd = line_time_from_evenness(events(speed_course(160, 0.0)[kept], rows(160, 4)[kept]), BOUNDS_S)
    assert abs(found - LINE_S) < 4 * sd + 1e-4 * LINE_S


def test_one_row_for_all_tells_nothing() -> None:
    found, sd = line_time_from_evenness(events(speed_course(60, 200.0), np.full(60, 400.0)), BOUNDS_S)
    assert abs(found - LINE_S) < 4 * sd
    assert sd > 0.2 * LINE_S


def test_few_flashes_tell_nothing() -> None:
    n = WINDOW + 1
    found, sd = line_time_from_evenness(events(speed_course(n, 0.0), rows(n, 1)), BOUNDS_S)
    assert BOUNDS_S[0] < found < BOUNDS_S[1]
    assert sd == pytest.approx((BOUNDS_S[1] - BOUNDS_S[0]) / np.sqrt(12))


def test_even_acceleration_is_nearly_even() -> None:
    late = speed_course(60, 0.0)
    late[::3] += 0.2 * (late[1] - late[0])
    even, faster, uneven = unevenness([speed_course(60, 0.0), speed_course(60, 500.0), late])
    assert even < 1e-9
    # A run up by 500 rpm a second is no parabola exactly, but far from every third flash a fifth of a period late.
    assert faster < 0.1 * uneven


def test_sparks_between_flashes_are_counted_while_the_speed_doubles() -> None:
    """A throttle thrown open from idle: from one spark to the next the speed grows by up to a fifth."""
    all_s = speed_course(80, 3000.0)
    kept = np.random.default_rng(6).random(80) > 0.35
    truth = np.diff(np.flatnonzero(kept))
    assert truth.max() > 2
    few, whole = steps_between([all_s[kept], all_s])
    assert np.array_equal(few, truth)
    assert np.array_equal(whole, np.ones(79))


def test_a_thrown_throttle_with_missed_flashes_still_tells() -> None:
    rng = np.random.default_rng(8)
    up_s = speed_course(60, 2500.0)
    flash_s = np.r_[up_s, up_s[-1] + (up_s[-1] - up_s[-2]) * np.arange(1, 41)]
    kept = rng.random(100) > 0.3
    found, sd = line_time_from_evenness(events(flash_s[kept], rows(100, 5)[kept]), BOUNDS_S)
    assert abs(found - LINE_S) < 4 * sd
    assert sd < 0.1 * LINE_S


def test_flashes_of_which_most_are_missed_tell_nothing() -> None:
    """A hand on the throttle, two of three flashes unseen: some line time makes them least uneven, and none even."""
    rng = np.random.default_rng(8)
    rpm = 3000 + 1200 * np.sin(np.arange(240) / 7.0)
    flash_s = np.cumsum(120.0 / rpm)
    kept = rng.random(240) < 0.33
    found, sd = line_time_from_evenness(events(flash_s[kept], rows(240, 8)[kept]), BOUNDS_S)
    assert abs(found - LINE_S) < 4 * sd
    assert sd > 0.1 * found


@pytest.mark.parametrize("off_s", [50e-6, 200e-6])
def test_sd_of_times_by_how_evenly_flashes_come(off_s: float) -> None:
    rng = np.random.default_rng(9)
    kept = rng.random(240) > 0.3
    flash_s = (speed_course(240, 300.0) + off_s * rng.standard_normal(240))[kept]
    # Some 50 independent windows of six, of which half the numbers are free: an sd of a tenth; four of them.
    assert sd_by_evenness(flash_s) == pytest.approx(off_s, rel=0.4)


def test_times_that_are_off_by_a_tenth_of_the_period_are_not_even() -> None:
    rng = np.random.default_rng(9)
    flash_s = np.sort(speed_course(240, 300.0) + 0.1 * 0.08 * rng.standard_normal(240))
    assert sd_by_evenness(flash_s) == np.inf
    assert sd_by_evenness(flash_s[:3]) == np.inf
