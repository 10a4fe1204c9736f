"""One look through the whole clip: how light each row is in each frame, and a few frames kept whole.

In:  a clip.
Out: `Survey`: stamps, row light, and kept frames from all over the clip.
Not here: what any of it shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import row_light
from timingcam.seeing.clip import ClipInfo, Frame, frames
from timingcam.seeing.row_lights import RowLights

KEPT_BYTES = 64e6  # our choice: frames kept whole stay within this
FEWEST_KEPT, FEWEST_BYTES = 16, 200e6  # our choice: large frames, of which fewer than that would be kept
FEWEST_AT_ALL = 10
MOST_KEPT = 64
MIN_FRAMES = 8
LIT_SHARE = 0.35  # our choice: of the brightest frame so far, to count as lit


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """Of all frames: `stamp_s` (n_frames,) as stored; `light` of their rows, linear. `kept`: some frames whole."""

    stamp_s: np.ndarray
    light: RowLights
    kept: tuple[Frame, ...]


def survey(info: ClipInfo, table: np.ndarray, progress: Callable[[int], None] | None = None) -> Survey:
    """Look through the clip once.

    Parameters
    ----------
    info : ClipInfo
    table : ndarray, shape (n_codes,)
        From coded luma to linear light.
    progress : callable, optional
        Told the number of frames seen so far.

    Raises
    ------
    CannotMeasure
        If it has too few frames.
    """
    per_frame = info.width * info.height * (2 if info.bits > 8 else 1)
    fewest = max(FEWEST_AT_ALL, min(FEWEST_KEPT, FEWEST_BYTES / per_frame))
    keeper = _Keeper(int(np.clip(KEPT_BYTES / per_frame, fewest, MOST_KEPT)))
    stamps: list[float] = []
    light = RowLights(info.height)
    for frame in frames(info):
        stamps.append(frame.stamp_s)
        rows = row_light(frame.luma, table)
        light.append(rows)
        keeper.offer(frame, rows)
        if progress is not None:
            progress(frame.number + 1)
    if len(stamps) < MIN_FRAMES:
        raise CannotMeasure(
            found=f"{len(stamps)} frames", expected=f"at least {MIN_FRAMES}", do="film for ten seconds or longer"
        )
    return Survey(np.array(stamps), light, tuple(keeper.kept))


class _Keeper:
    """Keeps frames that seem to be lit by a flash, evenly over the clip, within a number."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.kept: list[Frame] = []
        self.order: list[int] = []  # the how manieth lit frame each kept one was
        self.seen = 0
        self.ambient: np.ndarray | None = None
        self.brightest = 0.0

    def offer(self, frame: Frame, light: np.ndarray) -> None:
        """Keep a frame if it is lit and its turn has come."""
        self.ambient = light.copy() if self.ambient is None else np.minimum(self.ambient, light)
        most = round(0.9 * (len(light) - 1))
        over = float(np.partition(light - self.ambient, most)[most])
        self.brightest = max(self.brightest, over)
        if over < LIT_SHARE * self.brightest and frame.number > 2:
            return
        self.kept.append(frame)
        self.order.append(self.seen)
        if len(self.kept) > self.most:
            # The one without which the gap is least: neither the first nor the newest, and gaps stay about even.
            order = np.array(self.order)
            gone = 1 + int(np.argmin(order[2:] - order[:-2]))
            del self.kept[gone], self.order[gone]
        self.seen += 1
