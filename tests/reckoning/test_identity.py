"""Which engines show their cylinder in the picture."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from timingcam.engine import Engine, read_engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning import identity
from timingcam.reckoning.identity import bare, cylinder_identity, identity_of, painted_marks
from timingcam.seeing.marks import Index, Mark, Marks

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


def painted_twin(*paints: str | None) -> Engine:
    """The half-turn twin with the marks of each cylinder in a paint of its own."""
    twin = engine("half-turn-twin")
    of = dict(zip((c.name for c in twin.cylinder), paints, strict=True))
    marks = tuple(mark.model_copy(update={"paint": of[mark.cylinder[0]]}) for mark in twin.rotor.mark)
    return twin.model_copy(update={"rotor": twin.rotor.model_copy(update={"mark": marks})})


def seen_marks(one: Engine) -> Any:
    marks = tuple(Mark(m.name, 10.0 * k, 0.1, 0.8, 0.97, 1.2, 0.0, 0.05) for k, m in enumerate(one.rotor.mark))
    found = Marks(marks, Index(0.0, 0.05, 1.03, 1.0), 0.0, 0.06, 0.03, ())
    return SimpleNamespace(marks=found, info=None, flashes=None, view=None, turns=None)


def test_which_marks_their_paint_tells_apart() -> None:
    one = painted_twin("white", "red")
    found = painted_marks(one, seen_marks(one).marks)
    assert {p.mark.name for p in found} == {m.name for m in one.rotor.mark}
    assert {(p.paint, p.others) for p in found} == {("white", "red"), ("red", "white")}
    for same in (painted_twin("white", "white"), painted_twin("white", None), engine("demo-twin")):
        assert painted_marks(same, seen_marks(same).marks) == []


@pytest.mark.parametrize(("sds", "said"), [(40.0, "seen"), (3.0, "assumed"), (0.0, "assumed"), (-3.0, "assumed")])
def test_paint_tells_the_cylinder(monkeypatch: pytest.MonkeyPatch, sds: float, said: str) -> None:
    one = painted_twin("white", "red")
    monkeypatch.setattr(identity, "by_their_paint", lambda *_: sds)
    name = one.cylinder[0].name
    assert identity_of(seen_marks(one), one, name, ()) == said
    assert identity_of(seen_marks(one), one, name, (one.rotor.mark[0].name,)) == "assumed"  # told, not seen


def test_the_other_cylinder_s_paint_at_the_index_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    one = painted_twin("white", "red")
    monkeypatch.setattr(identity, "by_their_paint", lambda *_: -40.0)
    with pytest.raises(CannotMeasure, match=r"not white.*on another cylinder"):
        identity_of(seen_marks(one), one, one.cylinder[0].name, ())


def test_without_paint_no_colours_are_looked_at(monkeypatch: pytest.MonkeyPatch, uneven: Engine) -> None:
    def never(*_: Any) -> float:
        raise AssertionError("a clip decoded for nothing")

    monkeypatch.setattr(identity, "by_their_paint", never)
    twin = engine("half-turn-twin")
    assert identity_of(seen_marks(twin), twin, twin.cylinder[0].name, ()) == "assumed"
    assert identity_of(seen_marks(uneven), uneven, uneven.cylinder[0].name, ()) == "seen"
