"""What is drawn: places and angles of the picture as shown, whichever way the container turns it."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import HEIGHT, INDEX_DEG, WIDTH, made_pose, made_seen, with_turns

from timingcam.reckoning.assemble import NOT_LIT, Seen
from timingcam.reckoning.portraits import pictures_of
from timingcam.reckoning.result import Pictures, Readings
from timingcam.seeing.clip import Orientation

ADVANCE = np.linspace(9, 31, 8)
SHIFT = np.array([[0.999, -0.02, 7.0], [0.02, 0.999, -4.0], [0.0, 0.0, 1.0]])


def readings(reasons: tuple[str, ...] = ("",) * 8) -> Readings:
    used = np.array([reason == "" for reason in reasons])
    return Readings(
        np.arange(8.0),
        np.full(8, 3000.0),
        np.full(8, 2.0),
        ADVANCE.copy(),
        np.full(8, 0.1),
        used,
        reasons,
        np.arange(8),
    )


def seen_as(quarter_turns: int, mirrored: bool) -> Seen:
    seen = made_seen(ADVANCE, orientation=Orientation(WIDTH, HEIGHT, quarter_turns, mirrored))
    return with_turns(seen, shift=np.tile(SHIFT, (8, 1, 1)))


def apply(matrix: np.ndarray, xy: np.ndarray) -> np.ndarray:
    u, v, w = matrix @ np.append(xy, 1.0)
    return np.array([u / w, v / w])


def angle_of(pictures: Pictures, flash: int, shown_px: np.ndarray) -> tuple[float, float]:
    x, y = apply(pictures.to_rotor[flash], shown_px)
    return float(np.degrees(np.arctan2(y, x))), float(np.hypot(x, y))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_marks_stand_where_they_are_seen(quarter_turns: int, mirrored: bool) -> None:
    """A mark's place, through the pose, the frame's shift and the container's turn, has the angle that is stated."""
    seen = seen_as(quarter_turns, mirrored)
    pictures = pictures_of(seen, readings())
    for m, mark in enumerate(seen.marks.marks):
        for i in (0, 5):
            at = np.radians(mark.deg + seen.turns.turn_deg[i])
            stored = apply(SHIFT, made_pose().to_image(0.9 * np.array([np.cos(at), np.sin(at)])))
            deg, radius = angle_of(pictures, i, seen.info.orientation.to_shown(stored))
            assert radius == pytest.approx(0.9, abs=1e-9)
            stated = pictures.mark_deg[m] + pictures.rotor_deg[i]
            assert (deg - stated + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-7)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_the_index_in_the_first_lit_frame(quarter_turns: int, mirrored: bool) -> None:
    seen = seen_as(quarter_turns, mirrored)
    pictures = pictures_of(seen, readings())
    at = np.radians(INDEX_DEG)
    stored = apply(SHIFT, made_pose().to_image(1.03 * np.array([np.cos(at), np.sin(at)])))
    assert pictures.index_px == pytest.approx(tuple(seen.info.orientation.to_shown(stored)), abs=1e-7)
    deg, radius = angle_of(pictures, 0, np.array(pictures.index_px))
    assert (deg - pictures.index_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-7)
    assert radius == pytest.approx(pictures.index_radius, abs=1e-9)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_crops_are_shown_as_the_picture_is(quarter_turns: int, mirrored: bool) -> None:
    """A bright cell of a crop, at its stored pixel, is found at the same place of the picture as shown."""
    seen = seen_as(quarter_turns, mirrored)
    crops = seen.turns.crops.copy()
    crops[:, 3, 30] = 200
    pictures = pictures_of(with_turns(seen, crops=crops), readings())
    stored = seen.turns.crop_origin_px[0] + seen.turns.crop_scale * np.array([30, 3])
    row, column = np.argwhere(pictures.crops[0] == 200)[0]
    shown = pictures.crop_origin_px[0] + pictures.crop_scale * np.array([column, row])
    assert shown == pytest.approx(seen.info.orientation.to_shown(stored), abs=1e-9)


def test_flashes_that_did_not_light_the_marks_are_not_shown() -> None:
    seen = seen_as(0, False)
    assert pictures_of(seen, readings()).crop_of.tolist() == [0, 7]
    reasons = (NOT_LIT, *("",) * 7)
    assert pictures_of(seen, readings(reasons)).crop_of.tolist() == [7]


def test_flashes_that_could_not_be_read() -> None:
    seen = seen_as(0, False)
    turn = seen.turns.turn_deg.copy()
    turn[0] = np.nan
    pictures = pictures_of(with_turns(seen, turn_deg=turn), readings())
    # Nothing is drawn where nothing was read.
    assert np.isnan(pictures.rotor_deg[0]) and np.isfinite(pictures.rotor_deg[1:]).all()
    assert pictures.frame.tolist() == [2 * k for k in range(8)]
    assert np.all(pictures.row_first == 0) and np.all(pictures.row_last == HEIGHT - 1)
