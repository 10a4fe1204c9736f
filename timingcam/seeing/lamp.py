"""A lamp beside the rotor: where it is, and how bright it burns in every frame.

In:  a clip with the rotor followed (`Turning`), or a place that the user points at.
Out: `LampLight`: its place, and its brightness in every frame between 0 (out) and 1 (lit).
Not here: when exactly it switches (`switching.py`).

A lamp is a small place off the rotor whose light jumps between two levels, all of it at once, a few times in the clip.
What moves through the picture, a hand for instance, has no two levels; what flickers jumps too often.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.clip import frames
from timingcam.seeing.slow import Turning
from timingcam.seeing.steady import whole_picture

SMALL_WIDTH = 240
MOST_SMALL = 480  # our choice: small pictures kept, some 16 MB; thinned evenly in longer clips
BESIDE_ROTOR = 1.04  # rim radii
LEAST_STEP = 0.08  # of root light, our choice: a lamp is brighter than that, noise is a tenth of it
LEAST_SDS = 6.0  # our choice: between the two levels, in sds about each
MOST_SHARE = 0.03  # of the picture that a lamp may fill
SAME_LAMP = 0.94  # of the time that two places burn alike: one is the other's glare
RIVAL_SHARE = 0.6
PATCH = 33  # cells a side, of the patch that is watched
REACH_RADII = 0.16  # rim radii, of that patch to each side
CLIPPED = 0.85  # of white: brighter than this the sensor may have been full before the exposure ended
DO_LAMP = (
    "film with the lamp in view beside the rotor, not too bright, and nothing moving before it, or give --lamp X,Y"
)


@dataclass(frozen=True, slots=True, eq=False)
class LampLight:
    """The lamp: its place in the reference picture, the row it is read in, its brightness a frame.

    `level` shape (n_frames,): 0 out, 1 lit, NaN where the frame could not be laid; `noise` its sd at rest. `clipped`
    where no part of it could be used that the sensor did not fill.
    """

    at_px: np.ndarray
    row: float
    level: np.ndarray
    noise: float
    clipped: bool


def find_lamp(turning: Turning) -> np.ndarray:
    """Look for a lamp.

    Parameters
    ----------
    turning : Turning

    Returns
    -------
    ndarray, shape (2,)
        Its middle, pixels of the reference picture.

    Raises
    ------
    CannotMeasure
        If there is none, or two.
    """
    scale = turning.info.width / SMALL_WIDTH
    places = lamp_places(*_small_pictures(turning, scale))
    if not places:
        raise CannotMeasure(
            found="nothing beside the rotor that lights and goes out",
            expected="a lamp that switches as the engine turns",
            do=DO_LAMP,
        )
    best, rest = places[0], places[1:]
    rivals = [p for p in rest if p.score > RIVAL_SHARE * best.score and float((p.lit == best.lit).mean()) < SAME_LAMP]
    if rivals:
        raise CannotMeasure(found="two things beside the rotor that light and go out", expected="one lamp", do=DO_LAMP)
    return (best.xy + 0.5) * scale - 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A place whose light has two levels: its middle in small pixels, how much it stands out, when it was lit."""

    xy: np.ndarray
    score: float
    lit: np.ndarray


def lamp_places(pictures: np.ndarray, allowed: np.ndarray) -> list[Place]:
    """Places that could be a lamp, the clearest first.

    Parameters
    ----------
    pictures : ndarray, shape (n, h, w)
        Root of light, laid on one another.
    allowed : ndarray of bool, shape (h, w)
        Where a lamp may be.
    """
    on, step, sds = _two_levels(pictures)
    switches = (on[1:] != on[:-1]).sum(axis=0)
    often = max(2, len(pictures) // 6)
    good = allowed & (step > LEAST_STEP) & (sds > LEAST_SDS) & (switches >= 1) & (switches <= often)
    count, label, stats, _ = cv2.connectedComponentsWithStats(good.astype(np.uint8), connectivity=8)
    places = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area < 2 or area > MOST_SHARE * good.size or max(w, h) > 4 * min(w, h) + 2:
            continue
        rows, cols = np.nonzero(label[y : y + h, x : x + w] == k)
        rows, cols = rows + y, cols + x
        together = on[:, rows, cols]
        lit = together.mean(axis=1) > 0.5
        if float((together == lit[:, None]).mean()) < SAME_LAMP:
            continue
        weight = step[rows, cols] ** 2
        middle = np.array([(cols * weight).sum(), (rows * weight).sum()]) / weight.sum()
        places.append(Place(middle, float(np.sqrt((weight).sum())), lit))
    return sorted(places, key=lambda p: -p.score)


def watch_lamp(turning: Turning, at_px: np.ndarray) -> LampLight:
    """Watch a place through the whole clip.

    Parameters
    ----------
    turning : Turning
    at_px : ndarray, shape (2,)
        Pixels of the reference picture.

    Returns
    -------
    LampLight

    Raises
    ------
    CannotMeasure
        If nothing there lights and goes out.
    """
    reach = REACH_RADII * turning.view.pose.size_px
    offset = np.linspace(-reach, reach, PATCH)
    grid = at_px + np.stack(np.meshgrid(offset, offset), axis=-1)
    patches = np.full((len(turning.track.time_s), PATCH, PATCH), np.nan, np.float32)
    for frame in frames(turning.info):
        shift = turning.track.shifts[frame.number] if frame.number < len(patches) else None
        if shift is not None:
            maps = shift.apply(grid).astype(np.float32)
            patches[frame.number] = cv2.remap(turning.light.table[frame.luma], maps, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    seen = np.isfinite(patches[:, 0, 0])
    weight, off, clipped = _lamp_pixels(patches[seen])
    if weight is None:
        x, y = turning.info.orientation.to_shown(at_px)
        raise CannotMeasure(
            found=f"nothing that lights and goes out at {x:.0f},{y:.0f}", expected="a lamp there", do=DO_LAMP
        )
    level = np.full(len(patches), np.nan)
    level[seen] = ((patches[seen] - off) * weight).sum(axis=(1, 2))
    low, high, noise = _levels(level[seen])
    where = np.abs(weight)
    middle = np.array([(grid[..., k] * where).sum() / where.sum() for k in (0, 1)])
    return LampLight(middle, float(middle[1]), (level - low) / (high - low), noise / (high - low), clipped)


def _small_pictures(turning: Turning, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Small pictures laid on the reference, and where in them the rotor is not."""
    height = max(1, round(turning.info.height / scale))
    to_full = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1.0]])
    kept: list[np.ndarray] = []
    stride, n = 1, 0
    for frame in frames(turning.info):
        shift = turning.track.shifts[frame.number] if frame.number < len(turning.track.shifts) else None
        if shift is None:
            continue
        if n % stride == 0:
            small = cv2.resize(
                whole_picture(turning.light, frame.luma), (SMALL_WIDTH, height), interpolation=cv2.INTER_AREA
            )
            warp = np.linalg.inv(to_full) @ shift.matrix() @ to_full
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            kept.append(
                cv2.warpPerspective(small, warp, (SMALL_WIDTH, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
            )
            if len(kept) > MOST_SMALL:
                stride *= 2
                kept = kept[::2]
        n += 1
    xx, yy = np.meshgrid(np.arange(SMALL_WIDTH), np.arange(height))
    at = turning.view.pose.to_plane(np.stack([xx, yy], axis=-1) * scale + (scale - 1) / 2)
    return np.stack(kept), np.hypot(at[..., 0], at[..., 1]) > BESIDE_ROTOR


def _two_levels(pictures: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each pixel: when it is in the upper half of its range; the step between both means; that step in sds."""
    spare = max(1, len(pictures) // 100)
    order = np.sort(pictures, axis=0)
    on = pictures > 0.5 * (order[spare] + order[-1 - spare])
    n_on = np.maximum(on.sum(axis=0), 1)
    n_off = np.maximum((~on).sum(axis=0), 1)
    high, low = (pictures * on).sum(axis=0) / n_on, (pictures * ~on).sum(axis=0) / n_off
    about = ((pictures - np.where(on, high, low)) ** 2).mean(axis=0)
    # A lamp is caught in between in a frame or two a switching; medians of the spread leave those out.
    typical = np.median(np.abs(pictures - np.where(on, high, low)), axis=0) * 1.4826
    spread = np.maximum(np.minimum(np.sqrt(about), 2 * typical), 0.004)
    return on, high - low, (high - low) / spread


def _lamp_pixels(patches: np.ndarray) -> tuple[np.ndarray | None, np.ndarray, bool]:
    """Weights of the cells that tell the lamp's light, summing to 1; its light when out; whether all are clipped."""
    step = _range(patches)
    seed = patches[:, step >= 0.5 * step.max()].mean(axis=1)
    low, high, noise = _levels(seed)
    out = np.zeros_like(step)
    if high - low < LEAST_STEP**2 or high - low < LEAST_SDS * noise:
        return None, out, False
    on = seed > 0.5 * (low + high)
    lit, out = np.median(patches[on], axis=0), np.median(patches[~on], axis=0)
    gain = np.clip(lit - out, 0, None)
    # The glow about the lamp tells how long it burnt within the exposure; its middle is white after a fraction of it.
    brightest = np.percentile(patches[on], 98, axis=0)
    usable = (brightest < CLIPPED) & (gain > 0.15 * gain.max()) if gain.max() < CLIPPED else brightest < CLIPPED
    usable &= gain > max(3 * float(np.median(np.std(patches[~on], axis=0))), 0.02)
    clipped = int(usable.sum()) < 6
    if clipped:
        usable = gain > 0.5 * gain.max()
    weight = np.where(usable, gain, 0.0)
    return weight / float((weight * gain).sum()), out, clipped


def _range(patches: np.ndarray) -> np.ndarray:
    spare = max(1, len(patches) // 100)
    order = np.sort(patches, axis=0)
    return order[-1 - spare] - order[spare]


def _levels(series: np.ndarray) -> tuple[float, float, float]:
    """Lower and upper level of a series that jumps, and the sd about them."""
    spare = max(1, len(series) // 100)
    order = np.sort(series)
    on = series > 0.5 * (order[spare] + order[-1 - spare])
    low, high = float(np.median(series[~on])), float(np.median(series[on])) if on.any() else float("nan")
    noise = 1.4826 * float(np.median(np.abs(series - np.where(on, high, low))))
    return low, high, noise
