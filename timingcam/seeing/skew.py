"""The rolling shutter's skew of a turning rotor: taken out of a strip, and measured.

In:  pictures of a rotor that turns slowly while the rows of the frame are read one after another.
Out: strips as if all rows had been read at the time of one row; the line time, from how much the rotor is skewed.
Not here: which frames are looked at (`slow.py`).

Row y is read y·L after row 0, so a rotor that turns at w degrees a second stands w·L·(y - y0) further on there than at
row y0. Its upper and its lower half then differ in angle by w·L times the rows between them: with w known from frame to
frame, that difference tells L, the line time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.angles import turned
from timingcam.seeing.cells import RotorMap
from timingcam.seeing.shift import Shift
from timingcam.seeing.strips import Grid, Sampler

# Our choice, where the clip does not tell: a frame is read in a fifth of its period to all of it, evenly spread.
READOUT_SHARE = 0.6
READOUT_SHARE_SD = 0.8 / np.sqrt(12)
MIN_DIFFERENCES = 8
BEND_COLUMNS = 3  # a constant and one wave round the circle: what a pose a little wrong does to the halves


@dataclass(frozen=True, slots=True)
class LineTime:
    """Time from one row to the next, seconds, its sd, and whether the clip told it or it is the usual."""

    line_time_s: float
    sd_s: float
    seen: bool


@dataclass(frozen=True, slots=True)
class Skew:
    """How the rotor turns while a frame is read: degrees a row, clockwise, and the row at which that is 0."""

    deg_per_row: float
    row: float


def usual_line_time(period_s: float, rows: int) -> LineTime:
    """What can be said of the line time without looking."""
    whole = period_s / rows
    return LineTime(READOUT_SHARE * whole, READOUT_SHARE_SD * whole, False)


def skewed(sampler: Sampler, shift: Shift, skew: Skew) -> Sampler:
    """Where a grid's cells lie in a frame that shows the rotor skewed.

    Parameters
    ----------
    sampler : Sampler
        Of the rotor at rest.
    shift : Shift
        From the reference picture to the frame.
    skew : Skew

    Returns
    -------
    Sampler
        Its cells follow the rotor's metal as it stood when row `skew.row` was read.
    """
    if skew.deg_per_row == 0:
        return sampler
    row = shift.apply(sampler.xy_px)[..., 1]
    angle = sampler.grid.angles_rad() + np.radians(skew.deg_per_row * (row - skew.row))
    cells = sampler.grid.radii[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return Sampler(sampler.grid, sampler.pose, sampler.pose.to_image(cells).astype(np.float32))


def weight_of_cells(rotor: RotorMap, turn_deg: float) -> np.ndarray:
    """How much each cell of a strip tells of the angle, at a turn of the rotor, shape (n_radii, n_angles)."""
    along = np.gradient(rotor.light, axis=1)
    information = np.clip(turned((rotor.trust * along**2).astype(np.float32), turn_deg), 0.0, None)
    return information / rotor.variance


def effective_row(weight: np.ndarray, rows: np.ndarray, known: np.ndarray) -> float:
    """The row at whose time an angle read from some cells holds: their mean, weighted by what they tell."""
    part = weight * known
    return float((part * rows).sum() / max(float(part.sum()), 1e-12))


def line_time_from(
    difference_deg: np.ndarray, deg_s_rows: np.ndarray, turn_deg: np.ndarray, usual: LineTime
) -> LineTime:
    """Line time from the angle between both halves of the rotor.

    Parameters
    ----------
    difference_deg : ndarray, shape (n,)
        Angle of the lower half less that of the upper.
    deg_s_rows : ndarray, shape (n,)
        Turning, degrees a second, times the rows between the halves.
    turn_deg : ndarray, shape (n,)
        How the rotor stood.
    usual : LineTime
        What is known without; both are put together by their sds.

    Returns
    -------
    LineTime

    Notes
    -----
    Least squares with a constant and a wave round the circle, which a pose a little wrong leaves; robust by Huber's
    weights. The sd is from the scatter about it.
    """
    if len(difference_deg) < MIN_DIFFERENCES:
        return usual
    angle = np.radians(turn_deg)
    design = np.column_stack([deg_s_rows, np.ones_like(angle), np.cos(angle), np.sin(angle)])
    weight = np.ones(len(angle))
    for _ in range(8):
        normal = design.T @ (weight[:, None] * design) + 1e-9 * np.eye(BEND_COLUMNS + 1)
        fit = np.linalg.solve(normal, design.T @ (weight * difference_deg))
        residual = difference_deg - design @ fit
        sigma = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        weight = np.minimum(1.0, 1.345 * sigma / np.maximum(np.abs(residual), 1e-12))
    freedom = max(len(angle) - BEND_COLUMNS - 1, 1)
    noise = float(np.sqrt((weight * residual**2).sum() / freedom))
    sd = noise * float(np.sqrt(np.linalg.inv(normal)[0, 0]))
    # Frames that follow one another err alike: as if every third were a reading of its own.
    sd *= np.sqrt(3.0)
    share = usual.sd_s**2 / (usual.sd_s**2 + sd**2)
    found = usual.line_time_s + share * (float(fit[0]) - usual.line_time_s)
    return LineTime(max(found, 0.0), float(np.sqrt(share)) * sd, sd < 0.5 * usual.sd_s)


def rows_of_cells(sampler: Sampler, shift: Shift) -> np.ndarray:
    """The row of the frame in which each cell lies, shape (n_radii, n_angles)."""
    return shift.apply(sampler.xy_px)[..., 1]


def coarse_grid(grid: Grid) -> Grid:
    """A grid with about an eighth of the cells, to follow the rotor with."""
    step = max(1, len(grid.radii) // 20)
    return Grid(grid.radii[step // 2 :: step], min(grid.n_angles, 512))
