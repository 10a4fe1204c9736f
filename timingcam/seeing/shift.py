"""Where one picture lies against another.

In:  numbers found elsewhere (`register.py`).
Out: `Shift`, what takes reference pixels to a frame's pixels, with its covariance.
Not here: how it is found.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Reference pixel x, d = x - c off the point c = `about_px`, to frame pixel

        x' = c + ((1 + a)·d + b·turned(d) + t) / (1 + g·d) - `corner_px`,

    in parameters (t_x, t_y, a, b), and g = `aslant`, per pixel. `a` is the growth, `b` the turn in radians (clockwise
    as seen). A phone that is carried aside moves the picture as it is; one that is turned away by t/f, with its focal
    length f, sees it aslant by g = -t/f² as well (Hartley & Zisserman, Multiple View Geometry, 8.4.2: a camera that
    turns about its centre sees a homography, K·R·K⁻¹; from memory).
    """

    params: np.ndarray  # (4,)
    covariance: np.ndarray  # (4, 4)
    about_px: np.ndarray  # (2,)
    residual: float  # rms of light, relative to the reference's contrast
    # How much further apart single parts of what stands still lie than one shift has them, covariance, px², (2, 2):
    # they stand in several planes, and a hand that sways sees them move against one another.
    apart_px2: np.ndarray = field(default_factory=lambda: np.zeros((2, 2)))
    aslant: np.ndarray = field(default_factory=lambda: np.zeros(2))
    corner_px: np.ndarray = field(default_factory=lambda: np.zeros(2))  # of the frame's part that is counted from

    def apply(self, xy_px: np.ndarray) -> np.ndarray:
        """Reference pixels, shape (..., 2), to this frame's pixels."""
        tx, ty, a, b = self.params
        d = xy_px - self.about_px
        x = d[..., 0] * (1 + a) - b * d[..., 1] + tx
        y = d[..., 1] * (1 + a) + b * d[..., 0] + ty
        moved = np.stack([x, y], axis=-1)
        if self.aslant.any():
            moved /= (1 + d @ self.aslant)[..., None]
        return moved + (self.about_px - self.corner_px)

    def about(self, about_px: np.ndarray) -> Shift:
        """The same, told about another point; where it is aslant as well, to first order."""
        return _told(self.matrix(), self, np.asarray(about_px, float))

    def from_corner(self, corner_px: tuple[int, int]) -> Shift:
        """The same into the pixels of a part of the frame that begins at a corner, x and y."""
        return replace(self, corner_px=self.corner_px + np.array(corner_px, float))

    def smaller(self, by: int) -> Shift:
        """The same between pictures so many times smaller."""
        covariance = self.covariance / np.outer([by, by, 1, 1], [by, by, 1, 1])
        return replace(
            self, params=self.params / np.array([by, by, 1, 1]), covariance=covariance,
            about_px=(self.about_px + 0.5) / by - 0.5, apart_px2=self.apart_px2 / by**2, aslant=self.aslant * by,
            corner_px=self.corner_px / by,
        )  # fmt: skip

    def matrix(self) -> np.ndarray:
        """The same as a 3 x 3 matrix of homogeneous pixels, reference to frame, its last element 1."""
        tx, ty, a, b = self.params
        m = np.array([[1 + a, -b, tx], [b, 1 + a, ty], [*self.aslant, 1.0]])
        m = _from_place(self.about_px - self.corner_px) @ m @ _from_place(-self.about_px)
        return m / m[2, 2]


def _from_place(xy_px: np.ndarray) -> np.ndarray:
    m = np.eye(3)
    m[:2, 2] = xy_px
    return m


def _told(matrix: np.ndarray, like: Shift, about_px: np.ndarray) -> Shift:
    """A matrix as a shift about a point."""
    m = _from_place(-about_px) @ matrix @ _from_place(about_px)
    m = m / m[2, 2]
    params = np.array([m[0, 2], m[1, 2], 0.5 * (m[0, 0] + m[1, 1]) - 1, 0.5 * (m[1, 0] - m[0, 1])])
    return replace(like, params=params, about_px=about_px, aslant=m[2, :2].copy(), corner_px=np.zeros(2))


def moved_by(matrix: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    """Pixels, shape (..., 2), as a 3 x 3 matrix of homogeneous ones moves them."""
    at = xy_px @ matrix[:, :2].T + matrix[:, 2]
    return at[..., :2] / at[..., 2:]


def no_shift(about_px: np.ndarray) -> Shift:
    """The reference against itself."""
    return Shift(np.zeros(4), np.zeros((4, 4)), np.asarray(about_px, float), 0.0)


def between(first: Shift, second: Shift) -> Shift:
    """From the first's pixels to the second's, of two shifts from one reference; to first order where they are
    aslant."""
    both = replace(
        first,
        covariance=first.covariance + second.covariance,
        residual=max(first.residual, second.residual),
        apart_px2=np.zeros((2, 2)),
    )
    return _told(second.matrix() @ np.linalg.inv(first.matrix()), both, first.about_px)
