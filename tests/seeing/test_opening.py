"""Where the picture changes: parts of one hole, and the round hole itself."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.opening import _in_gaps, find_opening
from timingcam.seeing.shift import no_shift
from timingcam.seeing.stack import Stack

H, W = 240, 320
TABLE = np.linspace(0.0, 1.0, 256).astype(np.float32)
LIGHT = FlashLight(TABLE, np.sqrt(TABLE).astype(np.float32), None)
HOLE, HOLE_PX = np.array([160.0, 120.0]), 90.0


def pictures(*, lip: bool, far_px: float = 60.0, hidden_deg: float = 0.0) -> tuple[Stack, np.ndarray]:
    """A bore near the hole's lower side that moves much, and short marks at its upper one that change less; over so
    many degrees of its edge, to the right, no edge shows."""
    rng = np.random.default_rng(3)
    yy, xx = np.mgrid[0:H, 0:W].astype(float)
    off = np.hypot(xx - HOLE[0], yy - HOLE[1])
    cast = 0.35 + 0.1 * cv2.GaussianBlur(rng.standard_normal((H, W)), (0, 0), 2) / 0.14
    still = np.where(off < HOLE_PX, 0.6, np.where((off < HOLE_PX + 6) & lip, 0.95, cast))
    away = np.abs(np.degrees(np.arctan2(yy - HOLE[1], xx - HOLE[0])))
    still = np.where(away < hidden_deg / 2, cv2.GaussianBlur(still, (0, 0), 12.0), still)
    lit = []
    for k in range(14):
        at = 160.0 + 25.0 * np.sin(0.9 * k)
        light = np.where(np.hypot(xx - at, yy - 120.0 - far_px) < 13, 0.1, still)
        light = np.where((np.abs(xx - at) < 5) & (yy > 125.0 - far_px) & (yy < 155.0 - far_px), 0.95, light)
        luma = 255 * cv2.GaussianBlur(light, (0, 0), 0.8) + rng.standard_normal((H, W))
        lit.append(LitPicture(np.clip(luma, 0, 255).astype(np.uint8), 2 * k, k, 0, H - 1))
    stack = Stack(LIGHT, lit, [no_shift(HOLE) for _ in lit])
    return stack, np.mean([LIGHT.picture(p.luma, p.rows) for p in lit], axis=0).astype(np.float32)


def test_what_moves_at_either_side_of_a_hole_is_in_one() -> None:
    stack, mean = pictures(lip=False)
    shows = find_opening(stack, mean, np.ones((H, W), bool)).shows
    assert shows[180, 160] and shows[120, 160] and shows[70, 160]


def test_the_round_hole_about_what_moves_is_the_opening() -> None:
    stack, mean = pictures(lip=True)
    known = np.ones((H, W), bool)
    opening = find_opening(stack, mean, known, may_be_round=True)
    assert opening.hole is not None
    # The lip's inner edge, placed to a pixel.
    assert opening.hole.size_px == pytest.approx(HOLE_PX, abs=1.5)
    assert opening.shows.sum() == pytest.approx(np.pi * HOLE_PX**2, rel=0.04)
    # And so it is when it is looked for again in the same pixels.
    again = find_opening(stack, mean, known, before=opening)
    assert np.array_equal(again.shows, opening.shows)


def test_a_hole_whose_edge_is_interrupted_is_one() -> None:
    """A notch, a shadow and a clip hide a third of its edge; the lip's outer edge shows more of itself."""
    stack, mean = pictures(lip=True, hidden_deg=130.0)
    opening = find_opening(stack, mean, np.ones((H, W), bool), may_be_round=True)
    assert opening.hole is not None
    assert opening.hole.coverage < 0.7
    assert opening.hole.size_px == pytest.approx(HOLE_PX, abs=1.5)


def test_without_a_round_edge_only_what_moves_counts() -> None:
    stack, mean = pictures(lip=False)
    flat = mean.copy()
    off = np.hypot(*(np.mgrid[0:H, 0:W][::-1] - HOLE[:, None, None]))
    flat[off >= HOLE_PX - 12] = 0.6  # no edge where the hole is
    assert find_opening(stack, flat, off < HOLE_PX - 12, may_be_round=True).hole is None


def test_pieces_that_show_less_count_where_no_others_tell_of_a_speed() -> None:
    rate_hz = np.array([10.0, 12.0, 18.0, 25.0, 38.0, 40.0, 11.0])
    shows = np.array([True, True, False, False, True, True, False])
    # From 12 to 38 flashes a second none showed enough; from 10 to 12 there is no gap to bridge.
    assert np.flatnonzero(_in_gaps(rate_hz, shows)).tolist() == [2, 3]
    assert not _in_gaps(rate_hz, np.ones(7, bool)).any()
    assert not _in_gaps(rate_hz, np.zeros(7, bool)).any()
