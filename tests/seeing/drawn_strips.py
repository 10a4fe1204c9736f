"""Strips drawn by hand: bright radial lines of a Gaussian profile on a textured ground, where and as wide as wanted."""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.seeing.strips import Grid

GRID = Grid(np.linspace(0.5, 1.45, 96), 2048)
TEXTURE = 0.04  # rms, where a line's height is 0.5: metal's grain and dirt, alike over some two cells


def ground(grid: Grid, texture: float = TEXTURE, seed: int = 1) -> np.ndarray:
    """A strip without lines."""
    grain = np.random.default_rng(seed).standard_normal((len(grid.radii), grid.n_angles)).astype(np.float32)
    ring = np.concatenate([grain[:, -16:], grain, grain[:, :16]], axis=1)
    soft = cv2.GaussianBlur(ring, (0, 0), 2.0)[:, 16:-16]
    return (texture / soft.std() * soft).astype(np.float32)


def add_line(
    strip: np.ndarray, grid: Grid, deg: float, radii: tuple[float, float], width_deg: float = 1.2, light: float = 0.5
) -> None:
    """Add a radial line, `width_deg` wide at half its height, at an angle to a fraction of a column."""
    away = (np.arange(grid.n_angles) * grid.step_deg - deg + 180) % 360 - 180
    profile = light * np.exp(-0.5 * (away / (width_deg / 2.355)) ** 2)
    strip[(grid.radii >= radii[0]) & (grid.radii <= radii[1])] += profile.astype(np.float32)
