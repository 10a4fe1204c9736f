"""A picture of the rotor to a strip: radius down, angle along, seen square-on.

In:  a picture, the rotor's plane, the frame's shift, the rows that are lit.
Out: strips, shape (n_radii, n_angles), with the share of each cell that is known.
Not here: what the strips show.

A strip is evened out along the angle, so that light that falls more on one side than on another, or a broad sheen,
does not count as a mark.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from timingcam.seeing.shift import Shift

# Our choice: what is wider than this along the rim is light, not a mark (bolts and holes are narrower).
EVEN_OUT_DEG = 24.0
FAINT_SDS = 5.0  # our choice: a pattern this many noise sds strong counts by a quarter
FAINT_LIGHT = 0.06  # our choice: coding is off by a few codes of some 80 in lit metal, a twentieth of the light
DARKEST = 0.15  # our choice: of the median; what is darker is as noisy as if it were that bright
NOWHERE_PX = -1e5  # outside of any picture
ENOUGH_AROUND = 0.85  # our choice: of the window along the angle


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The cells of a strip: radii in rotor radii, shape (n_radii,); angles evenly over a full turn from 0, degrees."""

    radii: np.ndarray
    n_angles: int

    @property
    def step_deg(self) -> float:
        """Degrees from one column to the next."""
        return 360.0 / self.n_angles

    def some(self, rows: np.ndarray) -> Grid:
        """The grid of some of the radii."""
        return Grid(self.radii[rows], self.n_angles)

    def angles_rad(self) -> np.ndarray:
        """Angle of each column."""
        return np.arange(self.n_angles) * (2 * np.pi / self.n_angles)


def make_grid(radius_px: float, inner: float, outer: float, most_angles: int = 2048, most_radii: int = 96) -> Grid:
    """A grid about as fine as the picture, no finer than the bounds."""
    n_angles = int(np.clip(2 ** np.ceil(np.log2(2 * np.pi * radius_px * outer)), 512, most_angles))
    n_radii = int(np.clip((outer - inner) * radius_px / 1.5, 16, most_radii))
    return Grid(np.linspace(inner, outer, n_radii), n_angles)


class Lies(Protocol):
    """What says where places on a rotor lie in the picture: `Pose` or `Drum`."""

    def to_image(self, xy: np.ndarray) -> np.ndarray:
        """Positions on the rotor, shape (..., 2), to pixels; NaN where they cannot be seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Where only a part of the rotor shows: its place, shape (h, w) of bool, and the mean picture, in the reference.

    No mean is needed where so much shows that each cell is held against what lies about it.
    """

    shows: np.ndarray
    mean: np.ndarray | None = None

    def shows_at(self, at_px: np.ndarray) -> np.ndarray:
        """Which places show it, shape (n,) of bool for (n, 2); beside the picture, as at its edge."""
        x, y = np.clip(np.round(at_px).astype(int), 0, np.array(self.shows.shape[::-1]) - 1).T
        return np.asarray(self.shows[y, x])


@dataclass(frozen=True, slots=True, eq=False)
class Sampler:
    """Where a grid's cells lie in the reference picture, worked out once: `xy_px` shape (n_radii, n_angles, 2).

    Where only a part of the rotor shows, `shows` says which cells, and `usual` their mean light, if that is needed.
    """

    grid: Grid
    pose: Lies
    xy_px: np.ndarray
    shows: np.ndarray | None = None
    usual: np.ndarray | None = None

    @property
    def share(self) -> float:
        """Share of the cells that show the rotor."""
        return 1.0 if self.shows is None else float(self.shows.mean())

    def corners_px(self) -> np.ndarray:
        """Corners of what holds all cells that can be seen, in the reference picture, shape (4, 2)."""
        seen = self.xy_px[..., 0] > NOWHERE_PX / 2
        if self.shows is not None:
            seen &= self.shows
        if not seen.any():
            return np.zeros((4, 2))
        at = self.xy_px[seen]
        (x0, y0), (x1, y1) = at.min(axis=0), at.max(axis=0)
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def make_sampler(grid: Grid, pose: Lies, part: Part | None = None) -> Sampler:
    """Work out where the cells of a grid lie in the reference picture, and which of them show the rotor."""
    angle = grid.angles_rad()
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    xy_px = np.nan_to_num(pose.to_image(grid.radii[:, None, None] * unit), nan=NOWHERE_PX).astype(np.float32)
    if part is None:
        return Sampler(grid, pose, xy_px)
    shows = _read(part.shows.astype(np.float32), xy_px, cv2.BORDER_CONSTANT) > 0.99
    return Sampler(grid, pose, xy_px, shows, None if part.mean is None else _read(part.mean, xy_px))


def read_strip(
    sampler: Sampler, picture: np.ndarray, shift: Shift, rows: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Read a picture's strip and even it out: `unwrap`, then `even_out` or, of a small part of it, `against_usual`."""
    strip, known = unwrap(sampler, picture, shift, rows)
    if sampler.usual is None:
        return even_out(strip, known, sampler.grid)
    return against_usual(strip, known, sampler.usual), known


def unwrap(sampler: Sampler, picture: np.ndarray, shift: Shift, rows: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Read a picture's strip.

    Parameters
    ----------
    sampler : Sampler
    picture : ndarray, shape (h, w), float32
    shift : Shift
        From the reference picture to this one.
    rows : (int, int)
        First and last row lit in full.

    Returns
    -------
    strip, known : ndarray, shape (n_radii, n_angles), float32 and bool
    """
    return unwrap_by(sampler, picture, shift.matrix(), rows)


def unwrap_by(
    sampler: Sampler, picture: np.ndarray, matrix: np.ndarray, rows: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """`unwrap` by a shift's matrix."""
    maps = cv2.perspectiveTransform(sampler.xy_px, matrix)
    strip = _read(picture, maps)
    x, y = maps[..., 0], maps[..., 1]
    known = (y >= rows[0]) & (y <= rows[1]) & (x >= 0) & (x <= picture.shape[1] - 1)
    known &= sampler.xy_px[..., 0] > NOWHERE_PX / 2
    return strip, known if sampler.shows is None else known & sampler.shows


def even_out(strip: np.ndarray, known: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Take out what varies slowly along the angle, and bring each strip to the same contrast; 0 where not known.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles), float32
    known : ndarray of bool, same shape
    grid : Grid

    Returns
    -------
    strip, known : ndarray, same shapes
        Known only where the light around a cell is known well enough on both sides to be taken out.
    """
    width = max(3, round(EVEN_OUT_DEG / grid.step_deg) | 1)
    weight = known.astype(np.float32)
    share = _blur_around(weight, width)
    level = _blur_around(strip * weight, width)
    level /= np.maximum(share, 1e-3)
    # Relative to the light there: a mark in the shade is as much a mark.
    floor = DARKEST * float(np.median(level[known])) + 1e-6 if known.any() else 1.0
    known = known & (share > ENOUGH_AROUND)
    return (strip - level) / np.maximum(level, floor) * known, known


def against_usual(strip: np.ndarray, known: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """How far a strip is off what its places usually show, as a share of that; 0 where not known.

    Through a small opening little is seen on either side of a cell, and less of it near the opening's edge: so it is
    not what lies beside a cell that its light is held against, but what other flashes show there.
    """
    if not known.any():
        return np.zeros_like(strip)
    floor = DARKEST * float(np.median(usual[known])) + 1e-6
    gain = float(np.median(strip[known] / np.maximum(usual[known], floor)))
    return (strip / max(gain, 1e-6) - usual) / np.maximum(usual, floor) * known


def recentred(
    strip: np.ndarray, known: np.ndarray, grid: Grid, centre: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """The strip about a centre a little aside of the one it was taken about.

    Parameters
    ----------
    strip, known : ndarray, shape (n_radii, n_angles)
    grid : Grid
    centre : (float, float)
        How far aside, x and y, in rotor radii; less than the strip's breadth.

    Returns
    -------
    strip, known : ndarray, shape (n_radii, n_angles)
    """
    x, y = centre
    angle, radius = grid.angles_rad()[None, :], grid.radii[:, None]
    c, s = np.cos(angle), np.sin(angle)
    column = (angle + (c * y - s * x) / radius) / (2 * np.pi) * grid.n_angles
    row = (radius + c * x + s * y - grid.radii[0]) / (grid.radii[-1] - grid.radii[0]) * (len(grid.radii) - 1)
    pad = int(np.ceil(np.abs(column - np.arange(grid.n_angles)).max())) + 3
    at = (column + pad).astype(np.float32), np.broadcast_to(row, column.shape).astype(np.float32)

    def moved(cells: np.ndarray, how: int) -> np.ndarray:
        ring = np.concatenate([cells[:, -pad:], cells, cells[:, :pad]], axis=1).astype(np.float32)
        return cv2.remap(ring, *at, how, borderMode=cv2.BORDER_REPLICATE)

    inside = (at[1] >= 0) & (at[1] <= len(grid.radii) - 1)
    return moved(strip, cv2.INTER_CUBIC), (moved(known, cv2.INTER_LINEAR) > 0.99) & inside


def pattern_trust(light: np.ndarray, noise_variance: float) -> np.ndarray:
    """How far each cell of a pattern can be believed, 0 to 1: the share of its strength in its own and the noise's,
    squared.

    Video coding blurs faint texture, or carries it over from the picture before, where the rotor stood elsewhere;
    strong marks, letters and edges come through.
    """
    strength = cv2.blur(light.astype(np.float32) ** 2, (5, 5))
    return ((strength / (strength + FAINT_SDS**2 * noise_variance + FAINT_LIGHT**2)) ** 2).astype(np.float32)


def _read(picture: np.ndarray, xy_px: np.ndarray, border: int = cv2.BORDER_REPLICATE) -> np.ndarray:
    return cv2.remap(picture, xy_px, None, cv2.INTER_LINEAR, None, border)  # type: ignore[call-overload]


def _blur_around(strip: np.ndarray, width: int) -> np.ndarray:
    """Mean over `width` columns, the strip closed into a ring; twice, so that the window has no hard edge."""
    half = width
    ring = np.concatenate([strip[:, -half:], strip, strip[:, :half]], axis=1)
    ring = cv2.blur(cv2.blur(ring, (width // 2 | 1, 1)), (width // 2 | 1, 1))
    return ring[:, half:-half]
