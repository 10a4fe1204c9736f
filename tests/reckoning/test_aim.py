"""A cylinder's aim: which figures it goes by, and how well they are known."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from timingcam.engine import Spec
from timingcam.reckoning.aim import aim_of, full_limit_deg

_spec = importlib.util.spec_from_file_location("bench_engine", Path(__file__).with_name("bench_engine.py"))
assert _spec is not None and _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

SPEC = bench.engine([]).spec


def without_figures(low: float, full: float, from_rpm: float = 0.0, to_rpm: float = 1e6):
    curve = replace(bench.curve(low, full), low_speed_advance_deg=None, full_advance_deg=None)
    keep = (curve.grid_rpm >= from_rpm) & (curve.grid_rpm <= to_rpm)
    names = ("grid_rpm", "grid_advance_deg", "grid_random_sd_deg", "grid_sd_deg")
    return replace(curve, **{name: getattr(curve, name)[keep] for name in names})


def test_limit() -> None:
    assert full_limit_deg(SPEC) == bench.FULL_DEG + 2.0
    assert full_limit_deg(SPEC.model_copy(update={"full_advance_max_deg": 33.5})) == 33.5


def test_random_and_common_doubt_are_told_apart() -> None:
    aim = aim_of("left", bench.curve(8.0, 34.0, random_sd=0.1, common_sd=0.15), SPEC)
    assert aim.common_sd_deg == pytest.approx(0.15)
    assert [target.random_sd_deg for target in aim.targets] == pytest.approx([0.1, 0.1])
    assert [target.wanted_deg for target in aim.targets] == pytest.approx([-1.0, -1.0])


def test_speeds_at_which_the_spec_is_level_stand_in() -> None:
    aim = aim_of("left", without_figures(8.0, 34.0), SPEC)
    assert aim.low is not None and aim.full is not None
    assert aim.low.measured.value == pytest.approx(8.0) and aim.full.measured.value == pytest.approx(34.0)
    assert aim.low.measured.sd == pytest.approx(np.hypot(0.1, 0.15))


def test_a_clip_of_the_rise_alone_gives_nothing() -> None:
    aim = aim_of("left", without_figures(8.0, 34.0, 2100.0, 3800.0), SPEC)
    assert aim.low is None and aim.full is None and not aim.targets


def test_level_spec_takes_the_whole_clip() -> None:
    level = Spec(curve=((1500.0, 21.0), (9000.0, 21.0)), tolerance_deg=1.5)
    aim = aim_of("left", without_figures(19.0, 19.0, 2000.0, 3000.0), level)
    assert [target.wanted_deg for target in aim.targets] == pytest.approx([2.0, 2.0])


def test_spec_that_rises_from_the_start_has_no_low_speed_level() -> None:
    rising = Spec(curve=((1000.0, 5.0), (4000.0, 33.0), (8000.0, 33.0)), tolerance_deg=2.0)
    assert aim_of("left", without_figures(8.0, 34.0), rising).low is None


@pytest.mark.parametrize(("full_deg", "chosen"), [(29.9, False), (30.1, True)])
def test_full_advance_is_chosen_just_where_idle_would_take_it_too_far(full_deg: float, chosen: bool) -> None:
    # Idle is 5 late; with it put right, full advance would be 34.9 or 35.1 where 35 is the limit.
    aim = aim_of("left", bench.curve(bench.LOW_DEG - 5, full_deg), SPEC)
    assert aim.full_chosen is chosen
    assert [target.figure for target in aim.targets] == (["full advance"] if chosen else ["low speed", "full advance"])
