"""Where the rotor is looked for: all of it, or the part that a hole shows."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning import standing
from timingcam.seeing.opening import NotAPart

ROOT = Path(__file__).parents[2]
NO_PART = NotAPart(found="a", expected="b", do="c")
IN_NO_WAY = CannotMeasure(found="d", expected="e", do="f")


def looked(monkeypatch: pytest.MonkeyPatch, turned_deg: float | CannotMeasure, part: object) -> tuple[Any, list[bool]]:
    """What is returned where at first no part is found and then, where it is asked for once more, `part`; and whether
    it was sure to be one, of each time asked. Of a whole rotor: by how much it turns, or why there is none."""
    asked: list[bool] = []

    def find_part(*what: Any) -> object:
        asked.append(what[-1].surely)
        if not asked[-1]:
            raise NO_PART
        if isinstance(part, Exception):
            raise part
        return part

    def find_whole(*_: Any) -> object:
        if isinstance(turned_deg, CannotMeasure):
            raise turned_deg
        return whole

    turns = np.linspace(0.0, 0.0 if isinstance(turned_deg, CannotMeasure) else turned_deg, 20)
    whole = SimpleNamespace(turns_deg=np.append(turns, np.nan))
    monkeypatch.setattr(standing, "find_part_view", find_part)
    monkeypatch.setattr(standing, "find_view", find_whole)
    twin = read_engine(ROOT / "shared" / "engines" / "demo-twin.toml")
    twin = twin.model_copy(update={"rotor": twin.rotor.model_copy(update={"window_mm": 25.0})})
    what: Any = (None, None, None, [])
    found: Any = standing.first_view(what, twin, "left")
    return ("whole" if found is whole else found), asked


def test_a_rotor_with_its_cover_off(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 20.0, "part") == ("whole", [False])


def test_a_ring_about_the_hole_never_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 0.3, "part") == ("part", [False, True])


def test_a_plain_ring_that_now_and_then_looks_half_a_turn_round_does_not_turn() -> None:
    still = np.r_[np.linspace(0.0, 0.3, 18), -178.4, 178.0, np.nan]
    assert not standing._turns(cast(Any, SimpleNamespace(turns_deg=still)))
    assert standing._turns(cast(Any, SimpleNamespace(turns_deg=np.r_[np.linspace(0.0, 20.0, 18), -178.4, 178.0])))
    assert standing._turns(cast(Any, SimpleNamespace(turns_deg=np.array([np.nan]))))  # nothing speaks against it


def test_a_rotor_that_is_seen_at_one_speed_is_one_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 0.3, IN_NO_WAY) == ("whole", [False, True])


def test_where_no_rim_is_found_a_part_is_looked_for_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """The hole's own edge may show more than the rotor's arcs in it, and be no rotor either."""
    no_rim = CannotMeasure(found="g", expected="h", do="i")
    assert looked(monkeypatch, no_rim, "part") == ("part", [False, True])
    with pytest.raises(CannotMeasure, match="found g") as refusal:
        looked(monkeypatch, no_rim, IN_NO_WAY)
    # Nobody can show all of a rotor through a hole.
    assert "i; through a timing hole" in refusal.value.do
