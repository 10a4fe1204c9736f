"""Signs of static timing and true TDC, from where metal stands by definition: either way of turning, any cylinder.

The rotor stands as the engine angle says: a mark of a cylinder whose firing TDC is at c passes the index at engine
angle c - btdc (docs/engine-file.md). Angles in the picture grow clockwise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import Engine, read_engine
from timingcam.reckoning.hand_turned import HandTurned, Named, advance_at
from timingcam.reckoning.stops import middle_of_stops
from timingcam.reckoning.tdc import file_t_mark, mark_at_index_deg
from timingcam.seeing.hints import Pointed
from timingcam.seeing.marks import Index, Mark, Marks

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
TWIN = read_engine(ENGINES / "demo-twin.toml")
HALF_TURN = read_engine(ENGINES / "half-turn-twin.toml")

degrees = st.floats(-180, 180)
senses = st.sampled_from([1, -1])


def near(found: float, true: float) -> bool:
    return abs((found - true + 180) % 360 - 180) < 1e-6


def named(zero_deg: float, index_deg: float, parallax_deg: float, *marks: Mark) -> Named:
    index = Index(index_deg + parallax_deg, 0.01, 1.0, 1.0)
    return Named(Marks(marks, index, zero_deg, 0.01, 0.1, ()), parallax_deg)


def mark(deg: float) -> Mark:
    return Mark("T", deg, 0.01, 0.8, 0.95, 1.0, 0.0, 0.1)


@given(st.sampled_from([(TWIN, "left"), (TWIN, "right"), (HALF_TURN, "front"), (HALF_TURN, "rear")]), senses, degrees,
       degrees, degrees, st.floats(-1, 1))  # fmt: skip
def test_advance_is_what_is_left_to_go(
    which: tuple[Engine, str], sense: int, index: float, off: float, crank: float, parallax: float
) -> None:
    engine, cylinder = which
    tdc = next(one.tdc_deg for one in engine.cylinder if one.name == cylinder)
    turned = HandTurned(engine, cylinder, None, sense, Pointed())  # type: ignore[arg-type]
    # At engine angle 0 the rotor is turned by `off`, and a mark of engine angle 0 stands at the index.
    here = named(index - off, index, parallax)
    found = advance_at(turned, here, np.array([off + sense * crank]))[0]
    assert near(float(found), tdc - crank)


@given(senses, degrees, degrees, st.floats(-60, 60), degrees, st.floats(-1, 1))
def test_a_marks_place_is_read_at_top_dead_centre(
    sense: int, index: float, off: float, btdc: float, tdc: float, parallax: float
) -> None:
    # The mark passes the index, by definition, at engine angle tdc - btdc.
    one = mark(index - off - sense * (tdc - btdc))
    found = mark_at_index_deg(one, named(0.0, index, parallax), off + sense * tdc, sense)
    assert near(found, btdc)


@given(senses, degrees, degrees, st.floats(-5, 5), st.floats(8, 60))
def test_from_stops_to_the_mark(sense: int, index: float, off: float, error: float, holds: float) -> None:
    """A T mark that lines up `error` degrees before TDC, found by rests at `holds` degrees before and after."""
    one = mark(index - off + sense * error)  # passes the index at engine angle -error
    turn = [off + sense * crank for crank in (-holds, -360 + holds)]
    middle = middle_of_stops([(sense * turn[0], 0.0)], [(sense * turn[1], 0.0)])
    found = mark_at_index_deg(one, named(0.0, index, 0.0), sense * middle.tdc_deg, sense)
    assert near(found, error)


def test_the_t_mark_is_the_one_nearest_to_tdc() -> None:
    assert file_t_mark(TWIN, "left") == "T"
    assert file_t_mark(HALF_TURN, "rear") == "0-rear"


def test_an_engine_without_a_mark_near_tdc_has_no_t_mark() -> None:
    marks = tuple(one for one in TWIN.rotor.mark if one.btdc_deg > 5)
    engine = TWIN.model_copy(update={"rotor": TWIN.rotor.model_copy(update={"mark": marks})})
    assert file_t_mark(engine, "left") is None


@pytest.mark.parametrize("sense", [1, -1])
def test_a_case_worked_out_on_paper(sense: int) -> None:
    """Index at 270 (twelve o'clock), T punched so that it reaches the index 2 degrees before true TDC.

    Turning clockwise it stands 2 degrees past twelve at TDC, at 272; anticlockwise at 268.
    """
    assert mark_at_index_deg(mark(270.0 + 2.0 * sense), named(0.0, 270.0, 0.0), 0.0, sense) == pytest.approx(2.0)
