"""Laying one picture on another: a real photograph moved by known similarities, whole and in bands of rows."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from photographs import moved, noisy, photograph, similarity

from timingcam.seeing.reference import Reference, make_reference
from timingcam.seeing.register import register, sample
from timingcam.seeing.shift import Shift, between, no_shift

PICTURE = photograph("motorcycle")  # 500 rows, 741 columns
ABOUT = np.array([360.0, 240.0])
WHOLE = (0, PICTURE.shape[0] - 1)
# By chance, as large as a hand's: 25 px, 1.5 %, 1.5 degrees.
MOVES = [
    tuple(np.random.default_rng(k).uniform(-1, 1, 4) * np.array([25, 25, 0.015, np.radians(1.5)])) for k in range(6)
]


@pytest.fixture(scope="module")
def reference() -> Reference:
    return make_reference(PICTURE, np.ones(PICTURE.shape, bool), ABOUT)


def off_px(shift: Shift, matrix: np.ndarray, rows: tuple[int, int] = WHOLE) -> float:
    """Largest error of a place within the rows, a twentieth of the picture's edge left out."""
    x, y = np.meshgrid(np.linspace(40, 700, 12), np.linspace(max(rows[0], 25), min(rows[1], 475), 8))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    true = xy @ matrix[:, :2].T + matrix[:, 2]
    return float(np.abs(shift.apply(xy) - true).max())


@pytest.mark.parametrize("move", MOVES, ids=range(6))
def test_whole_pictures(reference: Reference, move: tuple[float, float, float, float]) -> None:
    matrix = similarity(move, ABOUT)
    shift = register(reference, noisy(moved(PICTURE, matrix), 2.0, 1), WHOLE)
    assert shift is not None
    # 5000 points of a gradient of some 5 levels a pixel under noise of 2: 0.4/√5000 px each way, less than 0.01; what
    # turning and growth add at the corners is three times that. Linear interpolation of sharp edges is off by as much.
    assert off_px(shift, matrix) < 0.08


@pytest.mark.parametrize("rows", [(60, 130), (210, 290), (380, 460)], ids=str)
@pytest.mark.parametrize("move", MOVES[:3], ids=range(3))
def test_bands_of_rows(reference: Reference, move: tuple[float, float, float, float], rows: tuple[int, int]) -> None:
    """Only the lit rows are looked at: the others are filled with something else."""
    matrix = similarity(move, ABOUT)
    frame = noisy(moved(PICTURE, matrix), 2.0, 2)
    other = frame.copy()
    other[: rows[0]], other[rows[1] + 1 :] = 0.0, 0.9
    shift = register(reference, other, rows)
    assert shift is not None
    # A sixth of the points.
    assert off_px(shift, matrix, rows) < 0.2
    kept = register(reference, frame, rows)
    assert kept is not None
    # The other rows have no say but for the coarse search's start; both end in the same place, to a step's end of 0.01.
    assert kept.params[:2] == pytest.approx(shift.params[:2], abs=0.02)


def test_what_moves_by_itself_is_left_out(reference: Reference) -> None:
    """A disc in the middle turns by 40 degrees more than the rest; where it is, nothing stands still."""
    yy, xx = np.mgrid[0 : PICTURE.shape[0], 0 : PICTURE.shape[1]]
    disc = np.hypot(xx - ABOUT[0], yy - ABOUT[1]) < 150
    still = np.hypot(xx - ABOUT[0], yy - ABOUT[1]) > 160
    spun = np.where(disc, moved(PICTURE, similarity((0, 0, 0, np.radians(40)), ABOUT)), PICTURE)
    matrix = similarity((6.3, -4.1, 0.002, 0.004), ABOUT)
    shift = register(make_reference(PICTURE, still, ABOUT), moved(spun.astype(np.float32), matrix), WHOLE)
    assert shift is not None
    assert off_px(shift, matrix) < 0.12


def test_light_that_changes_does_not_move_it(reference: Reference) -> None:
    """Twice as bright, on a higher floor, brighter to one side: as a strobe in another hand."""
    matrix = similarity((3.3, 2.2, 0.0, 0.003), ABOUT)
    ramp = np.linspace(0.85, 1.15, PICTURE.shape[1], dtype=np.float32)
    shift = register(reference, 0.1 + 1.8 * moved(PICTURE, matrix) * ramp, WHOLE)
    assert shift is not None
    assert off_px(shift, matrix) < 0.2


def test_stated_covariance_against_the_error(reference: Reference) -> None:
    pulls = []
    for k in range(40):
        rng = np.random.default_rng(k)
        move = tuple(rng.uniform(-1, 1, 4) * np.array([4, 4, 0.002, 0.004]))
        shift = register(reference, noisy(moved(PICTURE, similarity(move, ABOUT)), 6.0, k), (200, 300))
        assert shift is not None
        true = np.array([*move[:2], (1 + move[2]) * np.cos(move[3]) - 1, (1 + move[2]) * np.sin(move[3])])
        pulls.append((shift.params - true) / np.sqrt(np.diag(shift.covariance)))
    rms = np.sqrt(np.mean(np.square(pulls), axis=0))
    # Pixels share light with their neighbours (a blur of 0.8 px), and the frame was interpolated: a factor 3 at most.
    assert np.all(rms < 3.0)


def test_start_instead_of_search(reference: Reference) -> None:
    matrix = similarity((80.0, 0.0, 0.0, 0.0), ABOUT)  # beyond the reach of 8 % of the width
    near = Shift(np.array([78.0, 1.0, 0.0, 0.0]), np.zeros((4, 4)), ABOUT, 0.0)
    shift = register(reference, moved(PICTURE, matrix), WHOLE, near)
    assert shift is not None and off_px(shift, matrix) < 0.12


def test_a_phone_that_turns_is_told_from_one_that_is_carried(reference: Reference) -> None:
    """A pinhole camera of the usual lens, turned by 2 degrees: the picture moves by 23 px, and is seen aslant."""
    size = np.array([PICTURE.shape[1], PICTURE.shape[0]], float)
    camera = np.array([[666.9, 0, ABOUT[0]], [0, 666.9, ABOUT[1]], [0, 0, 1]])
    turned = camera @ cv2.Rodrigues(np.radians([0.4, 2.0, 0.0]))[0] @ np.linalg.inv(camera)
    frame = cv2.warpPerspective(PICTURE, turned, (int(size[0]), int(size[1])), flags=cv2.INTER_LINEAR)
    shift = register(reference, frame, WHOLE)
    assert shift is not None
    assert np.abs(shift.apply(ABOUT) - ABOUT).max() > 20
    xy = np.stack(np.meshgrid(np.linspace(60, 680, 9), np.linspace(40, 450, 7)), axis=-1).reshape(-1, 2)
    there = cv2.perspectiveTransform(xy[None], turned)[0]
    # A tenth of a pixel as for moves without a turn, and what a similarity leaves of a square: (2 degrees)² of 370 px.
    assert np.abs(shift.apply(xy) - there).max() < 0.12 + 370 * np.radians(2.04) ** 2
    carried = register(reference, moved(PICTURE, similarity((23.0, 0.0, 0.0, 0.0), ABOUT)), WHOLE)
    assert carried is not None and off_px(carried, similarity((23.0, 0.0, 0.0, 0.0), ABOUT)) < 0.12


def test_another_picture_fits_nowhere(reference: Reference) -> None:
    other = np.tile(photograph("gravel"), (1, 2))[:500, :741]
    assert register(reference, np.ascontiguousarray(other), WHOLE) is None


def test_edges_tell_where_coding_left_no_texture() -> None:
    """A cast cover with screws: in a frame that was coded from another, of the casting's grain nothing is left."""
    rng = np.random.default_rng(11)
    cover = 120 + 9 * cv2.GaussianBlur(rng.standard_normal((360, 480)), (0, 0), 1.2) / 0.24
    for x, y in ((80, 60), (400, 90), (240, 180), (90, 300), (410, 290)):
        cv2.circle(cover, (x, y), 34, 200.0, -1)
        cv2.line(cover, (x - 22, y - 10), (x + 22, y + 10), 40.0, 7)
    cover = cover.astype(np.float32)
    reference = make_reference(cover, np.ones(cover.shape, bool), np.array([240.0, 180.0]))
    # Its own grain instead, at twice the strength.
    smooth = cv2.medianBlur(cover.astype(np.uint8), 9).astype(np.float32)
    grain = 18 * cv2.GaussianBlur(rng.standard_normal(cover.shape), (0, 0), 1.2).astype(np.float32) / 0.24
    matrix = np.array([[1.0, 0.0, 5.0], [0.0, 1.0, -3.0]])
    shift = register(reference, cv2.warpAffine(smooth, matrix, (480, 360)) + grain, (0, 359))
    assert shift is not None
    assert shift.apply(np.array([[240.0, 180.0]]))[0] == pytest.approx([245.0, 177.0], abs=0.5)
    # Nothing but grain fits nowhere.
    assert register(reference, 120 + grain, (0, 359)) is None


def test_too_little_is_lit(reference: Reference) -> None:
    assert register(reference, PICTURE, (200, 202)) is None


def test_matrix_and_apply_agree() -> None:
    shift = Shift(np.array([3.0, -2.0, 0.01, 0.02]), np.zeros((4, 4)), ABOUT, 0.0)
    xy = np.array([[0.0, 0.0], [100.0, 50.0], [360.0, 240.0]])
    by_matrix = xy @ shift.matrix()[:2, :2].T + shift.matrix()[:2, 2]
    assert shift.apply(xy) == pytest.approx(by_matrix, abs=1e-9)
    # The point about which it turns only shifts; the turn is clockwise as seen: right goes down.
    assert shift.apply(ABOUT) == pytest.approx(ABOUT + np.array([3, -2]))
    assert shift.apply(ABOUT + np.array([100.0, 0.0]))[1] > shift.apply(ABOUT)[1]
    assert no_shift(ABOUT).apply(xy) == pytest.approx(xy)


def test_sample_is_linear_between_pixels() -> None:
    picture = np.arange(12, dtype=np.float32).reshape(3, 4)
    # OpenCV places samples to a 32nd of a pixel.
    assert sample(picture, np.array([[1.5, 0.0], [0.25, 1.5], [9.0, 9.0]])) == pytest.approx([1.5, 6.25, 11.0], abs=0.2)


@pytest.mark.parametrize("turn_deg", [-7.0, 5.0])
def test_a_hand_that_turns(reference: Reference, turn_deg: float) -> None:
    matrix = similarity((6.0, -9.0, 0.0, np.radians(turn_deg)), ABOUT)
    shift = register(reference, moved(PICTURE, matrix), WHOLE)
    assert shift is not None
    # As for whole pictures that hardly turn: a tenth of a pixel, and what bilinear sampling of a turned picture adds.
    assert off_px(shift, matrix) < 0.3


@given(
    st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(-0.03, 0.03), st.floats(-0.1, 0.1)),
    st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(-0.03, 0.03), st.floats(-0.1, 0.1)),
)
def test_from_one_picture_to_another_by_way_of_the_reference(
    first: tuple[float, ...], second: tuple[float, ...]
) -> None:
    one, other = (Shift(np.array(p), np.zeros((4, 4)), ABOUT, 0.0) for p in (first, second))
    places = np.array([[10.0, 20.0], [700.0, 40.0], [300.0, 450.0]])
    assert between(one, other).apply(one.apply(places)) == pytest.approx(other.apply(places), abs=1e-6)


def test_nothing_beside_the_rotor_is_lit() -> None:
    """A rotor in a black case: there is no edge to lay pictures by, which is told, not a fault of the program."""
    picture = np.zeros((200, 300), np.float32)
    picture[60:140, 100:200] = photograph("gravel")[:80, :100]
    still = np.ones(picture.shape, bool)
    still[50:150, 90:210] = False
    assert register(make_reference(picture, still, np.array([150.0, 100.0])), picture, (0, 199)) is None


def test_parts_that_lie_apart_are_told(reference: Reference) -> None:
    """Quarters of the picture moved by 0.4 px to the right and left by turns: no one shift, turn or growth has both."""
    xx, yy = np.meshgrid(np.arange(PICTURE.shape[1]) - ABOUT[0], np.arange(PICTURE.shape[0]) - ABOUT[1])
    right, left = (moved(PICTURE, similarity((by, 0.0, 0.0, 0.0), ABOUT)) for by in (0.4, -0.4))
    shift = register(reference, np.where(xx * yy > 0, right, left), WHOLE)
    same = register(reference, PICTURE, WHOLE)
    assert shift is not None and same is not None
    # Of twelve sectors, less the two that a shift, a turn and a growth take up. Edges a pixel wide bend over 0.4 px: a
    # sector tells its own place to a fifth, so its square to two.
    assert shift.apart_px2[0, 0] == pytest.approx(0.4**2 * 12 / 10, rel=0.4)
    # Sideways nothing moved: what shows there comes in by edges that run askew, a fifth of 0.4 px, squared; with room.
    assert shift.apart_px2[1, 1] < 0.1 * shift.apart_px2[0, 0]
    # And a picture against itself has nothing apart: the search for the shift ends at a step of a hundredth of a pixel.
    assert np.trace(same.apart_px2) < 2 * 0.01**2
