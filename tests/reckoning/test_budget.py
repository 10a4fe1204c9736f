"""The budget's rows."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from timingcam.reckoning.budget import (
    CENTRE_MEASURED,
    INDEX_TILT,
    Sources,
    budget,
    delay_sd_s,
    shift_sd_deg,
    total_sd_deg,
)

SOURCES = Sources(
    angle_sd_deg=0.1, index_sd_deg=0.05, mark_sd_deg=0.04, mark_own_sd_deg=0.3, tilt_deg=10.0, tilt_sd_deg=1.0,
    index_above_sd_mm=0.5, sight_deg=10.0, index_radius_mm=50.0, centre_sd=0.002, flash_length_s=80e-6,
    delay_sd_s=15e-6, time_sd_s=20e-6, rpm_sd=2.0, rpm_rel_sd=1e-4, rpm=3000.0, slope_deg_per_1000rpm=13.0,
    index_above_mm=2.0,
)  # fmt: skip


def effects(sources: Sources) -> dict[str, float]:
    return {row.source: row.effect_deg for row in budget(sources)}


def test_every_source_has_its_row_once() -> None:
    rows = budget(SOURCES)
    assert len({row.source for row in rows}) == len(rows) == 13
    assert all(row.effect_deg > 0 and row.unit for row in rows)
    assert {row.kind for row in rows} == {"random", "systematic"}


def test_shift_is_what_is_alike_at_all_speeds() -> None:
    slow, fast = budget(SOURCES), budget(replace(SOURCES, rpm=6000.0))
    assert shift_sd_deg(slow) == shift_sd_deg(fast)
    named = effects(SOURCES)
    shifts = [
        "where the index is", "where the mark is", "the mark's own position", "tilt of the camera",
        INDEX_TILT, "height of the index", "rotor's centre",
    ]  # fmt: skip
    assert shift_sd_deg(slow) == pytest.approx(math.hypot(*(named[name] for name in shifts)), rel=1e-12)


def test_what_grows_with_speed() -> None:
    slow, fast = effects(SOURCES), effects(replace(SOURCES, rpm=6000.0))
    for source in ("delay of the strobe", "length of the flash", "clock of the camera"):
        assert fast[source] == pytest.approx(2 * slow[source])


def test_delay_holds_the_flash_s_length() -> None:
    """80 µs of flash: its light's centre is known to a quarter of it, 20 µs; with 15 µs of delay 25 µs."""
    assert delay_sd_s(SOURCES) == pytest.approx(25e-6)


def test_a_delay_measured_to_the_light_s_centre_leaves_the_reading_of_the_smear() -> None:
    """80 µs, of which 5 hundredths, 4 µs, by squares to the delay's own 15 µs."""
    measured = replace(SOURCES, centre_share=CENTRE_MEASURED)
    assert delay_sd_s(measured) == pytest.approx(math.hypot(15e-6, 4e-6))
    (row,) = (row for row in budget(measured) if row.source == "length of the flash")
    assert row.size == pytest.approx(80.0) and row.effect_deg == pytest.approx(4e-6 * 6 * SOURCES.rpm)


def test_tilt_moves_an_index_off_the_plane() -> None:
    """One degree of doubt at 2 mm over a radius of 50 mm: 0.04 degrees."""
    assert effects(SOURCES)[INDEX_TILT] == pytest.approx(0.04)


def test_kinds_add_by_squares() -> None:
    rows = budget(SOURCES)
    assert total_sd_deg(rows, "random") ** 2 == pytest.approx(
        sum(row.effect_deg**2 for row in rows if row.kind == "random")
    )


def test_nothing_known_of_the_radius_gives_no_parallax() -> None:
    assert effects(replace(SOURCES, index_radius_mm=0.0))["height of the index"] == 0.0
