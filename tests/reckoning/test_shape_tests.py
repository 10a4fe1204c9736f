"""Shift, slope or corners: each found where it is, and not where it is not."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import kstest

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_readings

from timingcam.reckoning.result import Readings
from timingcam.reckoning.shape_tests import FULL, SLOPE, START, ShapeTests, changed_shape, shape_tests

FLAT_RISE_FLAT = (False, True, False)
SPEEDS = (1080.0, 5600.0)
DELAY_SD_S = 10e-6


def sweep(
    seed: int,
    starts: float = 1500.0,
    full: float = 3600.0,
    rise: float = 22.0,
    low: float = 9.0,
    lag_rpm: float = 0.0,
) -> Readings:
    """A sweep up and down with noise of 0.35° about a curve of its own."""
    rng = np.random.default_rng(seed)
    made = make_readings(300, rng, 0.0)
    way = np.where(made.time_s < 8.0, 1.0, -1.0)
    advance = low + np.interp(made.rpm - way * lag_rpm / 2, [starts, full], [0.0, rise])
    advance = advance + rng.normal(0, 0.35, len(made))
    return Readings(
        made.time_s,
        made.rpm,
        made.rpm_sd,
        advance,
        made.advance_sd_deg,
        np.ones(len(made), dtype=bool),
        ("",) * len(made),
        made.frame,
    )


def between(first: Readings, second: Readings) -> ShapeTests:
    found = shape_tests(first, second, FLAT_RISE_FLAT, SPEEDS, DELAY_SD_S)
    assert found is not None
    return found


def test_a_shift_is_a_shift_and_nothing_else() -> None:
    found = between(sweep(1), sweep(2, low=9.8))
    assert found.shift.p < 1e-6
    assert found.shift.difference.low < 0.8 < found.shift.difference.high
    assert changed_shape(found) == []


@pytest.mark.parametrize(
    ("what", "curve", "true"),
    [
        (START, {"starts": 1620.0, "rise": 22.0 * (3600 - 1620) / 2100}, 120.0),
        (FULL, {"full": 3750.0, "rise": 22.0 * (3750 - 1500) / 2100}, 150.0),
        (SLOPE, {"rise": 20.0}, -2.0 / 2.1),
    ],
)
def test_what_was_changed_is_found_and_alone(what: str, curve: dict[str, float], true: float) -> None:
    """Only one parameter of the line differs: a corner at the same slope, or the slope between the same corners."""
    found = between(sweep(3), sweep(4, **curve))
    assert changed_shape(found)[0].what == what
    for test in found.single:
        d = test.difference
        # 4 sds: a chance of 6e-5, so that a failure means a fault.
        assert abs(d.value - (true if test.what == what else 0.0)) < 4 * d.sd


@pytest.mark.slow
def test_the_intervals_hold_the_truth_and_the_chances_are_even() -> None:
    """60 pairs without any difference: p evenly spread between 0 and 1, intervals that hold 0 in 95 %."""
    found = [between(sweep(100 + i), sweep(5000 + i)) for i in range(60)]
    shift = [f.shift.p for f in found]
    besides = [f.besides_shift_p for f in found]
    for p in (shift, besides, *zip(*([t.p for t in f.single] for f in found), strict=True)):
        assert (
            kstest(p, "uniform").pvalue > 1e-3
        )  # five such tests: a false alarm once in 200 seeds, and these are fixed
    held = [t.difference.low <= 0.0 <= t.difference.high for f in found for t in (f.shift, *f.single)]
    # 240 intervals, four of each pair: taken as 60 independent ones, 3 sds of a share.
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)


def test_a_sticking_advancer_is_no_change_of_shape() -> None:
    """Rising and falling speed lie apart in one clip only: taken up by its lag, not read as another start."""
    assert changed_shape(between(sweep(9), sweep(8, lag_rpm=80.0))) == []


def test_a_fall_with_speed_that_a_delay_could_make_is_no_change_of_shape() -> None:
    late = sweep(10)
    advance = late.advance_deg - 6.0 * late.rpm * 15e-6  # 15 µs later, well within the doubt of 10 µs each
    other = Readings(
        late.time_s, late.rpm, late.rpm_sd, advance, late.advance_sd_deg, late.used, late.reason, late.frame
    )
    found = shape_tests(sweep(11), other, FLAT_RISE_FLAT, SPEEDS, 10e-6 * np.sqrt(2))
    assert found is not None and changed_shape(found) == []


def test_a_strobe_that_stayed_takes_nothing_from_the_random_doubt() -> None:
    """The same delay in both clips tells more of the difference of tilts, never everything of the corners."""
    first, second = sweep(6), sweep(7)
    apart = between(first, second)
    same = shape_tests(first, second, FLAT_RISE_FLAT, SPEEDS, 0.0)
    assert same is not None
    for one, other in zip((same.shift, *same.single), (apart.shift, *apart.single), strict=True):
        # 10 µs are 0.3 degrees over this range of speeds, of the size of single readings' noise: less than half of it.
        assert 0.5 * other.difference.sd < one.difference.sd <= 1.01 * other.difference.sd
    small = shape_tests(first, second, FLAT_RISE_FLAT, SPEEDS, 1e-9)
    assert small is not None
    for one, other in zip(same.single, small.single, strict=True):
        assert one.difference.sd == pytest.approx(other.difference.sd, rel=1e-3)  # no jump at nought


def test_too_few_readings_are_not_tested() -> None:
    assert shape_tests(sweep(1), sweep(2), (False,), (1000.0, 1001.0), DELAY_SD_S) is None


def test_one_speed_can_only_differ_by_a_shift() -> None:
    found = shape_tests(sweep(1), sweep(2, low=10.0), (False,), (1060.0, 1100.0), DELAY_SD_S)
    assert found is not None and found.single == () and found.besides_shift_p is None
    assert found.shift.difference.low < 1.0 < found.shift.difference.high
