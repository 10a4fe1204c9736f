"""Where one picture lies against another.

In:  numbers found elsewhere (`register.py`).
Out: `Shift`, the similarity that takes reference pixels to a frame's pixels, with its covariance.
Not here: how it is found.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Reference pixel x to frame pixel: x' = c + (1 + a)·(x - c) + b·turned(x - c) + t, in parameters (t_x, t_y, a, b).

    `a` is the growth, `b` the turn in radians (clockwise as seen), about the point `about_px`.
    """

    params: np.ndarray  # (4,)
    covariance: np.ndarray  # (4, 4)
    about_px: np.ndarray  # (2,)
    residual: float  # rms of light, relative to the reference's contrast
    # How much further apart single parts of what stands still lie than one shift has them, covariance, px², (2, 2):
    # they stand in several planes, and a hand that sways sees them move against one another.
    apart_px2: np.ndarray = field(default_factory=lambda: np.zeros((2, 2)))

    def apply(self, xy_px: np.ndarray) -> np.ndarray:
        """Reference pixels, shape (..., 2), to this frame's pixels."""
        tx, ty, a, b = self.params
        d = xy_px - self.about_px
        x = d[..., 0] * (1 + a) - b * d[..., 1] + tx
        y = d[..., 1] * (1 + a) + b * d[..., 0] + ty
        return np.stack([x, y], axis=-1) + self.about_px

    def about(self, about_px: np.ndarray) -> Shift:
        """The same, told about another point."""
        about_px = np.asarray(about_px, float)
        return replace(self, params=np.r_[self.apply(about_px) - about_px, self.params[2:]], about_px=about_px)

    def from_corner(self, corner_px: tuple[int, int]) -> Shift:
        """The same into the pixels of a part of the frame that begins at a corner, x and y."""
        return replace(self, params=self.params - np.array([*corner_px, 0, 0]))

    def smaller(self, by: int) -> Shift:
        """The same between pictures so many times smaller."""
        covariance = self.covariance / np.outer([by, by, 1, 1], [by, by, 1, 1])
        params = self.params / np.array([by, by, 1, 1])
        about_px = (self.about_px + 0.5) / by - 0.5
        return replace(self, params=params, covariance=covariance, about_px=about_px, apart_px2=self.apart_px2 / by**2)

    def matrix(self) -> np.ndarray:
        """The same as a 3 x 3 matrix, reference to frame."""
        tx, ty, a, b = self.params
        cx, cy = self.about_px
        linear = np.array([[1 + a, -b], [b, 1 + a]])
        m = np.eye(3)
        m[:2, :2] = linear
        m[:2, 2] = self.about_px + np.array([tx, ty]) - linear @ np.array([cx, cy])
        return m


def no_shift(about_px: np.ndarray) -> Shift:
    """The reference against itself."""
    return Shift(np.zeros(4), np.zeros((4, 4)), np.asarray(about_px, float), 0.0)


def between(first: Shift, second: Shift) -> Shift:
    """From the first's pixels to the second's, of two shifts from one reference."""
    m = second.matrix() @ np.linalg.inv(first.matrix())
    about = first.about_px
    moved = m[:2, :2] @ about + m[:2, 2] - about
    params = np.array([moved[0], moved[1], m[0, 0] - 1, m[1, 0]])
    return Shift(params, first.covariance + second.covariance, about, max(first.residual, second.residual))
