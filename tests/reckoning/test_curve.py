"""The advance curve from readings."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from flash_runs import flat_rise_flat, made_readings

from timingcam.engine import Spec
from timingcam.errors import CannotMeasure
from timingcam.reckoning.curve import Doubts, fit_curve, speed_direction
from timingcam.reckoning.result import SMEARED, UNTOLD, Curve, Readings

DOUBTS = Doubts(shift_sd_deg=0.2, delay_sd_s=20e-6)


def fitted(readings: Readings, doubts: Doubts = DOUBTS, spec: Spec | None = None) -> tuple[Curve, np.ndarray, str]:
    curve, used, warnings = fit_curve(readings, doubts, np.random.default_rng(0), spec)
    return curve, used, " ".join(warnings)


def within(estimate: object, truth: float) -> bool:
    """By three sds: whether 95 % of the intervals hold is another test's business."""
    return abs(estimate.value - truth) <= 3 * estimate.sd  # type: ignore[attr-defined]


def test_whole_curve() -> None:
    curve, used, warnings = fitted(made_readings(flat_rise_flat, 1))
    assert curve.fit == "flat-rise-flat" and warnings == ""
    assert within(curve.low_speed_advance_deg, 12) and within(curve.full_advance_deg, 34)
    assert within(curve.starts_rpm, 1700) and within(curve.full_rpm, 3400)
    assert within(curve.slope_deg_per_1000rpm, 22 / 1.7) and within(curve.scatter_deg, 0.5)
    assert within(curve.hysteresis_deg, 0.0)
    assert used.mean() > 0.99
    off = np.abs(curve.grid_advance_deg - flat_rise_flat(curve.grid_rpm))
    assert np.all(off < 4 * curve.grid_random_sd_deg)


@pytest.mark.parametrize(
    ("rpm_range", "present", "reason"),
    [
        ((1000, 1350), {"low"}, "does not change"),
        ((4000, 6000), {"full"}, "does not change"),
        ((1000, 3000), {"low", "starts"}, "still rising"),
        ((2000, 6000), {"full", "ends"}, "already rising"),
        ((2000, 3000), set(), "already rising"),
    ],
)
def test_only_what_the_speeds_cover(rpm_range: tuple[float, float], present: set[str], reason: str) -> None:
    curve, _, warnings = fitted(made_readings(flat_rise_flat, 2, rpm_range=rpm_range))
    figures = {
        "low": curve.low_speed_advance_deg,
        "starts": curve.starts_rpm,
        "full": curve.full_advance_deg,
        "ends": curve.full_rpm,
    }
    assert {name for name, figure in figures.items() if figure is not None} == present
    assert reason in warnings
    if "low" in present:
        assert within(curve.low_speed_advance_deg, 12)
    if "full" in present:
        assert within(curve.full_advance_deg, 34)


def test_one_speed_is_low_or_full_by_the_spec() -> None:
    """An engine that is full by 2200 rpm: 2500 rpm is then full advance, else nobody knows."""
    early = Spec(curve=((900, 12.0), (1200, 12.0), (2200, 34.0), (6000, 34.0)), tolerance_deg=2.0)
    readings = made_readings(lambda rpm: np.full_like(rpm, 34.0), 3, rpm_range=(2450, 2550))
    curve, _, _ = fitted(readings, spec=early)
    assert curve.low_speed_advance_deg is None and within(curve.full_advance_deg, 34)
    unknown, _, warnings = fitted(readings)
    assert unknown.low_speed_advance_deg is None and unknown.full_advance_deg is None
    assert "neither" in warnings


def test_strays_are_left_out() -> None:
    readings = made_readings(flat_rise_flat, 4)
    advance = readings.advance_deg.copy()
    advance[::20] -= 15
    _, used, _ = fitted(replace(readings, advance_deg=advance))
    assert not used[::20].any()
    assert used.mean() > 0.93


def test_readings_given_up_before_stay_out() -> None:
    readings = made_readings(flat_rise_flat, 5)
    given_up = readings.used.copy()
    given_up[:50] = False
    _, used, _ = fitted(replace(readings, used=given_up))
    assert not used[:50].any()


def test_two_stages_have_no_corners() -> None:
    def two(rpm: np.ndarray) -> np.ndarray:
        return np.interp(rpm, [1600, 2200, 3800], [8.0, 22.0, 32.0])

    curve, _, warnings = fitted(made_readings(two, 6))
    assert curve.fit == "monotone" and "two stages" in warnings
    assert curve.starts_rpm is None and curve.full_rpm is None
    assert within(curve.low_speed_advance_deg, 8) and within(curve.full_advance_deg, 32)
    assert np.max(np.abs(curve.grid_advance_deg - two(curve.grid_rpm))) < 1.5
    assert np.all(np.diff(curve.grid_advance_deg) >= 0)


@pytest.mark.parametrize("n", [40, 55, 90])
def test_two_stages_seen_in_few_flashes(n: int) -> None:
    """Too few for bins to be held against their noise: but neighbours in speed are off the lines alike."""

    def two(rpm: np.ndarray) -> np.ndarray:
        return np.interp(rpm, [1500, 2200, 4200], [6.0, 24.0, 36.0])

    readings = made_readings(two, 9, n=n, jitter_deg=0.35)
    curve, used, warnings = fitted(readings)
    assert curve.fit == "monotone" and "two stages" in warnings
    assert used.mean() > 0.9
    # Where no flash holds it the curve says so: nowhere further off than three of its sds.
    off = np.abs(curve.grid_advance_deg - two(curve.grid_rpm))
    assert np.all(off < 3.0 * curve.grid_sd_deg)


def test_lines_through_few_flashes_are_not_condemned() -> None:
    for seed in range(20):
        curve, _, warnings = fitted(made_readings(flat_rise_flat, seed, n=55, jitter_deg=0.5))
        assert curve.fit == "flat-rise-flat" and "two stages" not in warnings, seed


def swept_fast(readings: Readings, seed: int) -> Readings:
    """Held speeds, and between them a sweep of which one flash in six was lit."""
    held = (readings.rpm < 1300) | (readings.rpm > 5900)
    return replace(readings, used=held | (np.random.default_rng(seed).random(len(readings)) < 1 / 6))


@pytest.mark.parametrize("n", [150, 200])
@pytest.mark.parametrize("seed", range(6))
def test_two_stages_swept_through_in_few_flashes_between_held_speeds(n: int, seed: int) -> None:
    """A robust fit of one rise is content with them: what lies on the other stage is stray to it."""

    def two(rpm: np.ndarray) -> np.ndarray:
        return np.interp(rpm, [1500, 2200, 4200], [6.0, 24.0, 36.0])

    readings = swept_fast(made_readings(two, seed, n=n, jitter_deg=0.35), seed)
    curve, _, warnings = fitted(readings)
    assert curve.fit == "monotone" and "two stages" in warnings
    off = np.abs(curve.grid_advance_deg - two(curve.grid_rpm))
    assert np.all(off < 4.0 * curve.grid_sd_deg)


def test_a_few_stray_sparks_on_the_rise_condemn_no_lines() -> None:
    for seed in range(5):
        readings = made_readings(flat_rise_flat, seed, n=70)
        on_rise = np.flatnonzero((readings.rpm > 1900) & (readings.rpm < 3200))
        advance = readings.advance_deg.copy()
        advance[on_rise[[2, -3]]] -= 8.0
        curve, used, warnings = fitted(replace(readings, advance_deg=advance))
        assert curve.fit == "flat-rise-flat" and "two stages" not in warnings, seed
        assert not used[on_rise[[2, -3]]].any()


def test_lines_swept_through_in_few_flashes_between_held_speeds_are_not_condemned() -> None:
    for seed in range(20):
        curve, _, warnings = fitted(swept_fast(made_readings(flat_rise_flat, seed, n=200), seed))
        assert curve.fit == "flat-rise-flat" and "two stages" not in warnings, seed


def test_a_stage_swept_through_in_a_moment_is_no_heap_of_stray_sparks() -> None:
    """A tenth of the readings lie on the first stage: a robust fit alone throws them out and calls the rest a line."""

    def two(rpm: np.ndarray) -> np.ndarray:
        return np.interp(rpm, [1800, 2300, 3700], [9.0, 20.0, 35.0])

    readings = made_readings(two, 6, n=480, jitter_deg=0.3)
    rng = np.random.default_rng(1)
    flats = (readings.rpm < 1750) | (readings.rpm > 3800)
    kept = flats | (rng.random(len(readings)) < 0.35)
    curve, _, warnings = fitted(replace(readings, used=kept))
    assert curve.fit == "monotone" and "two stages" in warnings
    assert np.max(np.abs(curve.grid_advance_deg - two(curve.grid_rpm))) < 2.5


def test_a_badly_sticking_advancer_is_not_half_thrown_out() -> None:
    readings = made_readings(flat_rise_flat, 8, n=400)
    way = speed_direction(readings.time_s, readings.rpm)
    advance = readings.advance_deg + flat_rise_flat(readings.rpm - way * 250.0) - flat_rise_flat(readings.rpm)
    curve, used, _ = fitted(replace(readings, advance_deg=advance))
    assert within(curve.hysteresis_deg, 22 / 1700 * 500.0)
    assert used.mean() > 0.97


def test_corners_rounded_by_250_rpm() -> None:
    curve, _, _ = fitted(made_readings(lambda rpm: 10 + 22 / (1 + np.exp(-(rpm - 2600) / 250)), 7))
    assert curve.fit == "monotone"


def test_lines_are_not_condemned_by_sparks_with_a_memory() -> None:
    wrong = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        readings = made_readings(flat_rise_flat, seed, jitter_deg=0.0)
        noise = rng.standard_normal(len(readings))
        for i in range(1, len(noise)):
            noise[i] = 0.5 * noise[i - 1] + 0.87 * noise[i]
        curve, _, _ = fitted(replace(readings, advance_deg=readings.advance_deg + 0.7 * noise))
        wrong += curve.fit != "flat-rise-flat"
    assert wrong == 0


@pytest.mark.parametrize("play_rpm", [0.0, 120.0])
def test_hysteresis_is_positive_when_higher_on_the_way_down(play_rpm: float) -> None:
    readings = made_readings(flat_rise_flat, 8, n=800)
    way = speed_direction(readings.time_s, readings.rpm)
    advance = readings.advance_deg + flat_rise_flat(readings.rpm - way * play_rpm / 2) - flat_rise_flat(readings.rpm)
    curve, _, _ = fitted(replace(readings, advance_deg=advance))
    assert within(curve.hysteresis_deg, 22 / 1700 * play_rpm)


def test_systematic_doubts_do_not_shrink() -> None:
    few, many = (fitted(made_readings(flat_rise_flat, 9, n=n), Doubts(0.3, 0.0))[0] for n in (60, 6000))
    for curve in (few, many):
        assert curve.full_advance_deg.sd >= 0.3
        assert curve.low_speed_advance_deg.sd >= 0.3
    assert many.starts_rpm.sd < 10 < few.starts_rpm.sd  # a shift moves no corner


def test_delay_grows_with_speed() -> None:
    """20 µs are 0.13 degrees at 1100 rpm and 0.55 at 4600, about where the readings of the flats lie."""
    curve, _, _ = fitted(made_readings(flat_rise_flat, 10, n=4000), Doubts(0.0, 20e-6))
    assert curve.low_speed_advance_deg.sd == pytest.approx(6 * 1400 * 20e-6, rel=0.2)
    assert curve.full_advance_deg.sd == pytest.approx(6 * 4700 * 20e-6, rel=0.2)


def test_a_delay_is_counted_once() -> None:
    """The fit lets a top tilt as an unknown lag would; what the delay adds beyond that is its own and no more."""
    readings = made_readings(flat_rise_flat, 14, n=400)
    without, with_it = (fitted(readings, Doubts(0.0, sd_s))[0] for sd_s in (0.0, 50e-6))
    for name, rpm in (("low_speed_advance_deg", 1400), ("full_advance_deg", 4700)):
        added = np.sqrt(getattr(with_it, name).sd ** 2 - getattr(without, name).sd ** 2)
        assert added == pytest.approx(6 * rpm * 50e-6, rel=0.1)
    # And the top's own random part stays below a tenth of it: the tilt's prior of as many µs is not in it again.
    assert without.full_advance_deg.sd < 0.1 * 6 * 4700 * 50e-6


def test_scale_of_speed_moves_corners() -> None:
    curve, _, _ = fitted(made_readings(flat_rise_flat, 11, n=6000), Doubts(0.0, 0.0, rpm_rel_sd=0.01))
    assert curve.full_rpm.sd == pytest.approx(34, rel=0.1)


def test_a_speed_out_of_step_with_the_clip_looks_like_hysteresis() -> None:
    """Up and down at 980 rpm a second: 20 ms are 20 rpm either way, 39 in all, at 13 degrees in 1000 rpm."""
    readings = made_readings(flat_rise_flat, 13, n=1500)
    plain, doubtful = (fitted(readings, Doubts(0.0, 0.0, 0.0, sd_s))[0] for sd_s in (0.0, 0.02))
    change = 4900 * 1.2 / 6
    assert doubtful.hysteresis_deg is not None and plain.hysteresis_deg is not None
    added = np.sqrt(doubtful.hysteresis_deg.sd**2 - plain.hysteresis_deg.sd**2)
    assert added == pytest.approx(2 * change * 0.02 * 22 / 1700, rel=0.25)
    assert doubtful.full_advance_deg.sd == pytest.approx(plain.full_advance_deg.sd, rel=0.05)  # a flat does not care


def test_falling_top_keeps_its_corners() -> None:
    """100 µs of delay nobody told of: the top falls by 1.6 degrees; corners stay, the level is the one seen."""
    curve, _, _ = fitted(made_readings(lambda rpm: flat_rise_flat(rpm) - 6 * rpm * 100e-6, 12, n=1000))
    assert curve.fit == "flat-rise-flat"
    assert curve.full_rpm.value == pytest.approx(3400, abs=50)
    assert curve.full_advance_deg.value == pytest.approx(34 - 6 * 4700 * 100e-6, abs=0.3)


def test_too_few_readings() -> None:
    with pytest.raises(CannotMeasure, match="19 flashes"):
        fitted(made_readings(flat_rise_flat, 13, n=19))


@pytest.mark.parametrize(
    ("why", "do"),
    [(SMEARED, "shorter flash"), (UNTOLD, "about the rotor in view"),
     ("the rotor cannot be recognised", "marks in the middle")],
)  # fmt: skip
def test_too_few_say_what_the_others_lack(why: str, do: str) -> None:
    readings = made_readings(flat_rise_flat, 13, n=60)
    used = np.arange(60) < 19
    reason = tuple("" if ok else why for ok in used)
    with pytest.raises(CannotMeasure, match=why) as refusal:
        fitted(replace(readings, used=used, reason=reason))
    assert do in refusal.value.do


def test_direction_knows_no_direction_of_time() -> None:
    readings = made_readings(flat_rise_flat, 14)
    ahead = speed_direction(readings.time_s, readings.rpm)
    back = speed_direction(12.0 - readings.time_s[::-1], readings.rpm[::-1])
    assert np.array_equal(ahead, -back[::-1])
    assert {-1.0, 1.0} <= set(ahead)


def test_a_rise_seen_in_two_flashes_only_has_no_corners() -> None:
    """Swept through in a moment: the two flats are sure, where the corners are is not."""
    rng = np.random.default_rng(4)
    rpm = np.sort(np.r_[rng.uniform(1100, 1650, 40), 2400, 2700, rng.uniform(3500, 5000, 40)])
    time_s = np.cumsum(120.0 / rpm)
    n = len(rpm)
    readings = Readings(
        time_s, rpm, np.full(n, 2.0), flat_rise_flat(rpm) + rng.normal(0, 0.2, n), np.full(n, 0.1), np.ones(n, bool),
        ("",) * n, np.arange(n),
    )  # fmt: skip
    curve, _, warnings = fitted(readings)
    assert curve.starts_rpm is None and curve.full_rpm is None
    assert "too few flashes" in warnings


def test_so_few_that_lie_off_what_they_make_are_refused() -> None:
    """Seventeen at full advance, five on the way: a curve through the one bin that they fill would call those stray."""
    rng = np.random.default_rng(6)
    rpm = np.r_[1335.0, 1378.0, 1458.0, 2300.0, 2700.0, rng.uniform(3900, 5000, 17)]
    n = len(rpm)
    readings = Readings(
        np.cumsum(120.0 / rpm), rpm, np.full(n, 10.0), flat_rise_flat(rpm) + rng.normal(0, 0.2, n), np.full(n, 0.1),
        np.ones(n, bool), ("",) * n, np.arange(n),
    )  # fmt: skip
    with pytest.raises(CannotMeasure, match=r"22 flashes .* 5 of them off"):
        fitted(readings)
