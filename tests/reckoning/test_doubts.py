"""Sizes of the doubts of one clip, from what was seen."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import LINE_S, made_engine, made_seen, with_flashes

from timingcam.engine import Engine
from timingcam.reckoning.assemble import Seen, Strobe
from timingcam.reckoning.doubts import doubts_and_budget
from timingcam.reckoning.figures import Doubts
from timingcam.reckoning.result import BudgetRow, Readings

RPM = np.linspace(1200, 5600, 60)
ADVANCE = np.interp(RPM, [2000, 4000], [9, 31])


def readings(rpm: np.ndarray = RPM, advance: np.ndarray = ADVANCE) -> Readings:
    n = len(rpm)
    return Readings(
        np.arange(n) * 0.05, rpm, np.full(n, 2.0), advance, np.full(n, 0.09), np.ones(n, bool), ("",) * n, np.arange(n)
    )


def found(
    seen: Seen | None = None, engine: Engine | None = None, source: str = "flashes"
) -> tuple[Doubts, dict[str, BudgetRow]]:
    seen = seen or made_seen(ADVANCE, lean_rad=(0.2, 0.0), pose_sd=0.002)
    doubts, rows = doubts_and_budget(seen, readings(), engine or made_engine(), Strobe(), source)
    return doubts, {row.source: row for row in rows}


def test_random_parts_are_the_readings_own() -> None:
    _, rows = found()
    assert rows["angle of a single flash"].effect_deg == pytest.approx(0.09)
    assert rows["speed at a single flash"].size == pytest.approx(2.0)
    # The curve rises by 22 degrees in 2000 rpm: 11 a thousand; two rpm are 0.022 degrees. Tenths of the range blur it.
    assert rows["speed at a single flash"].effect_deg == pytest.approx(0.022, rel=0.15)
    assert rows["time of a single flash"].size == pytest.approx(10.0)  # µs


def test_systematic_parts_are_in_the_shift() -> None:
    doubts, rows = found()
    assert rows["where the index is"].effect_deg == pytest.approx(0.05)
    assert rows["where the mark is"].effect_deg == pytest.approx(0.06)
    assert rows["the mark's own position"].effect_deg == pytest.approx(0.03)
    least = np.hypot.reduce([0.05, 0.06, 0.03, rows["height of the index"].effect_deg])
    assert doubts.shift_sd_deg >= least


def test_height_counts_by_the_angle_of_sight() -> None:
    """An index at 12 o'clock; the face leans to the right by 0.2 rad, across the radius: h·tan 0.2 at 51.5 mm."""
    _, rows = found()
    expected = np.degrees(0.2 * np.tan(0.2) / 51.5)
    # The lens is 4 radii away, so its line to the rim differs from that to the centre by a sixteenth across.
    assert rows["height of the index"].effect_deg == pytest.approx(expected, rel=0.15)
    along = made_seen(ADVANCE, lean_rad=(0.0, 0.2), pose_sd=0.002)
    assert found(along)[1]["height of the index"].effect_deg < 0.15 * expected


def test_an_unknown_height_is_doubted_most() -> None:
    engine = made_engine()
    rotor = engine.rotor.model_copy(update={"index_above_mm": None, "index_above_sd_mm": None})
    open_ended = engine.model_copy(update={"rotor": rotor})
    assert found(engine=open_ended)[0].shift_sd_deg > 1.5 * found()[0].shift_sd_deg


def test_a_doubtful_pose_widens_the_shift() -> None:
    poor = made_seen(ADVANCE, lean_rad=(0.2, 0.0), pose_sd=0.03)
    assert found(poor)[0].shift_sd_deg > 2 * found()[0].shift_sd_deg


def test_a_delay_that_is_given_leaves_the_reading_of_the_smear() -> None:
    """It is to the light's centre; of 340 µs of smear 5 hundredths are left, 17 µs, by squares to the delay's own."""
    long = with_flashes(made_seen(ADVANCE), length_s=340e-6)
    doubts, rows = doubts_and_budget(long, readings(), made_engine(), Strobe(50e-6, 12e-6), "flashes")
    assert doubts.delay_sd_s == pytest.approx(np.hypot(12e-6, 17e-6))
    sizes = {row.source: row.size for row in rows}
    assert sizes["delay of the strobe"] == pytest.approx(12.0)
    assert sizes["length of the flash"] == pytest.approx(340.0)


@pytest.mark.parametrize(("strobe", "sd_us"), [(Strobe(), 50.0), (Strobe(40e-6), 4.0), (Strobe(0.0), 2.0)])
def test_a_delay_without_a_doubt_has_the_usual_one(strobe: Strobe, sd_us: float) -> None:
    doubts, rows = doubts_and_budget(made_seen(ADVANCE), readings(), made_engine(), strobe, "flashes")
    row = {row.source: row for row in rows}["delay of the strobe"]
    assert row.size == pytest.approx(sd_us)
    assert row.effect_deg == pytest.approx(6 * np.median(RPM) * sd_us * 1e-6)
    assert doubts.delay_sd_s >= sd_us * 1e-6


def test_no_source_is_left_out_of_a_usual_clip() -> None:
    """Every row of the budget has a size, save the speed's where the readings give none."""
    engine = made_engine(index_above_mm=2.0)
    doubts_rows = found(engine=engine)[1].values()
    assert [row.source for row in doubts_rows if not (row.size > 0 and row.effect_deg > 0)] == []
    assert found(engine=engine)[0].shift_sd_deg == pytest.approx(
        np.hypot.reduce(
            [
                row.effect_deg
                for row in doubts_rows
                if row.kind == "systematic" and not any(word in row.source for word in ("flash", "strobe", "clock"))
            ]
        )
    )


def test_without_one_a_long_flash_is_doubted() -> None:
    """400 µs of light: where its centre is, is known to a quarter of that."""
    short, _ = found(with_flashes(made_seen(ADVANCE), length_s=LINE_S))
    long, _ = found(with_flashes(made_seen(ADVANCE), length_s=400e-6))
    # The strobe's own unknown delay is in both.
    assert short.delay_sd_s == pytest.approx(np.hypot(50e-6, LINE_S / 4))
    assert 0.5 * 100e-6 < np.sqrt(long.delay_sd_s**2 - 50e-6**2) <= 100e-6


def test_scale_of_the_speed() -> None:
    assert found(source="given")[0].rpm_rel_sd == 0.01
    plain = found()[0].rpm_rel_sd
    unsure = with_flashes(made_seen(ADVANCE), line_time_sd_s=0.1 * LINE_S)
    assert plain < found(unsure)[0].rpm_rel_sd < 0.02
    whole = with_flashes(made_seen(ADVANCE), line_time_s=None)
    assert found(whole)[0].rpm_rel_sd == pytest.approx(1e-4)


@pytest.mark.parametrize(("source", "share"), [("sound", 0.002), ("file", 0.005), ("given", 0.01)])
def test_a_speed_from_elsewhere_has_its_own_scale_and_step(source: str, share: float) -> None:
    """Its time may be off by 20 ms: at 4400 rpm in 2.95 s and 11 degrees in 1000 rpm that is 0.33 degrees."""
    doubts, rows = doubts_and_budget(made_seen(ADVANCE), readings(), made_engine(), Strobe(), source, 0.02)
    named = {row.source: row for row in rows}
    assert named["scale of the speed"].size == pytest.approx(100 * share) and "clock of the camera" not in named
    assert doubts.rpm_rel_sd == share and doubts.rpm_time_sd_s == 0.02
    out_of_step = named["clip and speed out of step"]
    assert out_of_step.size == pytest.approx(20.0)
    assert out_of_step.effect_deg == pytest.approx(11e-3 * 4400 / 2.95 * 0.02, rel=0.1)
    alone = doubts_and_budget(made_seen(ADVANCE), readings(), made_engine(), Strobe(), source)[0]
    assert doubts.shift_sd_deg == pytest.approx(alone.shift_sd_deg)  # no shift of the whole curve


def test_few_readings_have_no_slope() -> None:
    few = readings(RPM[:10], ADVANCE[:10])
    _, rows = doubts_and_budget(made_seen(ADVANCE[:10]), few, made_engine(), Strobe(), "flashes")
    assert {row.source: row.effect_deg for row in rows}["speed at a single flash"] == 0.0


def test_nothing_used() -> None:
    none = readings()
    none = replace(none, used=np.zeros(60, bool), reason=("no",) * 60)
    doubts, rows = doubts_and_budget(made_seen(ADVANCE), none, made_engine(), Strobe(), "flashes")
    assert np.isfinite(doubts.shift_sd_deg) and all(np.isfinite(row.effect_deg) for row in rows)


def test_a_flash_s_length_that_was_measured_counts() -> None:
    """200 µs: its centre is known to a quarter, 50 µs, by squares to the unknown delay's 50 µs; half is taken off."""
    told = Strobe(length_s=200e-6)
    assert told.late_s == pytest.approx(100e-6)
    assert Strobe(40e-6, length_s=200e-6).late_s == pytest.approx(40e-6)  # a delay is to the light's centre already
    doubts, rows = doubts_and_budget(made_seen(ADVANCE), readings(), made_engine(), told, "flashes")
    assert {row.source: row.size for row in rows}["length of the flash"] == pytest.approx(200.0)
    assert doubts.delay_sd_s == pytest.approx(np.hypot(50e-6, 50e-6))
