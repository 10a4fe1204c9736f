"""Sentences about what limits one measurement: each where it applies, and none where nothing does."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import made_engine, made_seen, with_flashes, with_turns

from timingcam.engine import read_engine
from timingcam.reckoning.assemble import Seen, Strobe
from timingcam.reckoning.warnings import warnings_of
from timingcam.seeing.clip import Orientation
from timingcam.seeing.clock import FrameClock

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
ADVANCE = np.linspace(9, 31, 20)


def said(seen: Seen | None = None, strobe: Strobe | None = None, more: tuple[str, ...] = ()) -> tuple[str, ...]:
    return warnings_of(seen or made_seen(ADVANCE), made_engine(), strobe or Strobe(0.0), more)


def test_a_good_clip_of_a_well_known_engine_needs_no_word() -> None:
    assert said() == ()


def test_what_earlier_stages_said_comes_first_and_once() -> None:
    seen = made_seen(ADVANCE)
    seen = replace(with_flashes(seen, warnings=("of flashes",)), marks=replace(seen.marks, warnings=("of marks",)))
    assert said(seen, more=("of speed", "of marks")) == ("of speed", "of marks", "of flashes")


def test_a_dial_that_is_not_at_nought() -> None:
    (sentence,) = said(strobe=Strobe(0.0, dial_deg=12.5))
    assert "12.5 degrees" in sentence and "film with it at 0" in sentence


def test_a_strobe_of_unknown_delay() -> None:
    (sentence,) = said(strobe=Strobe())
    assert "up to 1.8 degrees" in sentence and "--strobe-delay" in sentence


def test_groups_of_marks_that_look_alike() -> None:
    engine = read_engine(ENGINES / "half-turn-twin.toml")
    sentences = warnings_of(made_seen(ADVANCE), engine, Strobe(), ())
    assert any("180 degrees apart" in s and "not seen" in s for s in sentences)
    by_paint = warnings_of(made_seen(ADVANCE), engine, Strobe(), (), "seen")
    assert not any("180 degrees apart" in s for s in by_paint)


def test_an_index_of_unknown_height() -> None:
    engine = read_engine(ENGINES / "wasted-spark-single.toml")
    assert any("index_above_mm" in s for s in warnings_of(made_seen(ADVANCE), engine, Strobe(), ()))


def test_a_slanting_view() -> None:
    assert any("29 degrees off" in s for s in said(made_seen(ADVANCE, lean_rad=(0.5, 0.0))))
    assert said(made_seen(ADVANCE, lean_rad=(0.3, 0.0))) == ()


def test_a_mirrored_clip() -> None:
    assert any("mirrored" in s for s in said(made_seen(ADVANCE, orientation=Orientation(640, 480, 0, True))))


def test_uneven_stamps() -> None:
    seen = made_seen(ADVANCE)
    uneven = replace(seen, clock=FrameClock(np.arange(40) / 60, 1 / 60, 0.9e-3, False))
    assert any("uneven" in s for s in said(uneven))


def test_most_flashes_unread() -> None:
    seen = made_seen(ADVANCE)
    turn = seen.turns.turn_deg.copy()
    turn[: len(turn) * 3 // 5] = np.nan
    assert any("60%" in s for s in said(with_turns(seen, turn_deg=turn)))
