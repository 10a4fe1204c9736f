"""How sharp, how steady and how well exposed single flashes show the rotor.

In:  lit pictures, where the rotor stands.
Out: `Look`: width of edges, moves of the hand, shares of light.
Not here: whether that is good enough (`reckoning/fitness.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.drum import Drum
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.pose import Pose
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.shift import moved_by

REACH_PX = 14  # our choice: edges wider than this are no edges
SHARPEST = 150  # our choice: so many of a picture's steepest places tell its sharpness
INNER, OUTER = 0.6, 1.25  # rim radii: marks, rim, and the case beside it
MOST_PICTURES = 5
LEAST_PX, LEAST_FLASHES = 200, 3  # fewer say nothing
CLIPPED_SHARE = 0.985  # of full white: what the coding still tells from it is rounding


@dataclass(frozen=True, slots=True)
class Look:
    """What single flashes look like; NaN where it could not be told."""

    edge_px: float  # over how many pixels the sharpest edges rise
    shake_px: float  # rms over the flashes of where the case stands in the picture
    roll_deg: float  # rms of how it is turned
    over_exposed: float  # share of the rotor that is white
    ambient_share: float  # light of the place, of the flash's


def look_of(light: FlashLight, lit: list[LitPicture], turns: FlashTurns, pose: Pose | Drum, info: ClipInfo) -> Look:
    """Look at some of the pictures.

    Parameters
    ----------
    light : FlashLight
    lit : list of LitPicture
    turns : FlashTurns
        Of all flashes: where each shows the case, and which of them could be read.
    pose : Pose
        Of the rotor, in the reference picture.
    info : ClipInfo
    """
    readable = [one for one in lit if np.isfinite(turns.turn_deg[one.flash])]
    widths, white = [], []
    for one in evenly_from(readable, MOST_PICTURES):
        where = _annulus(one.luma.shape, pose, turns.shift[one.flash], one.rows)
        if where.sum() < LEAST_PX:
            continue
        widths.append(edge_width_px(light.picture(one.luma, one.rows), where))
        white.append(float(np.mean(one.luma[where] >= _white_code(info))))
    shake_px, roll_deg = _unsteadiness(turns.shift[np.isfinite(turns.turn_deg)], pose)
    return Look(
        _median(widths), shake_px, roll_deg, _median(white), _ambient_share(light, evenly_from(lit, MOST_PICTURES))
    )


def evenly_from(lit: list[LitPicture], most: int) -> list[LitPicture]:
    """So many of the pictures at most, evenly from all of them."""
    return [lit[i] for i in np.unique(np.linspace(0, len(lit) - 1, min(most, len(lit))).round().astype(int))]


def edge_width_px(picture: np.ndarray, where: np.ndarray) -> float:
    """Over how many pixels the sharpest edges rise: their height over their steepest slope.

    Parameters
    ----------
    picture : ndarray, shape (h, w), float32
    where : ndarray, shape (h, w), bool
        Where to look.

    Returns
    -------
    float
        Median over the steepest places; NaN where nothing rises.
    """
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3) / 8
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=3) / 8
    steep = np.hypot(gx, gy)
    steep[~where] = 0.0
    at = np.argpartition(steep.ravel(), -SHARPEST)[-SHARPEST:]
    rows, columns = np.unravel_index(at, steep.shape)
    slope = steep[rows, columns]
    if slope.max() <= 0:
        return float("nan")
    keep = slope > 0.25 * slope.max()
    rows, columns, slope = rows[keep], columns[keep], slope[keep]
    along = np.arange(-REACH_PX, REACH_PX + 1, dtype=np.float32)
    x = columns[:, None] + along * (gx[rows, columns] / slope)[:, None]
    y = rows[:, None] + along * (gy[rows, columns] / slope)[:, None]
    profile = cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, None,
                        cv2.BORDER_REPLICATE)  # fmt: skip
    return float(np.median(_rise(profile) / slope))


def _rise(profile: np.ndarray) -> np.ndarray:
    """How high each profile rises in one go through its middle: as far as it keeps rising, either way."""
    step = np.diff(profile, axis=1)
    middle = profile.shape[1] // 2
    least = 0.08 * step.max(axis=1, keepdims=True)
    on = np.cumprod(step[:, middle:] > least, axis=1)
    back = np.cumprod(step[:, :middle][:, ::-1] > least, axis=1)
    return (step[:, middle:] * on).sum(axis=1) + (step[:, :middle][:, ::-1] * back).sum(axis=1)


def _annulus(shape: tuple[int, ...], pose: Pose | Drum, shift: np.ndarray, rows: tuple[int, int]) -> np.ndarray:
    """Lit pixels about the rim; not those at the band's own edges, which are none of the scene's."""
    first, last = rows[0] + REACH_PX, rows[1] - REACH_PX
    where = np.zeros(shape, bool)
    if last <= first:
        return where
    yy, xx = np.mgrid[first : last + 1, 0 : shape[1]]
    plane = pose.to_plane(moved_by(np.linalg.inv(shift), np.stack([xx, yy], axis=-1)))
    radius = np.hypot(plane[..., 0], plane[..., 1])
    where[first : last + 1] = (radius > INNER) & (radius < OUTER)
    return where


def _unsteadiness(shifts: np.ndarray, pose: Pose | Drum) -> tuple[float, float]:
    """Rms of the case's moves and turns from flash to flash, from transforms of shape (n, 3, 3)."""
    if len(shifts) < LEAST_FLASHES:
        return float("nan"), float("nan")
    places = np.array([moved_by(shift, pose.centre_px) for shift in shifts])
    beside = np.array([moved_by(shift, pose.centre_px + np.array([1.0, 0.0])) for shift in shifts]) - places
    rolls = np.degrees(np.arctan2(beside[:, 1], beside[:, 0]))
    return float(np.sqrt(places.var(axis=0).sum())), float(rolls.std())


def _white_code(info: ClipInfo) -> float:
    scale = 2.0 ** (info.bits - 8)
    black, white = (0.0, 255.0 * scale) if info.full_range else (16.0 * scale, 235.0 * scale)
    return black + CLIPPED_SHARE * (white - black)


def _ambient_share(light: FlashLight, lit: list[LitPicture]) -> float:
    """Light of the place without flashes, over that of the flashes; 0 where it does not matter."""
    if light.ambient is None:
        return 0.0
    shares = []
    for one in lit:
        rows = slice(one.first, one.last + 1)
        place = float(light.ambient[rows].mean())
        both = float(light.table[one.luma[rows, ::4]].mean())
        shares.append(place / max(both - place, 1e-6))
    return _median(shares)


def _median(values: list[float]) -> float:
    good = [value for value in values if np.isfinite(value)]
    return float(np.median(good)) if good else float("nan")
