"""How the file's frames are stamped: rounding, jitter, frames dropped or written twice, slow motion stored stretched.

In:  `Scene`, `Shutter`.
Out: `Stamps`: for each frame as written, which filmed frame it shows and its time stamp.
Not here: the frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.staging.scene import Scene
from timingcam.staging.shutter import Shutter

TICKS_PER_S = 90000  # MPEG's usual video clock: holds 1/600 s, 1 ms and common frame rates exactly


@dataclass(frozen=True, eq=False)
class Stamps:
    """Frames as written; arrays of shape (n_written,)."""

    shows: np.ndarray  # number of the filmed frame
    ticks: np.ndarray  # time stamp, in 1/TICKS_PER_S
    stretch: float  # stored seconds per filmed second

    def stored_s(self, filmed_s: np.ndarray | float) -> np.ndarray:
        """A moment on the scene's clock as seconds from the first frame's time stamp, on the file's clock."""
        # The first stamp stands for frame 0's start, whatever its own rounding moved it by.
        return np.asarray(filmed_s) * self.stretch


def frame_stamps(scene: Scene, filmed: Shutter) -> Stamps:
    """Stamp the frames of a clip.

    Parameters
    ----------
    scene : Scene
    filmed : Shutter

    Returns
    -------
    Stamps
    """
    wanted = scene.camera.stamps
    rng = np.random.default_rng([scene.seed, 9])
    count = filmed.start_s.size
    dropped = rng.random(count) < wanted.dropped_share
    twice = rng.random(count) < wanted.duplicated_share
    dropped[0] = twice[0] = False
    stretch = scene.camera.fps / wanted.stretched_to_fps if wanted.stretched_to_fps else 1.0
    late_s = wanted.jitter_us * 1e-6 * rng.standard_normal(count)
    late_s[0] = 0.0
    times = (filmed.start_s + np.clip(late_s, -0.4 / scene.camera.fps, 0.4 / scene.camera.fps)) * stretch
    unit = {"exact": 1 / TICKS_PER_S, "1/600 s": 1 / 600, "1 ms": 1e-3}[wanted.rounded_to]
    ticks = np.rint(np.rint((times + wanted.first_s) / unit) * unit * TICKS_PER_S).astype(np.int64)
    # A frame written twice stands in for the one that follows it, which is lost.
    shows = np.arange(count)
    shows[1:] = np.where(twice[1:], shows[:-1], shows[1:])
    kept = ~dropped
    return Stamps(shows[kept], ticks[kept], stretch)
