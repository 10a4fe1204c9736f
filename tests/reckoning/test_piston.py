"""Piston travel: there and back, and its edges."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import Crank, RotorMark
from timingcam.reckoning.piston import deg_at_travel, mark_btdc_deg, travel_mm


@given(st.floats(0.5, 175.0), st.floats(20, 200), st.floats(0.55, 5.0))
def test_there_and_back(deg: float, stroke_mm: float, rod_per_stroke: float) -> None:
    rod_mm = rod_per_stroke * stroke_mm
    # Travel is flat at the dead centres and the sum of three lengths, so 1e-15 of those is 1e-12 of an angle there.
    assert deg_at_travel(travel_mm(deg, stroke_mm, rod_mm), stroke_mm, rod_mm) == pytest.approx(deg, abs=1e-7)


def test_dead_centres() -> None:
    assert deg_at_travel(0.0, 60, 120) == 0.0
    assert deg_at_travel(60.0, 60, 120) == pytest.approx(180.0, abs=1e-5)  # flat there: half the digits


@pytest.mark.parametrize(("mm", "stroke", "rod"), [(-0.1, 60, 120), (60.1, 60, 120), (1, 60, 30), (1, 0, 120)])
def test_what_no_crank_can_do(mm: float, stroke: float, rod: float) -> None:
    with pytest.raises(ValueError):
        deg_at_travel(mm, stroke, rod)


def test_mark_in_degrees_or_mm() -> None:
    crank = Crank(strokes=4, sparks_per_rev=0.5, stroke_mm=60.0, rod_mm=120.0)
    assert mark_btdc_deg(RotorMark(name="F", cylinder=("x",), btdc_deg=7.0), crank) == 7.0
    assert mark_btdc_deg(RotorMark(name="F", cylinder=("x",), mm_btdc=0.0), crank) == 0.0
    bare = Crank(strokes=4, sparks_per_rev=0.5)
    with pytest.raises(ValueError):
        mark_btdc_deg(RotorMark(name="F", cylinder=("x",), mm_btdc=1.0), bare)
