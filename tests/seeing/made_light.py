"""Rows lit by flashes, from the physics of a rolling shutter alone: what the finders of bands and flashes are held to.

Row r of frame n is exposed from t_n + r·L for E seconds. A flash of length d centred on s gives it the share of d that
falls into that time. Nothing of the package is used here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Camera:
    """A sensor of `n_rows` rows read `line_s` apart, exposed for `exposure_s`."""

    fps: float = 60.0
    n_frames: int = 240
    n_rows: int = 240
    line_s: float = 36e-6
    exposure_s: float = 4e-3

    @property
    def frame_s(self) -> np.ndarray:
        """When each frame's first row begins its exposure."""
        return np.arange(self.n_frames) / self.fps


def even_flashes(camera: Camera, rpm: float = 3000.0, first_s: float = 0.0031) -> np.ndarray:
    """Flashes of an engine at a steady speed, one spark in two turns."""
    return np.arange(first_s, camera.n_frames / camera.fps, 120.0 / rpm)


def swept_flashes(camera: Camera, low: float = 1300.0, high: float = 5600.0) -> np.ndarray:
    """Flashes of an engine run up and down once, evenly in time, one spark in two turns."""
    t = np.linspace(0, camera.n_frames / camera.fps, 200_001)
    rpm = low + (high - low) * (1 - np.abs(2 * t / t[-1] - 1))
    turns = np.cumsum(rpm) * (t[1] - t[0]) / 60
    return np.interp(np.arange(0.3, turns[-1] / 2 - 0.3), turns / 2, t)


def shares(camera: Camera, flash_s: np.ndarray, length_s: float = 30e-6) -> np.ndarray:
    """Share of each flash that each row of each frame collects, summed over the flashes, (n_frames, n_rows)."""
    opens = camera.frame_s[:, None] + np.arange(camera.n_rows) * camera.line_s
    total = np.zeros(opens.shape)
    for s in flash_s:
        first, last = np.searchsorted(camera.frame_s, [s - camera.exposure_s - 0.05, s + 0.05])
        part = opens[first:last]
        begins, ends = np.maximum(part, s - length_s / 2), np.minimum(part + camera.exposure_s, s + length_s / 2)
        total[first:last] += np.clip(ends - begins, 0, None) / length_s
    return total


def light(
    camera: Camera, flash_s: np.ndarray, length_s: float = 30e-6, *, ambient: float = 0.02, noise: float = 0.0,
    seed: int = 1,
) -> np.ndarray:  # fmt: skip
    """Mean light of each row of each frame, shape (n_frames, n_rows), of an uneven scene."""
    rng = np.random.default_rng(seed)
    rows = np.arange(camera.n_rows) / camera.n_rows
    scene = 0.3 + 0.1 * np.sin(5 * rows) + 0.02 * np.sin(70 * rows)
    found = scene * (ambient + shares(camera, flash_s, length_s))
    return (found + noise * rng.standard_normal(found.shape)).astype(np.float32)


def seen(camera: Camera, flash_s: np.ndarray) -> np.ndarray:
    """Which flashes light a row of some frame at all, bool: the others fall between two frames."""
    rows = (flash_s[:, None] - camera.frame_s[None, :]) / camera.line_s
    return ((rows >= 0) & (rows - camera.exposure_s / camera.line_s <= camera.n_rows - 1)).any(axis=1)
