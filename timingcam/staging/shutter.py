"""The rolling shutter: when each frame and row is exposed, and how much of a flash each row gets.

In:  `Scene`.
Out: `Shutter`; row weights of a flash in a frame.
Not here: how the finished file's time stamps are written (`stamps.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.staging.scene import Scene
from timingcam.staging.strobe import FlashLight


@dataclass(frozen=True, eq=False)
class Shutter:
    """Row r of frame n is exposed from start_s[n] + r·line_time_s for exposure_s[n]."""

    start_s: np.ndarray  # (n_frames,)
    exposure_s: np.ndarray  # (n_frames,)
    line_time_s: float
    n_rows: int

    def frames_lit(self, centre_s: float, light: FlashLight) -> range:
        """Numbers of the frames of which this flash may light a row."""
        first, last = light.span_s
        ends = self.start_s + self.n_rows * self.line_time_s + self.exposure_s
        low = int(np.searchsorted(ends, centre_s + first))
        high = int(np.searchsorted(self.start_s, centre_s + last, side="right"))
        return range(low, high)

    def row_weights(self, frame: int, centre_s: float, light: FlashLight) -> np.ndarray:
        """Share of a flash's light that each row of a frame collects, shape (n_rows,)."""
        opens = self.start_s[frame] + np.arange(self.n_rows) * self.line_time_s - centre_s
        return light.emitted(opens + self.exposure_s[frame]) - light.emitted(opens)


def shutter(scene: Scene) -> Shutter:
    """Frame starts and exposures of the whole clip.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    Shutter
    """
    camera = scene.camera
    start_s = _frame_starts(scene)
    exposure_s = in_steps(camera.exposure_s, start_s)
    return Shutter(start_s, exposure_s, scene.line_time_s, camera.height)


def _frame_starts(scene: Scene) -> np.ndarray:
    camera, end_s = scene.camera, scene.run.duration_s
    if not camera.fps_changes:
        return np.arange(max(1, math.floor(end_s * camera.fps + 1e-9))) / camera.fps
    steps = ((-math.inf, camera.fps), *camera.fps_changes)
    starts = [0.0]
    while True:
        fps = next(rate for since, rate in reversed(steps) if since <= starts[-1] + 1e-9)
        if starts[-1] + 2 / fps > end_s + 1e-9:
            return np.array(starts)
        starts.append(starts[-1] + 1 / fps)


def in_steps(points: float | tuple[tuple[float, float], ...], at: np.ndarray) -> np.ndarray:
    """A constant, or [time, value] steps: each value holds from its time to the next."""
    if not isinstance(points, tuple):
        return np.full(at.shape, float(points))
    firsts, seconds = np.array(points, dtype=float).T
    return seconds[np.clip(np.searchsorted(firsts, at, side="right") - 1, 0, None)]


def rows_lit(weights: np.ndarray) -> tuple[int, int] | None:
    """First and last row lit to at least half, or None."""
    lit = np.flatnonzero(weights >= 0.5)
    return (int(lit[0]), int(lit[-1])) if lit.size else None
