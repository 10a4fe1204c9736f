"""How far each reading lies off the fitted curve: the strip below the advance curve.

In:  a `Measurement`, and axes to draw in.
Out: nothing; it draws.
Not here: the curve itself (`plots.py`).
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from timingcam.reckoning.result import Measurement
from timingcam.showing import ink

COVERAGE_95 = 1.959964  # normal distribution, two-sided 95 %
MANY_READINGS = 120  # our choice: the most whose error bars can still be told apart at a telephone's width
LEAST_REACH_DEG = 1.0  # our choice: a strip finer than this would blow up what nobody can set


def draw_misfit(axes: Axes, m: Measurement, size: float) -> None:
    """Draw each reading used, its distance from the curve, and its own 95 %.

    Parameters
    ----------
    axes : Axes
        Shares its speeds with the curve's.
    m : Measurement
        With a fitted curve.
    size : float
        Of a marker, points squared.
    """
    r, c = m.readings, m.curve
    off_deg = r.advance_deg - np.interp(r.rpm, c.grid_rpm, c.grid_advance_deg)
    half = COVERAGE_95 * c.grid_random_sd_deg
    axes.fill_between(c.grid_rpm, -half, half, facecolor=ink.BAND, linewidth=0, zorder=1)
    axes.axhline(0.0, color=ink.INK, linewidth=1.6, zorder=2)
    used = r.used & np.isfinite(off_deg)
    if not used.any():
        return
    trend = ink.speed_trend(r)
    for kind in ink.TRENDS:
        these = used & (trend == kind.direction)
        axes.scatter(
            r.rpm[these], off_deg[these], size, marker=kind.shape, edgecolors=kind.colour,
            facecolors=kind.colour if kind.filled else "none", linewidths=0.8, alpha=0.8, zorder=3,
        )  # fmt: skip
    bars = used & np.isfinite(r.advance_sd_deg)
    if 0 < bars.sum() <= MANY_READINGS:
        axes.errorbar(
            r.rpm[bars], off_deg[bars], COVERAGE_95 * r.advance_sd_deg[bars], fmt="none", ecolor=ink.SOFT,
            elinewidth=0.8, alpha=0.7, zorder=2,
        )  # fmt: skip
    reach = max(float(np.max(np.abs(off_deg[used]))), LEAST_REACH_DEG)
    axes.set_ylim(-1.15 * reach, 1.15 * reach)


def usual_doubt(m: Measurement) -> str:
    """What a bar on a reading means, with the usual size of it; empty where none is known."""
    r = m.readings
    used = r.used & np.isfinite(r.advance_sd_deg) & np.isfinite(r.rpm)
    if not used.any():
        return ""
    return f"95 % of one reading: ± {np.median(COVERAGE_95 * r.advance_sd_deg[used]):.2f}°"
