"""Stamps to the sensor's clock: rounding and jitter taken out, dropped frames counted, uneven rates left alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.clock import FrameClock, frame_clock


def off_by_s(clock: FrameClock, true_s: np.ndarray) -> np.ndarray:
    """Errors of the frame times, one common offset aside: a clip has no other zero than its own first frame."""
    error = clock.time_s - true_s
    return error - error.mean()


@pytest.mark.parametrize("unit_s", [1e-3, 1 / 600])
@pytest.mark.parametrize("fps", [24.0, 29.97, 30.0, 59.94, 60.0, 120.0])
def test_rounded_stamps(fps: float, unit_s: float) -> None:
    n = 240
    true_s = np.arange(n) / fps
    stamps = np.round(true_s / unit_s) * unit_s
    clock = frame_clock(stamps)
    assert clock.regular
    # A line's slope through n stamps of sd σ has the sd σ·√12/n^1.5; rounding's σ is a unit's √12th. Four of those.
    assert clock.period_s == pytest.approx(1 / fps, abs=4 * unit_s / n**1.5)
    # Rounding is spread over ± half a unit, sd unit/√12; a parabola through n stamps is good to 3/√n of that at its
    # ends. Rounding is no noise, it repeats and may beat: four of those.
    assert np.abs(off_by_s(clock, true_s)).max() < 4 * 3 / np.sqrt(n) * unit_s / np.sqrt(12)
    # Not more than what it is: the rms of the rounding itself, at most half a unit.
    assert clock.jitter_s <= unit_s / 2


def test_a_sensor_that_warms_up() -> None:
    """A period that grows by 40 parts in a million over the clip is followed, not averaged."""
    n = 900
    true_s = np.cumsum(np.r_[0.0, (1 / 60) * (1 + 4e-5 * np.arange(n - 1) / n)])
    clock = frame_clock(np.round(true_s * 90_000) / 90_000)
    assert clock.regular
    # MPEG's clock of 11 µs a tick. A straight line would miss the middle by 4e-5/2 · 15 s / 8 = 37 µs either way.
    assert np.abs(off_by_s(clock, true_s)).max() < 4 * 3 / np.sqrt(n) / 90_000 / np.sqrt(12)


@given(st.integers(0, 10_000), st.floats(0.0, 0.3))
def test_dropped_frames_are_counted(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    number = np.flatnonzero(np.r_[True, rng.random(199) >= share, True])
    true_s = number / 30
    clock = frame_clock(np.round(true_s * 600) / 600)
    assert clock.regular
    assert clock.period_s == pytest.approx(1 / 30, rel=1e-4)
    # As above: rounding, sd 1/600 s/√12 = 481 µs, over at least 130 frames.
    assert np.abs(off_by_s(clock, true_s)).max() < 4 * 3 / np.sqrt(len(number)) / 600 / np.sqrt(12)


def test_jitter_is_told() -> None:
    rng = np.random.default_rng(3)
    true_s = np.arange(400) / 60
    clock = frame_clock(true_s + 0.4e-3 * rng.standard_normal(400))
    assert clock.regular
    # An rms of 400 draws is known to 1/√800, 3.5 %: four of those.
    assert clock.jitter_s == pytest.approx(0.4e-3, rel=0.15)


@pytest.mark.parametrize(
    "steps_s",
    [
        np.r_[np.full(60, 1 / 30), np.full(60, 1 / 24)],
        (1 / 30) * (1 + 0.25 * np.sin(np.arange(150) / 9)),
    ],
    ids=["a step", "to and fro"],
)
def test_an_uneven_rate_is_left_as_it_is(steps_s: np.ndarray) -> None:
    stamps = 5.0 + np.cumsum(np.r_[0.0, steps_s])
    clock = frame_clock(stamps)
    assert not clock.regular
    assert clock.time_s == pytest.approx(stamps - 5.0, abs=1e-12)


def test_the_doubt_of_uneven_stamps_is_how_they_jitter_not_how_the_rate_changes() -> None:
    steps_s = np.r_[np.full(100, 1 / 30), np.full(80, 1 / 24), np.full(100, 1 / 30)]
    true_s = np.cumsum(np.r_[0.0, steps_s])
    clean = frame_clock(true_s)
    assert not clean.regular and clean.jitter_s > 5e-3 and clean.time_sd_s < 1e-9
    # Rounded to a 90 kHz clock: evenly within its steps, the root of a twelfth of one.
    rounded = frame_clock(np.round(true_s * 90_000) / 90_000)
    assert rounded.time_sd_s < 1 / 90_000
    # Stamps that jitter, or a rate that is another at every frame, may be the file's alone.
    rng = np.random.default_rng(5)
    rough = frame_clock(true_s + 1e-3 * rng.standard_normal(len(true_s)))
    wild = frame_clock(np.cumsum(rng.choice([1 / 30, 1 / 24, 1 / 15], 200)))
    assert (rough.time_sd_s, wild.time_sd_s) == (rough.jitter_s, wild.jitter_s)
    assert frame_clock(np.arange(100) / 30).time_sd_s == 0.0


def test_few_frames_keep_their_stamps() -> None:
    stamps = np.array([0.0, 0.033, 0.067, 0.1])
    clock = frame_clock(stamps)
    assert not clock.regular and clock.time_s == pytest.approx(stamps)
    assert len(frame_clock(np.array([2.0])).time_s) == 1


def test_slow_motion_is_brought_back_to_real_time() -> None:
    """240 frames a second stored as 30: eight times too slow."""
    clock = frame_clock(np.arange(100) / 30, stretch=30 / 240)
    assert clock.period_s == pytest.approx(1 / 240, rel=1e-9)
    assert clock.time_s == pytest.approx(np.arange(100) / 240, abs=1e-9)


def test_times_that_do_not_rise_are_no_clock() -> None:
    with pytest.raises(ValueError, match="rise"):
        FrameClock(np.array([0.0, 1.0, 1.0]), 1.0, 0.0, True)
