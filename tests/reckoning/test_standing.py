"""Where the rotor is looked for: all of it, or the part that a hole shows."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning import standing
from timingcam.seeing.opening import NotAPart

ROOT = Path(__file__).parents[2]
NO_PART = NotAPart(found="a", expected="b", do="c")
IN_NO_WAY = CannotMeasure(found="d", expected="e", do="f")


def looked(monkeypatch: pytest.MonkeyPatch, turned_deg: float, part: object) -> tuple[Any, list[bool]]:
    """What is returned where at first no part is found and then, where it is asked for once more, `part`; and whether
    it was sure to be one, of each time asked."""
    asked: list[bool] = []

    def find_part(*what: Any) -> object:
        asked.append(what[-1].surely)
        if not asked[-1]:
            raise NO_PART
        if isinstance(part, Exception):
            raise part
        return part

    whole = SimpleNamespace(turns_deg=np.append(np.linspace(0.0, turned_deg, 20), np.nan))
    monkeypatch.setattr(standing, "find_part_view", find_part)
    monkeypatch.setattr(standing, "find_view", lambda *_: whole)
    twin = read_engine(ROOT / "shared" / "engines" / "demo-twin.toml")
    twin = twin.model_copy(update={"rotor": twin.rotor.model_copy(update={"window_mm": 25.0})})
    what: Any = (None, None, None, [])
    found: Any = standing.first_view(what, twin, "left")
    return ("whole" if found is whole else found), asked


def test_a_rotor_with_its_cover_off(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 20.0, "part") == ("whole", [False])


def test_a_ring_about_the_hole_never_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 0.3, "part") == ("part", [False, True])


def test_a_rotor_that_is_seen_at_one_speed_is_one_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    assert looked(monkeypatch, 0.3, IN_NO_WAY) == ("whole", [False, True])
