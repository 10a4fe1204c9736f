"""Photographs that scikit-image's wheel ships, as light, moved and turned by known amounts.

gravel and brick: CC0; the motorcycle: Middlebury 2014 stereo data, D. Scharstein and others, GCPR 2014.
"""

from __future__ import annotations

import cv2
import numpy as np
import skimage.data

from timingcam.seeing.pose import Pose, square_on
from timingcam.seeing.shift import Shift, no_shift
from timingcam.seeing.strips import Grid, Sampler, even_out, make_sampler, unwrap

GREY_LEVEL = 1 / 255


def photograph(name: str) -> np.ndarray:
    """Float32, 0 to 1."""
    if name == "motorcycle":
        colour = skimage.data.stereo_motorcycle()[0]
        return cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255
    return getattr(skimage.data, name)().astype(np.float32) / 255


def similarity(params: tuple[float, float, float, float], about: np.ndarray) -> np.ndarray:
    """Matrix of a shift (px), a growth and a turn (radians, clockwise as seen, y being down) about a point."""
    tx, ty, growth, turn = params
    c, s = np.cos(turn), np.sin(turn)
    linear = (1 + growth) * np.array([[c, -s], [s, c]])
    return np.column_stack([linear, about + np.array([tx, ty]) - linear @ about])


def moved(picture: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """The picture with each point carried by a 2 x 3 matrix."""
    size = picture.shape[::-1]
    return cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)


def noisy(picture: np.ndarray, levels: float, seed: int) -> np.ndarray:
    """With white noise of so many grey levels."""
    grain = np.random.default_rng(seed).standard_normal(picture.shape).astype(np.float32)
    return picture + levels * GREY_LEVEL * grain


class Disc:
    """A photograph as the face of a rotor, seen square-on: strips of it at any angle."""

    def __init__(self, name: str, radius_px: float = 200.0, n_angles: int = 1024) -> None:
        self.picture = photograph(name)
        # In the middle: anywhere else a plane square to the line of sight is not parallel to the picture.
        self.centre = np.array([(self.picture.shape[1] - 1) / 2, (self.picture.shape[0] - 1) / 2])
        size = (self.picture.shape[1], self.picture.shape[0])
        self.pose: Pose = square_on(self.centre, radius_px, size)
        self.grid = Grid(np.linspace(0.5, 0.97, 40), n_angles)
        self.sampler: Sampler = make_sampler(self.grid, self.pose)

    def at(self, deg: float, levels: float = 2.0, seed: int = 0) -> np.ndarray:
        """The picture with the disc turned clockwise as seen."""
        return noisy(moved(self.picture, similarity((0, 0, 0, np.radians(deg)), self.centre)), levels, seed)

    def strip(
        self, deg: float, levels: float = 2.0, seed: int = 0, rows: tuple[int, int] | None = None,
        shift: Shift | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """An evened-out strip of it, and where it is known."""
        picture = self.at(deg, levels, seed)
        lit = rows or (0, picture.shape[0] - 1)
        return even_out(*unwrap(self.sampler, picture, shift or no_shift(self.centre), lit), self.grid)
