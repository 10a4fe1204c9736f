"""Marks told apart by their paint: its words, and what coded pictures show of it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Set
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_flashes import flashes_turned

from timingcam.seeing import in_colour
from timingcam.seeing.hues import PAINTS, hue_of
from timingcam.seeing.marks import Mark
from timingcam.seeing.paint import Painted, by_their_paint, tells_apart
from timingcam.seeing.pose import square_on
from timingcam.seeing.strips import Grid

SHAPE = (400, 400)
POSE = square_on(np.array([199.5, 199.5]), 125.0, (400, 400))
GRID = Grid(np.linspace(0.5, 1.45, 96), 1024)
TURNS_DEG = np.linspace(-31.0, -8.0, 12)
OWN_DEG = (33.0, 41.0, 64.0)
RED, YELLOW = (-15.0, 45.0), (-40.0, 8.0)  # codes of Cb and Cr beside grey, as phones show paint in a strobe's light


def mark(name: str, deg: float) -> Mark:
    return Mark(name, deg % 360.0, 0.05, 0.8, 0.97, 1.6, 0.0, 0.05)


def clip(
    monkeypatch: pytest.MonkeyPatch, own: tuple[float, float], others: tuple[float, float], tint: float = 0.0
) -> Any:
    """Twelve flashes of a grey rotor with three marks of one paint and, half a turn on, three of another."""

    def frames(_: Any, wanted: Set[int]) -> Iterator[tuple[int, np.ndarray]]:
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - 199.5
        radius, deg = np.hypot(x, y) / 125.0, np.degrees(np.arctan2(y, x))
        for number in sorted(wanted):
            rng = np.random.default_rng(number)
            codes = np.stack([np.full(SHAPE, 120.0), np.full(SHAPE, 128.0 - tint), np.full(SHAPE, 128.0 + tint)])
            for paint, half_turn in ((own, 0.0), (others, 180.0)):
                for at in OWN_DEG:
                    away = np.abs((deg - at - half_turn - TURNS_DEG[number] + 180) % 360 - 180)
                    there = (away < 1.2) & (radius > 0.8) & (radius < 0.97)
                    for plane, code in zip(codes[1:], paint, strict=True):
                        plane[there] += code
            yield number, np.clip(codes + 2.0 * rng.standard_normal(codes.shape), 0, 255).astype(np.uint8)

    monkeypatch.setattr(in_colour, "coloured", frames)
    flashes, turns = flashes_turned(TURNS_DEG, SHAPE[0])
    return None, flashes, SimpleNamespace(pose=POSE, wide=GRID, uncovered=None), turns


def told(own: str, others: str, some: int = 3) -> list[Painted]:
    """The marks as the file names their paints; only some of the other cylinder's may have been found."""
    found = [Painted(mark(f"l{deg:.0f}", deg), own, others) for deg in OWN_DEG]
    return found + [Painted(mark(f"r{deg:.0f}", deg + 180), others, own) for deg in OWN_DEG[:some]]


@pytest.mark.parametrize("tint", [0.0, 20.0])
@pytest.mark.parametrize("some", [3, 1])
def test_named_right_or_the_other_way_round(monkeypatch: pytest.MonkeyPatch, some: int, tint: float) -> None:
    """In white light and in a lamp's, which tints all of the metal alike."""
    seen = clip(monkeypatch, (0.0, 0.0), RED, tint)
    assert by_their_paint(seen, told("white", "signal red", some)) > 10
    assert by_their_paint(seen, told("red", "white", some)) < -10
    seen = clip(monkeypatch, YELLOW, RED, tint)
    assert by_their_paint(seen, told("yellow", "red", some)) > 10
    assert by_their_paint(seen, told("red", "yellow", some)) < -10


def test_marks_without_colour_tell_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both as grey as the metal: whatever the file says, there is a tint of less than an eye sees."""
    seen = clip(monkeypatch, (0.0, 0.0), (-0.5, 1.0))
    assert by_their_paint(seen, told("white", "red")) == 0.0


def test_one_group_alone_tells_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert by_their_paint(clip(monkeypatch, (0.0, 0.0), RED), told("white", "red", 0)) == 0.0
    assert by_their_paint(clip(monkeypatch, (0.0, 0.0), RED), []) == 0.0


def test_words() -> None:
    assert tells_apart("white", "red") and tells_apart("Signal-Red", "pale yellow")
    assert not tells_apart("white", "black") and not tells_apart("red", "dark red")
    assert not tells_apart("white", None) and not tells_apart("white", "vermilion-ish")
    assert hue_of("bright metallic") is None
    for word, (red, green, blue) in PAINTS.items():
        hue = hue_of(word)
        assert hue is not None
        # BT.709: no colour where red, green and blue are the same; redder than green means more of the second.
        assert np.allclose(hue, 0) == (red == green == blue)
        if red > max(green, blue):
            assert hue[1] > 0
        if blue > max(red, green):
            assert hue[0] > 0
