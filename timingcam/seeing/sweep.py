"""A clip of an engine turned by hand: which frames show the most of its turning.

In:  a clip in steady light.
Out: `Sweep`: the stamps of all frames, and some frames whole, spread over the movement rather than over the time.
Not here: what moves (`slow.py`).

A hand pauses; frames spread evenly over the time would show one angle again and again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.clip import ClipInfo, Frame, frames

SMALL_WIDTH = 160
MOST_KEPT = 26  # our choice: the view is as good with these as with twice as many, and found in half the time
KEPT_BYTES = 110e6  # our choice: frames kept whole stay within this
TIME_COUNTS = 0.15  # our choice: a little of the spreading is over the time, as the light may change
MIN_FRAMES = 24


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """Of all frames: `stamp_s` (n_frames,) as stored. `kept`: some frames whole."""

    stamp_s: np.ndarray
    kept: tuple[Frame, ...]


def sweep(info: ClipInfo, progress: Callable[[int], None] | None = None) -> Sweep:
    """Look through the clip twice: how much moves from frame to frame, then keep frames at even steps of that.

    Parameters
    ----------
    info : ClipInfo
    progress : callable, optional
        Told the number of frames seen so far in the first look.

    Raises
    ------
    CannotMeasure
        If it has too few frames.
    """
    stamps, moved = [], []
    before: np.ndarray | None = None
    for frame in frames(info):
        small = _small(frame.luma)
        moved.append(0.0 if before is None else float(np.abs(small - before).mean()))
        before = small
        stamps.append(frame.stamp_s)
        if progress is not None:
            progress(frame.number + 1)
    if len(stamps) < MIN_FRAMES:
        raise CannotMeasure(
            found=f"{len(stamps)} frames", expected=f"at least {MIN_FRAMES}", do="film for ten seconds or longer"
        )
    stamp_s = np.array(stamps)
    per_frame = info.width * info.height * (2 if info.bits > 8 else 1)
    most = int(np.clip(KEPT_BYTES / per_frame, 10, MOST_KEPT))
    wanted = spread(np.array(moved), stamp_s - stamp_s[0], most)
    return Sweep(stamp_s, tuple(_picked(info, wanted)))


def spread(moved: np.ndarray, time_s: np.ndarray, most: int) -> np.ndarray:
    """Numbers of frames at even steps of the movement, and a little of the time.

    Parameters
    ----------
    moved : ndarray, shape (n_frames,)
        How much each frame differs from the one before.
    time_s : ndarray, shape (n_frames,)
    most : int

    Returns
    -------
    ndarray of int, rising
    """
    # What is left at rest is noise.
    excess = np.clip(moved - 1.5 * np.percentile(moved, 10), 0, None)
    path = np.cumsum(excess)
    share = time_s / max(float(time_s[-1]), 1e-9)
    if path[-1] > 0:
        share = TIME_COUNTS * share + (1 - TIME_COUNTS) * path / path[-1]
    return np.unique(np.searchsorted(share, np.linspace(0, share[-1], most)).clip(0, len(moved) - 1))


def _small(luma: np.ndarray) -> np.ndarray:
    height = max(1, round(luma.shape[0] * SMALL_WIDTH / luma.shape[1]))
    small = cv2.resize(luma, (SMALL_WIDTH, height), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small.astype(np.float32), (0, 0), 1.0)


def _picked(info: ClipInfo, wanted: np.ndarray) -> list[Frame]:
    numbers = set(wanted.tolist())
    # To the clip's end: a decoder that is left half way may not let go.
    return [frame for frame in frames(info) if frame.number in numbers]
