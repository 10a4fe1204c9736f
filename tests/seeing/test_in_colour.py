"""Marks and an index by their colour: what shows in no light, and what may be read in two ways."""

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
from drawn_strips import GRID
from small_files import write_frames

from timingcam.engine import engine_from_dict
from timingcam.errors import CannotMeasure
from timingcam.reckoning.assemble import btdc_of_marks
from timingcam.seeing import in_colour
from timingcam.seeing.clip import coloured, open_clip
from timingcam.seeing.hues import hue_of
from timingcam.seeing.in_colour import find_in_colour
from timingcam.seeing.marks import Hints, Maps
from timingcam.seeing.naming import NotThere, find_marks, how_clear
from timingcam.seeing.pose import square_on

SHAPE = (400, 400)
POSE = square_on(np.array([199.5, 199.5]), 125.0, (400, 400))
ZERO_DEG, INDEX_DEG = 33.0, -75.0
TURNS_DEG = np.linspace(-31.0, -8.0, 12) + INDEX_DEG - ZERO_DEG
# A coded colour stands for two pixels each way: half of one is 0.11 degrees at the rim; it is read over forty rows and
# twelve flashes. What is left is the drawing's own jagged edges.
CLOSE_DEG = 0.15
PAINT = (-30.0, 15.0)  # of yellow, in codes of Cb and Cr


ENGINE = engine_from_dict(
    {
        "format": 1,
        "name": "painted",
        "crank": {"strokes": 4, "sparks_per_rev": 0.5},
        "cylinder": [{"name": "one", "tdc_deg": 0.0}],
        "rotor": {
            "turns": "clockwise",
            "rim_diameter_mm": 100.0,
            "mark": [{"name": n, "cylinder": ["one"], "btdc_deg": b} for n, b in (("N", 0.0), ("P", 8.0), ("Q", 31.0))],
        },
        "spec": {"curve": [[1000, 8.0], [2000, 8.0], [4000, 31.0], [7000, 31.0]], "tolerance_deg": 2.0},
    }
)


AT_THE_RIM = ((0.8, 0.97),) * 3


def picture(
    turn_deg: float, index_deg: tuple[float, ...], seed: int, radii: tuple[tuple[float, float], ...] = AT_THE_RIM
) -> np.ndarray:
    """Y', Cb and Cr of a grey rotor whose marks are yellow and just as bright, and of the index beside it."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - 199.5
    radius, deg = np.hypot(x, y) / 125.0, np.degrees(np.arctan2(y, x))
    rng = np.random.default_rng(seed)
    codes = np.stack([np.full(SHAPE, 120.0), np.full(SHAPE, 128.0), np.full(SHAPE, 128.0)])

    def paint(at_deg: float, radii: tuple[float, float]) -> None:
        away = np.abs((deg - at_deg + 180) % 360 - 180)
        there = (away < 1.0) & (radius > radii[0]) & (radius < radii[1])
        for plane, code in zip(codes[1:], PAINT, strict=True):
            plane[there] += code

    for btdc, from_to in zip((0.0, 8.0, 31.0), radii, strict=True):
        paint(ZERO_DEG + btdc + turn_deg, from_to)
    for at_deg in index_deg:
        paint(at_deg, (1.03, 1.2))
    return np.clip(codes + 2.0 * rng.standard_normal(codes.shape), 0, 255).astype(np.uint8)


def looked(
    monkeypatch: pytest.MonkeyPatch, *index_deg: float, paint: str | None = None, radii: Any = AT_THE_RIM
) -> tuple[Maps, Any]:
    """What is found in a clip of such pictures."""

    def frames(_: Any, wanted: Set[int]) -> Iterator[tuple[int, np.ndarray]]:
        for number in sorted(wanted):
            yield number, picture(float(TURNS_DEG[number]), index_deg, number, radii)

    monkeypatch.setattr(in_colour, "coloured", frames)
    flashes, turns = flashes_turned(TURNS_DEG, SHAPE[0])
    grey = (0.02 * np.random.default_rng(7).standard_normal((len(GRID.radii), GRID.n_angles))).astype(np.float32)
    maps = Maps(GRID, grey, grey, TURNS_DEG, 1.0, 1, POSE, np.zeros((6, 6)))
    told = {"engine": ENGINE, "cylinder": "one", "btdc": btdc_of_marks(ENGINE)}
    with pytest.raises(NotThere):
        find_marks(maps, hints=Hints(), **told)
    seen: Any = (None, flashes, SimpleNamespace(pose=POSE, uncovered=None), turns)
    find, judge = lambda m: find_marks(m, hints=Hints(), **told), lambda m: how_clear(m, **told)
    return find_in_colour(seen, maps, find, judge, dict.fromkeys("NPQ", paint))


def test_what_no_light_shows_is_found_by_its_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    _, marks = looked(monkeypatch, INDEX_DEG)
    assert abs((marks.index.deg - INDEX_DEG + 180) % 360 - 180) < CLOSE_DEG
    assert abs((marks.zero_deg - ZERO_DEG + 180) % 360 - 180) < CLOSE_DEG
    assert {mark.name for mark in marks.marks} == {"N", "P", "Q"}
    # Where in its two pixels a colour lies is not known.
    assert marks.index.sd_deg > np.degrees(0.25 / 125.0 / 1.2)


def test_neither_in_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NotThere, match="colour"):
        looked(monkeypatch)


def test_stains_of_another_hue_are_no_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rust and oil stand where marks would, to a degree: they are not of the paint that the file names."""
    own = next(word for word in ("yellow", "orange", "red") if np.all(np.sign(hue_of(word)) == np.sign(PAINT)))
    other = next(word for word in ("blue", "green") if np.any(np.sign(hue_of(word)) != np.sign(PAINT)))
    _, marks = looked(monkeypatch, INDEX_DEG, paint=own)
    assert abs((marks.zero_deg - ZERO_DEG + 180) % 360 - 180) < CLOSE_DEG
    with pytest.raises(NotThere, match="colour"):
        looked(monkeypatch, INDEX_DEG, paint=other)


def test_stains_at_radii_of_their_own_are_no_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NotThere, match="colour"):
        looked(monkeypatch, INDEX_DEG, radii=((0.62, 0.74), (0.87, 0.97), (0.76, 0.84)))


def test_two_that_could_be_the_index(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CannotMeasure, match="two lines"):
        looked(monkeypatch, INDEX_DEG, INDEX_DEG + 5.0)


def test_frames_come_with_their_colours(tmp_path: Path) -> None:
    lumas = [np.full((48, 64), 40 + 10 * k, np.uint8) for k in range(5)]
    clip = open_clip(write_frames(tmp_path / "c.mp4", lumas, [3000 * k for k in range(5)]))
    found = dict(coloured(clip, {1, 3}))
    assert list(found) == [1, 3]
    assert found[3].shape == (3, 48, 64)
    # Coded nearly without loss.
    assert np.abs(found[3][0].astype(int) - 70).max() <= 2
    assert np.abs(found[3][1:].astype(int) - 128).max() <= 2
