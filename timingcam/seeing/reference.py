"""What frames are laid against: points of strong gradient on what stands still.

In:  a picture, which part of it is known and stands still.
Out: `Reference`.
Not here: how a frame is laid against it (`register.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.seeing.pose import FOCAL_SHARE

# Our choice: the width of the small pictures for the coarse search.
COARSE_WIDTH = 240
FAIR_FIT = 0.45  # our choice: of residual over contrast; above this, turned starts are tried too
WORSE_THAN_USUAL = 1.6  # our choice: and above this many times what pictures of the clip are usually left with
LEVEL_BLUR = 0.8  # of a level's pixel
BLUR_REACH = 2.5  # sds of the blur: beyond lies a hundredth of it
# Our choice, of a coarse picture and the finest: more gradients add time, not accuracy, beside the model's own faults.
COARSE_POINTS, N_POINTS = 2500, 5000


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What frames are laid against: points of strong gradient on what stands still, on two scales.

    `small` is a picture COARSE_WIDTH wide (0 where nothing is known), `small_mask` where it stands still and is known.
    """

    about_px: np.ndarray
    small: np.ndarray
    small_mask: np.ndarray
    scale: float  # full pixels to a small one
    width: int  # of the full picture
    off_px: tuple[np.ndarray, ...]  # per level, (2, n), from the point `about_px`
    light: tuple[np.ndarray, ...]  # per level, (n,)
    slopes: tuple[np.ndarray, ...]  # per level, (6, n): how the light answers to each number of a `Shift`
    shrink: tuple[int, ...]  # full pixels to one of the level's
    half_px: float  # of the picture's longer side
    focal_px: float  # the usual lens's
    all_round: bool  # whether enough stands still to see by it how the phone turned
    fair_fit: float = FAIR_FIT

    def as_usual(self, residuals: Sequence[float]) -> Reference:
        """The same, knowing how well pictures fit it."""
        usual = float(np.median(residuals)) if len(residuals) else FAIR_FIT
        return replace(self, fair_fit=min(FAIR_FIT, WORSE_THAN_USUAL * usual))


def make_reference(
    picture: np.ndarray,
    still: np.ndarray,
    about_px: np.ndarray,
    known: np.ndarray | None = None,
    *,
    all_round: bool = True,
) -> Reference:
    """Prepare a reference.

    Parameters
    ----------
    picture : ndarray, shape (h, w), float32
    still : ndarray, shape (h, w), bool
        Where it is known and stands still.
    about_px : array, shape (2,)
        The point about which turns and growth are counted.
    known : ndarray, shape (h, w), bool, optional
        Where there is a picture at all; everywhere, if not given.
    all_round : bool, optional
        Whether what stands still lies in one plane, more or less, and about the rotor. About an opening, or beside a
        rotor's edge, it stands in several: that looks as if the phone had turned.
    """
    scale = picture.shape[1] / COARSE_WIDTH
    size = (COARSE_WIDTH, max(1, round(picture.shape[0] / scale)))
    small = cv2.resize(np.where(still, picture, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(still.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = np.where(share > 0.05, small / np.maximum(share, 0.05), 0).astype(np.float32)
    about_px = np.asarray(about_px, float)
    half_px = 0.5 * max(picture.shape)
    off, light, slopes = [], [], []
    shrinks = (max(1, round(0.7 * scale)), 1)
    eroded = cv2.erode(still.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0).astype(bool)
    for shrink in shrinks:
        soft = cv2.GaussianBlur(picture, (0, 0), LEVEL_BLUR * shrink)
        gx = cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32.0
        gy = cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32.0
        allowed = eroded if known is None else eroded & _well_within(known, shrink)
        points = _strongest(np.hypot(gx, gy), allowed, N_POINTS if shrink == 1 else COARSE_POINTS)
        rows, cols = points[:, 1], points[:, 0]
        d = points.T - about_px[:, None]
        g = np.stack([gx[rows, cols], gy[rows, cols]]).astype(float)
        off.append(d)
        light.append(soft[rows, cols].astype(float))
        # Light at a point falls by gradient times displacement; displacement is t + a·d + b·turned(d) - (e·d)·d/half.
        outward = (g * d).sum(axis=0)
        slopes.append(np.vstack([g, outward, g[1] * d[0] - g[0] * d[1], -outward * d / half_px]))
    return Reference(
        about_px, small, share > 0.5, scale, picture.shape[1], tuple(off), tuple(light), tuple(slopes), shrinks,
        half_px, FOCAL_SHARE * max(picture.shape), all_round,
    )  # fmt: skip


def _well_within(known: np.ndarray, shrink: int) -> np.ndarray:
    """Where a level's blur reaches nothing that is unknown: its end would be an edge."""
    reach = int(np.ceil(BLUR_REACH * LEVEL_BLUR * shrink)) + 1
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    return cv2.erode(known.astype(np.uint8), kernel, borderType=cv2.BORDER_REPLICATE).astype(bool)


def _strongest(strength: np.ndarray, allowed: np.ndarray, most: int) -> np.ndarray:
    """Pixels of strong gradient, x and y, so many at most: the strongest of each small tile, for all sides to count."""
    strength = np.where(allowed, strength, 0.0)
    tile = max(2, int(np.sqrt(strength.size / (4 * most))))
    h, w = (s // tile * tile for s in strength.shape)
    tiles = strength[:h, :w].reshape(h // tile, tile, w // tile, tile).swapaxes(1, 2).reshape(-1, tile * tile)
    best = tiles.argmax(axis=1)
    value = tiles[np.arange(len(tiles)), best]
    keep = np.argsort(value)[::-1][:most]
    keep = keep[value[keep] > 0]
    row = (keep // (w // tile)) * tile + best[keep] // tile
    col = (keep % (w // tile)) * tile + best[keep] % tile
    return np.stack([col, row], axis=1)
