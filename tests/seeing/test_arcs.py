"""A hole through which a part of the rotor shows: what moves in it, and the centre that its arcs are about."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from timingcam.seeing.arcs import HoleTold, _where_it_ends, find_arcs
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.mosaic import lay
from timingcam.seeing.opening import NotAPart, Opening, find_opening

H, W = 240, 320
TABLE = np.linspace(0.0, 1.0, 256).astype(np.float32)
LIGHT = FlashLight(TABLE, np.sqrt(TABLE).astype(np.float32), None)
CENTRE, RIM_PX = np.array([160.0, 430.0]), 370.0
HOLE, HOLE_PX = np.array([160.0, 110.0]), 92.0


def pictures(centre: np.ndarray, rim_px: float, hole_px: float, n: int = 12) -> list[LitPicture]:
    """Turned rings about a centre, a mark at another place in each, seen through a hole in a cast cover."""
    rng = np.random.default_rng(2)
    yy, xx = np.mgrid[0:H, 0:W].astype(float)
    r, angle = np.hypot(xx - centre[0], yy - centre[1]), np.degrees(np.arctan2(yy - centre[1], xx - centre[0]))
    grooves = 0.35 + 0.08 * np.interp(r, np.arange(0, 900, 6.0), rng.standard_normal(150))
    cast = 0.3 + 0.1 * cv2.GaussianBlur(rng.standard_normal((H, W)), (0, 0), 2) / 0.14
    through = np.hypot(xx - HOLE[0], yy - HOLE[1]) < hole_px
    found = []
    for k in range(n):
        at = -90.0 + 10.0 * np.sin(0.9 * k)
        marked = np.where(np.abs(angle - at) < 1.2, 0.85, grooves)
        marked = np.where((r > 0.75 * rim_px) & (r < rim_px), marked, np.where(r < rim_px, grooves, 0.03))
        light = np.where(through, marked, cast)
        luma = 255 * cv2.GaussianBlur(light, (0, 0), 0.8) + rng.standard_normal((H, W))
        found.append(LitPicture(np.clip(luma, 0, 255).astype(np.uint8), 2 * k, k, 0, H - 1))
    return found


def opened(centre: np.ndarray, rim_px: float, hole_px: float) -> tuple[np.ndarray, np.ndarray, Opening]:
    stack, mean, known = lay(LIGHT, pictures(centre, rim_px, hole_px))
    return mean, known, find_opening(stack, mean, known)


def test_what_moves_is_in_the_hole_and_marks_run_across_its_run() -> None:
    _, _, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    rows, cols = np.nonzero(opening.shows)
    inside = np.hypot(cols - HOLE[0], rows - HOLE[1])
    assert inside.max() < HOLE_PX + 2
    # The mark swings by ten degrees to either side, half of the hole's breadth.
    assert np.ptp(cols) > 1.5 * np.sin(np.radians(10.0)) * RIM_PX
    assert np.abs(np.cos(opening.run_rad)) > 0.98
    assert opening.beside(5.0)[5, 5] and not opening.beside(5.0)[opening.shows].any()


def test_arcs_tell_a_centre_far_outside_of_the_picture() -> None:
    mean, known, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    found = find_arcs(mean, known, opening, HoleTold(60.0))
    # Over the hole's 184 px an arc rises by 11 px; a quarter of a pixel of that is a fortieth of the radius.
    assert np.linalg.norm(found.pose.centre_px - CENTRE) < RIM_PX / 40
    top = found.pose.to_image(np.array([0.0, -1.0]))
    assert top[1] == pytest.approx(CENTRE[1] - RIM_PX, abs=2.0)
    assert len(found.rim_px) > 20


def through_the_hole(mean: np.ndarray, opening: Opening) -> Opening:
    """As if all within the hole changed from flash to flash, the dark gap beyond the rim as well."""
    yy, xx = np.mgrid[0:H, 0:W]
    shows = np.hypot(xx - HOLE[0], yy - HOLE[1]) < HOLE_PX
    corners, _ = cv2.findContours(shows.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return Opening(shows, corners[0][:, 0].astype(float), opening.run_rad)


def test_a_dark_gap_beyond_the_rim_is_no_part_of_the_rotor() -> None:
    """Light that strays about the hole makes the gap change too."""
    mean, known, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    found = find_arcs(mean, known, through_the_hole(mean, opening), HoleTold(60.0))
    assert len(found.rim_px) > 20
    assert np.linalg.norm(found.rim_px - CENTRE, axis=1) == pytest.approx(RIM_PX, abs=3.0)


@pytest.mark.parametrize("share", [0.0, 0.55, 0.65])
def test_a_lug_in_the_gap_beyond_the_rim_is_no_rotor_either(share: float) -> None:
    """It fills more than half of what shows there, as bright as the rotor."""
    _, _, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    yy, xx = np.mgrid[0:H, 0:W].astype(float)
    r, aside = np.hypot(xx - CENTRE[0], yy - CENTRE[1]), np.abs(np.arctan2(xx - CENTRE[0], CENTRE[1] - yy))
    # Half of what the hole shows of a circle about the centre, by the law of cosines.
    far = np.hypot(*(CENTRE - HOLE))
    half = np.arccos(np.clip((r**2 + far**2 - HOLE_PX**2) / (2 * r * far), -1, 1))
    mean = np.where((r < RIM_PX) | (aside < share * half), 0.5, 0.03).astype(np.float32)
    assert _where_it_ends(mean, through_the_hole(mean, opening), CENTRE) == pytest.approx(RIM_PX, abs=2.0)


def test_a_dark_ring_on_the_rotor_is_no_end_of_it() -> None:
    """Half lit, it would pass for a gap with a lug; but the rotor goes on."""
    _, _, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    yy, xx = np.mgrid[0:H, 0:W].astype(float)
    r, aside = np.hypot(xx - CENTRE[0], yy - CENTRE[1]), np.abs(np.arctan2(xx - CENTRE[0], CENTRE[1] - yy))
    dark = (np.abs(r - 345.0) < 8.0) & (aside > np.radians(9.0))
    mean = np.where(dark, 0.03, 0.5).astype(np.float32)
    all_of_it = through_the_hole(mean, opening)
    farthest = np.linalg.norm(all_of_it.hull_px - CENTRE, axis=1).max()
    assert _where_it_ends(mean, all_of_it, CENTRE) == pytest.approx(farthest)


def test_the_holes_own_edge_is_not_about_the_rotors_centre() -> None:
    """A turned rim about the hole has more edges than all arcs of the rotor."""
    mean, known, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    yy, xx = np.mgrid[0:H, 0:W]
    off = np.hypot(xx - HOLE[0], yy - HOLE[1]) - HOLE_PX
    turned = np.where((off > 0) & (off < 10), 0.5 + 0.4 * np.sin(off * np.pi / 2.5), mean).astype(np.float32)
    all_round = through_the_hole(mean, opening)
    with pytest.raises(NotAPart):
        find_arcs(turned, known, all_round, HoleTold(60.0))
    found = find_arcs(turned, known, all_round, HoleTold(60.0), a_part=True)
    assert np.linalg.norm(found.pose.centre_px - CENTRE) < RIM_PX / 20


def test_a_pebbled_cover_has_edges_all_round() -> None:
    """Blobs of a casting as sharp as any rim are no rim: circles further out show as many."""
    mean, _, opening = opened(CENTRE, RIM_PX, HOLE_PX)
    rng = np.random.default_rng(4)
    blobs = cv2.GaussianBlur(rng.standard_normal((3 * H, 3 * W)), (0, 0), 3)
    around = 0.3 + 0.3 * (blobs > 0)
    # The cover goes on beside the picture that the others are of: all of the rotor's circle would lie on it.
    around[H : 2 * H, W : 2 * W] = mean
    corner = np.array([W, H], float)
    shows = np.zeros(around.shape, bool)
    shows[H : 2 * H, W : 2 * W] = opening.shows
    wide = Opening(shows, opening.hull_px + corner, opening.run_rad)
    found = find_arcs(around.astype(np.float32), np.ones(around.shape, bool), wide, HoleTold(60.0))
    # No more than a start is asked: blobs beside the hole draw the centre along. Its rim is where it is.
    assert np.linalg.norm(found.pose.centre_px - corner - CENTRE) < RIM_PX / 10
    assert found.pose.to_image(np.array([0.0, -1.0]))[1] == pytest.approx(H + CENTRE[1] - RIM_PX, abs=3.0)


def test_a_centre_in_view_is_no_part() -> None:
    """The cover is off: the whole rotor shows, and is to be looked for as such."""
    whole = opened(np.array([160.0, 120.0]), 90.0, 400.0)
    with pytest.raises(NotAPart):
        find_arcs(*whole, HoleTold(60.0))


def test_where_nothing_moves_nothing_shows() -> None:
    one = pictures(CENTRE, RIM_PX, HOLE_PX, 1)[0]
    still = [LitPicture(one.luma, k, k, 0, H - 1) for k in range(6)]
    with pytest.raises(NotAPart):
        find_opening(*lay(LIGHT, still))
