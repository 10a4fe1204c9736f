"""Whether a second stage of the rise is asked for."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from flash_runs import flat_rise_flat, made_readings

from timingcam.reckoning.brokenline import Form, Points, line
from timingcam.reckoning.curve import speed_direction
from timingcam.reckoning.linefit import fit_line
from timingcam.reckoning.result import Readings
from timingcam.reckoning.stages import LEAST_APART_DEG, second_stage_deg

ONE = Form((False, True, False))
PART_RPM = 150.0


def points_of(readings: Readings) -> Points:
    return Points(
        readings.rpm, readings.advance_deg, readings.advance_sd_deg, readings.rpm_sd,
        speed_direction(readings.time_s, readings.rpm),
    )  # fmt: skip


def apart_deg(readings: Readings) -> float:
    points = points_of(readings)
    return second_stage_deg(points, fit_line(points, ONE, PART_RPM), PART_RPM)


@pytest.mark.parametrize("knee_deg", [14.0, 30.0], ids=["slow, then fast", "fast, then slow"])
def test_two_stages(knee_deg: float) -> None:
    """How far apart the lines are, as worked out from the lines themselves."""
    corners = ([1600.0, 2600.0, 4000.0], [10.0, knee_deg, 34.0])
    readings = made_readings(lambda rpm: np.interp(rpm, *corners), 3, n=120, jitter_deg=0.3)
    points = points_of(readings)
    one = fit_line(points, ONE, PART_RPM)
    x = np.linspace(readings.rpm.min(), readings.rpm.max(), 500)
    true = np.sqrt(np.mean((line(ONE, one.theta, x) - np.interp(x, *corners)) ** 2))
    found = second_stage_deg(points, one, PART_RPM)
    # A knee of 120 readings of 0.3 degrees stands where it is to a tenth of a degree or two.
    assert found == pytest.approx(true, abs=0.2) and found > LEAST_APART_DEG


@pytest.mark.parametrize("n", [40, 100, 400])
@pytest.mark.parametrize("seed", range(5))
def test_one_rise(n: int, seed: int) -> None:
    assert apart_deg(made_readings(flat_rise_flat, seed, n=n)) == 0.0


@pytest.mark.parametrize("off_deg", [-6.0, 6.0])
def test_two_strays_side_by_side_are_no_stage(off_deg: float) -> None:
    readings = made_readings(flat_rise_flat, 4, n=60)
    on_rise = np.argsort(np.abs(readings.rpm - 2600.0))[:2]
    advance = readings.advance_deg.copy()
    advance[on_rise] += off_deg
    assert apart_deg(replace(readings, advance_deg=advance)) == 0.0


def test_a_level_line_has_no_stages() -> None:
    points = points_of(made_readings(lambda rpm: np.full_like(rpm, 20.0), 1, n=60))
    level = fit_line(points, Form((False,)), PART_RPM)
    assert second_stage_deg(points, level, PART_RPM) == 0.0


def test_a_rise_that_falls_is_no_stage() -> None:
    """A hump is no advancer: whatever is wrong there, it has no second stage."""
    readings = made_readings(
        lambda rpm: np.interp(rpm, [1600.0, 2600.0, 4000.0], [10.0, 40.0, 34.0]), 3, n=120, jitter_deg=0.3
    )
    assert apart_deg(readings) == 0.0
