"""The centre that what shows through a hole turns about, without a groove or a rim."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from timingcam.seeing.arcs import HoleTold, find_arcs
from timingcam.seeing.by_speed import usual_over
from timingcam.seeing.face_start import find_face
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.opening import NotAPart, Opening
from timingcam.seeing.shift import no_shift
from timingcam.seeing.stack import Stack
from timingcam.seeing.turned_about import centre_by_turning

H, W = 240, 320
TABLE = np.linspace(0.0, 1.0, 256).astype(np.float32)
LIGHT = FlashLight(TABLE, np.sqrt(TABLE).astype(np.float32), None)
HOLE = np.array([160.0, 120.0])
HOLE_PX = 95.0
FAR_PX = 330.0
BELOW = HOLE + np.array([0.0, FAR_PX])
TOLD = HoleTold(80.0, 4.0)


def face() -> np.ndarray:
    """Letters, dots and scratches on bare metal, in a picture much larger than the hole."""
    rng = np.random.default_rng(5)
    sheet = np.full((900, 900), 150, np.uint8)
    for k in range(60):
        at = (int(rng.integers(0, 880)), int(rng.integers(20, 900)))
        cv2.putText(sheet, "TFAVSR"[k % 6], at, cv2.FONT_HERSHEY_SIMPLEX, 0.9, int(rng.integers(20, 250)), 2)
        cv2.circle(sheet, (int(rng.integers(900)), int(rng.integers(900))), int(rng.integers(3, 8)), 60, -1)
    return sheet


def seen(centre: np.ndarray, turns_deg: list[float], sheet: np.ndarray) -> tuple[Stack, Opening, np.ndarray]:
    """The face turned about a centre, in a hole that stands still."""
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[0:H, 0:W]
    shows = np.hypot(xx - HOLE[0], yy - HOLE[1]) < HOLE_PX
    cast = cv2.GaussianBlur(rng.uniform(40, 160, (H, W)), (0, 0), 2)
    lit = []
    for k, deg in enumerate(turns_deg):
        turn = cv2.getRotationMatrix2D((float(centre[0]), float(centre[1])), -deg, 1.0)
        turn[:, 2] += turn[:, :2] @ np.array([-290.0, -330.0])
        turned = cv2.warpAffine(sheet, turn, (W, H), flags=cv2.INTER_LINEAR)
        luma = np.where(shows, turned, cast) + rng.normal(0, 2, (H, W))
        lit.append(LitPicture(np.clip(luma, 0, 255).astype(np.uint8), k, k, 0, H - 1, 10.0 + k))
    stack = Stack(LIGHT, lit, [no_shift(HOLE) for _ in lit])
    mean = np.mean([LIGHT.picture(p.luma, p.rows) for p in lit], axis=0).astype(np.float32)
    hull = cv2.convexHull(np.argwhere(shows)[:, ::-1].astype(np.int32))[:, 0].astype(float)
    return stack, Opening(shows, hull, 0.0), mean


@pytest.mark.parametrize("where_deg", [90.0, 200.0, -60.0], ids=["below", "left", "above"])
def test_the_centre_is_what_all_turns_about(where_deg: float) -> None:
    a = np.radians(where_deg)
    centre = HOLE + FAR_PX * np.array([np.cos(a), np.sin(a)])
    found = centre_by_turning(*seen(centre, np.linspace(0, 24, 18).tolist(), face()))
    assert found is not None
    off = float(np.linalg.norm(found.at_px - centre)) / FAR_PX
    # Places to half a pixel, over the hole's 95 px, a turn of 12 degrees: a fortieth for one pair, of which there are
    # many; and no more than three of its own sds.
    assert off < 0.025 and off < 3 * found.sd + 0.005
    assert found.sd < 0.05


def test_marks_that_rest_for_long_tell_it_too() -> None:
    """At most speeds they are at full advance, where sparks stray a little: they are usual there, and missing from what
    is not."""
    turns_deg = [*[0.0] * 4, 12.0, *[24.0 + 0.5 * (-1) ** k for k in range(30)]]
    stack, opening, mean = seen(BELOW, turns_deg, face())
    usual = usual_over(stack, stack.rate_hz, mean, opening.shows)
    shown = stack.light.picture(stack.lit[-1].luma, (0, H - 1))
    other = stack.light.picture(stack.lit[0].luma, (0, H - 1))
    assert np.abs(usual - shown)[opening.shows].mean() < 0.5 * np.abs(usual - other)[opening.shows].mean()
    found = centre_by_turning(stack, opening, mean)
    assert found is not None
    # What two such pictures have in common is a third of the hole's width: twice as much as in many small steps.
    assert np.linalg.norm(found.at_px - BELOW) < 0.05 * FAR_PX


def test_what_stands_still_turns_about_nothing() -> None:
    assert centre_by_turning(*seen(BELOW, [0.0] * 12, face())) is None


def test_bare_metal_tells_nothing() -> None:
    bare = np.full((900, 900), 150, np.uint8)
    assert centre_by_turning(*seen(BELOW, np.linspace(0, 24, 18).tolist(), bare)) is None


def test_without_arcs_what_moves_is_the_start() -> None:
    centre = BELOW
    stack, opening, mean = seen(centre, np.linspace(0, 24, 18).tolist(), face())
    known = np.ones(mean.shape, bool)
    start = find_face(stack, (mean, known), opening, TOLD, a_part=False)
    assert np.linalg.norm(start.arcs.pose.centre_px - centre) < 0.025 * FAR_PX


def test_a_centre_further_off_than_the_rotors_is_none() -> None:
    """The straight sides of a slot look like arcs about a centre far off."""
    mean = np.full((H, W), 0.3, np.float32)
    mean[60:180] = 0.7
    for row in range(70, 180, 12):
        mean[row : row + 4] = 0.45
    shows = np.zeros((H, W), bool)
    shows[62:178, 40:280] = True
    hull = cv2.convexHull(np.argwhere(shows)[:, ::-1].astype(np.int32))[:, 0].astype(float)
    with pytest.raises(NotAPart):
        find_arcs(mean, np.ones((H, W), bool), Opening(shows, hull, 0.0), TOLD, a_part=True)
