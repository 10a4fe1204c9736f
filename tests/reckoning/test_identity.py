"""Which engines show their cylinder in the picture."""

from __future__ import annotations

from pathlib import Path

import pytest

from timingcam.engine import Engine, read_engine
from timingcam.reckoning.identity import bare, cylinder_identity

ENGINES = Path(__file__).parents[2] / "shared" / "engines"


def engine(name: str) -> Engine:
    return read_engine(ENGINES / f"{name}.toml")


def own(one: Engine, cylinder: str) -> tuple[str, ...]:
    return tuple(mark.name for mark in one.rotor.mark if cylinder in mark.cylinder)


def test_marks_that_serve_both_cylinders_tell_neither() -> None:
    twin = engine("demo-twin")
    assert cylinder_identity(twin, "left", own(twin, "left")) == "assumed"


def test_alike_after_half_a_turn_tells_neither_whatever_the_paint() -> None:
    twin = engine("half-turn-twin")
    assert all(mark.paint is None for mark in bare(twin).rotor.mark)
    for cylinder in twin.cylinder:
        assert cylinder_identity(twin, cylinder.name, own(twin, cylinder.name)) == "assumed"


@pytest.fixture
def uneven() -> Engine:
    """The half-turn twin with one mark of each cylinder moved: no turn lays the one's marks on the other's."""
    twin = engine("half-turn-twin")
    first = twin.cylinder[0].name
    marks = tuple(
        mark.model_copy(update={"btdc_deg": mark.btdc_deg + 4.0})
        if first in mark.cylinder and mark.btdc_deg is not None and mark.btdc_deg > 0
        else mark
        for mark in twin.rotor.mark
    )
    return twin.model_copy(update={"rotor": twin.rotor.model_copy(update={"mark": marks})})


def test_spacing_of_its_own_tells(uneven: Engine) -> None:
    first = uneven.cylinder[0].name
    names = own(uneven, first)
    assert cylinder_identity(uneven, first, names) == "seen"
    # One line has no spacing, and what was pointed at was told.
    assert cylinder_identity(uneven, first, names[:1]) == "assumed"
    assert cylinder_identity(uneven, first, names, names[1:]) == "assumed"
