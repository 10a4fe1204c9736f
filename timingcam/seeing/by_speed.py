"""Pictures in the order of speed: advance follows speed, so that neighbours show marks at nearly the same place.

In:  pictures laid on one another, the times of flashes.
Out: the pictures in that order, and what they usually show over all speeds.
Not here: how far the rotor had turned in each (`chain.py`).
"""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn
from timingcam.seeing.mosaic import WHOLLY
from timingcam.seeing.speeds import WIDEST_STEP, evenly
from timingcam.seeing.stack import Stack

LEAST_SEEN = 5  # our choice: pictures
DARK_SHARE = 0.3  # our choice: of the root of the usual light, a tenth of the light
SOFT_PX = 2  # our choice: how far laying and coding soften an edge
LEAST_SHARED = 0.2  # our choice: of what shows


def by_speed(stack: Stack) -> tuple[Stack, np.ndarray]:
    """The pictures in the order of how fast flashes come there, and that, flashes a second, shape (n,).

    Advance follows speed, so that neighbours in speed show marks at nearly the same place, however far apart in time.
    """
    rate = stack.rate_hz
    order = np.argsort(rate, kind="stable")
    return stack.some(order), rate[order]


def _widest_step(rate_hz: np.ndarray, turns: list[Turn | None]) -> tuple[float, float] | None:
    """The step of the speed, flashes a second, across which nothing tells how the marks moved; None if there is none.

    Parameters
    ----------
    rate_hz : ndarray, shape (n,)
        Rising.
    turns : list of Turn or None
    """
    found = np.array([turn is not None for turn in turns])
    steps = np.flatnonzero((rate_hz[1:] > WIDEST_STEP * rate_hz[:-1]) & ~(found[1:] & found[:-1]))
    if not len(steps):
        return None
    k = steps[np.argmax(rate_hz[steps + 1] / rate_hz[steps])]
    return float(rate_hz[k]), float(rate_hz[k + 1])


def refuse_gap(rate_hz: np.ndarray, turns: list[Turn | None]) -> None:
    """Refuse where nothing tells how flashes on either side of a wide step of the speed stand to one another."""
    gap = _widest_step(rate_hz, turns)
    if gap is not None:
        raise CannotMeasure(
            found=f"no readable flash between those that come {gap[0]:.1f} and {gap[1]:.1f} times a second",
            expected="flashes at all speeds between, to follow the marks through the hole from one to the next",
            do="open and close the throttle more slowly, or film for longer",
        )  # fmt: skip


def usual_over(stack: Stack, rate_hz: np.ndarray, mean: np.ndarray, where: np.ndarray) -> np.ndarray:
    """The median of pictures at even steps of the speed, as far as it changes what they show; the mean where few of
    them show anything.

    Parameters
    ----------
    stack : Stack
    rate_hz : ndarray, shape (n_pictures,)
        How fast flashes come about each picture, rising.
    mean : ndarray, shape (h, w), float32
        Of all pictures.
    where : ndarray, shape (h, w), bool
        Only there the median is worked out.
    """
    rows, cols = np.nonzero(where)
    box = slice(rows.min(), rows.max() + 1), slice(cols.min(), cols.max() + 1)
    chosen = evenly(rate_hz, _changes(stack, mean.shape, box, where[box]))
    laid = np.stack([seen_at(stack, k, mean.shape, box) for k in chosen])
    seen = np.isfinite(laid).sum(axis=0)
    laid[:, seen < LEAST_SEEN] = 0.0
    result = mean.copy()
    result[box] = np.where(seen >= LEAST_SEEN, np.nanmedian(laid, axis=0), mean[box])
    return result


def bright_of(where: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """Without gaps beside the rotor, that are usually dark: there as little as coding leaves would count as much.

    Parameters
    ----------
    where : ndarray, shape (h, w), bool
    usual : ndarray, shape (h, w), float32
        Root of the light.
    """
    dark = (usual < DARK_SHARE * float(np.median(usual[where]))) & where
    return where & (cv2.dilate(dark.astype(np.uint8), np.ones((2 * SOFT_PX + 1,) * 2, np.uint8)) == 0)


def _changes(stack: Stack, shape: tuple[int, ...], box: tuple[slice, slice], where: np.ndarray) -> np.ndarray:
    """Mean square by which each picture differs from the next there; the usual one where they share little."""
    change = np.full(len(stack.lit) - 1, np.nan)
    before = seen_at(stack, 0, shape, box)
    for k in range(len(change)):
        after = seen_at(stack, k + 1, shape, box)
        apart = ((after - before) ** 2)[where]
        both = np.isfinite(apart)
        if both.mean() > LEAST_SHARED:
            change[k] = apart[both].mean()
        before = after
    usual = float(np.nanmean(change)) if np.isfinite(change).any() else 1.0
    return np.where(np.isfinite(change), change, usual)


def seen_at(stack: Stack, k: int, shape: tuple[int, ...], box: tuple[slice, slice]) -> np.ndarray:
    """What a picture shows in a part of the reference; NaN where it shows nothing."""
    (h, w), lit, inverse = shape, stack.lit[k], cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warp = stack.shifts[k].matrix()
    mask = np.zeros((h, w), np.uint8)
    mask[lit.first : lit.last + 1] = 255
    inside = cv2.warpPerspective(mask, warp, (w, h), flags=inverse)[box] >= WHOLLY
    laid = cv2.warpPerspective(stack.light.picture(lit.luma, lit.rows), warp, (w, h), flags=inverse)[box]
    return np.where(inside, laid, np.nan).astype(np.float32)
