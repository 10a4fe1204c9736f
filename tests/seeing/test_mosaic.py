"""Pictures laid on one another: in bands of rows, by a hand that turns, and cut to what is looked at."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_rotors import SIZE, on_plane, photo_rotor, pose
from photographs import photograph

from timingcam.seeing.light import FlashLight, LitPicture, shrunk
from timingcam.seeing.mosaic import lay, outside, tallest_first
from timingcam.seeing.place import Ahead, by_the_place, leading
from timingcam.seeing.reference import make_reference
from timingcam.seeing.shift import no_shift
from timingcam.seeing.stack import Stack, strips_by_pose
from timingcam.seeing.strips import make_grid, make_sampler, read_strip

TABLE = np.linspace(0, 1, 256, dtype=np.float32) ** 2
LIGHT = FlashLight(TABLE, np.sqrt(TABLE), None)
SEEN = pose(8.0, 40.0, (310.0, 245.0), 150.0)
MIDDLE = np.array([SIZE[0], SIZE[1]]) / 2.0


def scene(turn_deg: float) -> np.ndarray:
    """Light of a rotor of gravel before the picture of a machine."""
    radius, _ = on_plane(SEEN)
    return np.where(radius < 1, photo_rotor(SEEN, photograph("gravel"), turn_deg), 0.2 + 0.6 * _machine())


def _machine() -> np.ndarray:
    return cv2.resize(photograph("motorcycle"), SIZE, interpolation=cv2.INTER_AREA)


def filmed(light: np.ndarray, move: tuple[float, float, float], rows: tuple[int, int], number: int) -> LitPicture:
    """A frame whose hand moved by pixels and degrees."""
    matrix = cv2.getRotationMatrix2D((MIDDLE[0], MIDDLE[1]), -move[2], 1.0)
    matrix[:, 2] += move[:2]
    seen = cv2.warpAffine(light.astype(np.float32), matrix, SIZE, borderMode=cv2.BORDER_REFLECT)
    noise = np.random.default_rng(number).standard_normal(seen.shape)
    luma = np.rint(255 * np.sqrt(np.clip(seen, 0, 1)) + noise)
    return LitPicture(np.clip(luma, 0, 255).astype(np.uint8), number, number, *rows)


def at_px(stack: Stack, number: int, xy_px: np.ndarray) -> np.ndarray:
    """Where a place of the tallest picture is in another."""
    k = next(k for k, lit in enumerate(stack.lit) if lit.frame == number)
    return stack.shifts[k].apply(xy_px)


def test_bands_are_laid_from_one_to_the_next() -> None:
    """Each overlaps its neighbours by a half; only what lies outside of the rotor counts."""
    bands = [(0, 199), (100, 299), (200, 399), (280, SIZE[1] - 1)]
    moves = [(0.0, 0.0, 0.0), (4.0, -3.0, 0.2), (-6.0, 2.0, -0.3), (3.0, 7.0, 0.4)]
    pictures = [filmed(scene(9.0 * k), moves[k], bands[k], k) for k in range(4)]
    stack, _, known = lay(LIGHT, pictures, SEEN)
    assert len(stack.lit) == 4 and known.mean() > 0.95
    first = next(k for k, lit in enumerate(stack.lit) if lit.frame == stack.lit[0].frame)
    assert first == 0
    begin = moves[stack.lit[0].frame]
    for k, move in enumerate(moves):
        # Told at a place within the band, beside the rotor: a band lies on its neighbour by a hundred rows.
        place = np.array([60.0, 0.5 * sum(bands[k])])
        true = _moved(place, begin, move)
        # A fifth of a pixel a neighbour, three neighbours: drawn and read by linear interpolation.
        assert at_px(stack, k, place) == pytest.approx(true, abs=0.6)


def _moved(at: np.ndarray, begin: tuple[float, float, float], move: tuple[float, float, float]) -> np.ndarray:
    def matrix(m: tuple[float, float, float]) -> np.ndarray:
        part = cv2.getRotationMatrix2D((MIDDLE[0], MIDDLE[1]), -m[2], 1.0)
        part[:, 2] += m[:2]
        return np.vstack([part, [0, 0, 1]])

    return (matrix(move) @ np.linalg.inv(matrix(begin)) @ np.r_[at, 1.0])[:2]


def test_one_that_the_hand_turned_is_looked_for_again() -> None:
    whole = (0, SIZE[1] - 1)
    moves = [(0.3 * k, -0.2 * k, 0.05 * k) for k in range(7)] + [(5.0, -4.0, 7.0)]
    pictures = [filmed(scene(0.0), move, whole, k) for k, move in enumerate(moves)]
    stack, _, _ = lay(LIGHT, pictures, SEEN)
    begin = moves[stack.lit[0].frame]
    corner = np.array([80.0, 60.0])
    assert at_px(stack, 7, corner) == pytest.approx(_moved(corner, begin, moves[7]), abs=0.5)


def test_the_places_own_light_leads_where_the_hand_was_still() -> None:
    place = 0.3 * scene(0.0)
    lit_rows = [(0, 150), (120, 300), (330, SIZE[1] - 1)]
    radius, _ = on_plane(SEEN)
    blur = np.where(radius < 1, 0.3 * 0.4, place).astype(np.float32)

    def picture(k: int, move: tuple[float, float, float]) -> LitPicture:
        rows = lit_rows[k]
        flashed = filmed(scene(25.0 * k) + blur, move, rows, k)
        dark = filmed(blur, move, rows, 10 + k)
        luma = dark.luma.copy()
        luma[rows[0] : rows[1] + 1] = flashed.luma[rows[0] : rows[1] + 1]
        return LitPicture(luma, k, k, *rows)

    light = FlashLight(TABLE, np.sqrt(TABLE), blur)
    still = by_the_place(light, [picture(k, (0.5 * k, 0.3, 0.0)) for k in range(3)])
    assert len(still.lit) == 3 and leading(still) is still
    for k in range(3):
        assert at_px(still, k, MIDDLE) == pytest.approx(MIDDLE + np.array([0.5 * k, 0.3]), abs=0.3)
    shaken = by_the_place(light, [picture(k, (12.0 * k, 5.0, 0.0)) for k in range(3)])
    assert leading(shaken) is None
    assert leading(by_the_place(LIGHT, [picture(0, (0.0, 0.0, 0.0))])) is None


def test_by_the_place_it_is_told_ahead_where_a_picture_lies() -> None:
    """Against a reference that is laid otherwise than the place's own picture; not where too few rows are unlit."""
    place = (0.3 * scene(0.0)).astype(np.float32)
    light = FlashLight(TABLE, np.sqrt(TABLE), place)
    from_place = (4.0, -7.0, 1.5)
    still = outside((SIZE[1], SIZE[0]), SEEN, 1.05)
    seen = LIGHT.picture(filmed(scene(0.0), from_place, (0, SIZE[1] - 1), 0).luma, (0, SIZE[1] - 1))
    ahead = Ahead.of(light, make_reference(seen, still, MIDDLE))
    assert ahead is not None
    move, rows = (-9.0, 5.0, -0.5), (200, 260)
    luma = filmed(place, move, rows, 1).luma
    found = ahead.where(luma, rows)
    assert found is not None
    for at in ((80.0, 60.0), (560.0, 400.0)):
        # What turns is in the place's light too, standing still: a pixel at a corner.
        assert found.apply(np.array(at)) == pytest.approx(_moved(np.array(at), from_place, move), abs=1.0)
    assert ahead.where(luma, (60, SIZE[1] - 61)) is None
    assert Ahead.of(LIGHT, ahead.place) is None


def test_strips_of_cut_pictures_are_those_of_whole_ones() -> None:
    rows = (90, 400)
    lit = filmed(scene(12.0), (0.0, 0.0, 0.0), rows, 0)
    shift = no_shift(MIDDLE)
    stack, grid = Stack(LIGHT, [lit], [shift]), make_grid(150.0, 0.4, 1.2)
    (strip,), (known,) = stack.strips(SEEN, grid)
    expected, expected_known = read_strip(make_sampler(grid, SEEN), LIGHT.picture(lit.luma, rows), shift, rows)
    # Places are single precision numbers, and a linear sample is taken at a 32nd of a pixel.
    assert np.mean(known != expected_known) < 0.002
    both = known & expected_known
    assert strip[both] == pytest.approx(expected[both], abs=0.03)
    strips, knowns = strips_by_pose(stack, SEEN, grid)(SEEN)
    assert np.mean(knowns[0] != expected_known) < 0.002
    assert strips[0][both & knowns[0]] == pytest.approx(expected[both & knowns[0]], abs=0.03)


def test_a_rotor_out_of_the_lit_rows_is_not_known() -> None:
    lit = filmed(scene(0.0), (0.0, 0.0, 0.0), (0, 20), 0)
    _, (known,) = Stack(LIGHT, [lit], [no_shift(MIDDLE)]).strips(SEEN, make_grid(150.0, 0.4, 0.9))
    assert not known.any()


def test_smaller_pictures_lie_alike() -> None:
    pictures = [filmed(scene(0.0), move, (31, 410), k) for k, move in enumerate([(0.0, 0.0, 0.0), (6.0, -4.0, 1.0)])]
    stack, _, _ = lay(LIGHT, pictures)
    small = stack.smaller(2)
    assert small.lit[0].luma.shape == (SIZE[1] // 2, SIZE[0] // 2)
    assert small.lit[0].rows == (16, 204)  # rows 32 and 33 are the first pair that is lit, 408 and 409 the last
    assert stack.smaller(1) is stack
    assert shrunk(np.arange(25.0, dtype=np.float32).reshape(5, 5), 2) == pytest.approx(np.array([[3, 5], [13, 15]]))
    again, _, _ = lay(small.light, small.lit)
    place = np.array([100.0, 110.0])
    assert at_px(again, 1, place) == pytest.approx(at_px(small, 1, place), abs=0.3)


def test_outside_is_asked_in_parts_and_says_the_same() -> None:
    yy, xx = np.mgrid[0:150, 0:200]
    seen = pose(20.0, 10.0, (90.0, 70.0), 50.0)
    at = seen.to_plane(np.stack([xx, yy], axis=-1).astype(float))
    assert np.array_equal(outside((150, 200), seen, 1.1), np.hypot(at[..., 0], at[..., 1]) > 1.1)


@pytest.mark.parametrize("told", ["still", "pose"])
def test_what_is_still_is_told_in_the_first_pictures_pixels(told: str) -> None:
    """The first picture is the reference, though another is taller."""
    moves = [(0.0, 0.0, 0.0), (14.0, -6.0, 0.0), (3.0, 2.0, 0.0)]
    bands = [(20, 400), (0, SIZE[1] - 1), (10, 420)]
    pictures = [filmed(scene(9.0 * k), moves[k], bands[k], k) for k in range(3)]
    still = outside((SIZE[1], SIZE[0]), SEEN, 1.05)
    stack, _, _ = lay(LIGHT, pictures, None, still) if told == "still" else lay(LIGHT, pictures, SEEN)
    assert stack.lit[stack.reference].frame == 0
    corner = np.array([80.0, 60.0])
    for k in (1, 2):
        assert at_px(stack, k, corner) == pytest.approx(_moved(corner, moves[0], moves[k]), abs=0.3)
    assert tallest_first(pictures)[0].frame == 1
