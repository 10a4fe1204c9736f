"""The trend of one engine: low-speed and full advance of each cylinder over the years.

In:  `HistoryPoint`s of one engine, with what its spec allowed where that is known.
Out: a matplotlib figure.
Not here: where the points are kept (`keeping/`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib import dates as mdates
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.reckoning.history import HistoryPoint
from timingcam.showing import ink
from timingcam.showing.plots import STYLE, WIDTH_IN, new_figure

_SHAPES = (*ink.SIDE_SHAPES, "^", "D")
_COLOURS = (*ink.SIDES, ink.INK, ink.SOFT)
_LINES = (*ink.SIDE_LINES, ":", "-.")
DAYS_APART = 0.004  # of the span: cylinders of one day stand beside each other


def history_picture(engine_name: str, points: Sequence[HistoryPoint]) -> Figure:
    """Two panels, full advance above low speed, with 95 % bars; days on which something was moved are marked.

    Parameters
    ----------
    engine_name : str
    points : sequence of HistoryPoint
        Of one engine, at least one.

    Returns
    -------
    Figure
    """
    cylinders = list(dict.fromkeys(point.cylinder for point in points))
    with rc_context(STYLE):
        figure = new_figure(WIDTH_IN, 6.6)
        panels = figure.subplots(2, 1, sharex=True)
        for axes, figure_name, title in (
            (panels[0], "full", "Full advance"),
            (panels[1], "low", "Advance at low speed"),
        ):
            for i, cylinder in enumerate(cylinders):
                _draw(axes, [point for point in points if point.cylinder == cylinder], figure_name, (i, len(cylinders)))
            _mark_moves(axes, points)
            _draw_limits(axes, points, figure_name)
            axes.set_title(title, loc="left", fontsize=12)
            axes.set_ylabel("° before TDC")
            axes.grid(color=ink.GRID, linewidth=0.7)
            axes.set_axisbelow(True)
        locator = mdates.AutoDateLocator(minticks=3, maxticks=6)
        panels[1].xaxis.set_major_locator(locator)
        panels[1].xaxis.set_major_formatter(mdates.DateFormatter("%Y-%m-%d"))
        panels[1].tick_params(axis="x", labelsize=9.5)
        figure.suptitle(
            f"{engine_name}: over time, with 95 % intervals", x=0.02, ha="left", fontweight="bold", fontsize=13
        )
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower left", ncols=3, frameon=False, fontsize=9.5)
    return figure


def _draw(axes: Axes, points: Sequence[HistoryPoint], name: str, which: tuple[int, int]) -> None:
    i, n = which
    points = sorted(points, key=lambda point: point.date)
    day = np.array([mdates.date2num(point.date) for point in points])
    found = [getattr(point, name) for point in points]
    value = np.array([np.nan if one is None else one.value for one in found])
    below = np.array([np.nan if one is None else one.value - one.low for one in found])
    above = np.array([np.nan if one is None else one.high - one.value for one in found])
    span = max(float(day.max() - day.min()), 30.0)
    axes.errorbar(
        day + (i - (n - 1) / 2) * DAYS_APART * span,
        value,
        [below, above],
        color=_COLOURS[i % len(_COLOURS)],
        marker=_SHAPES[i % len(_SHAPES)],
        linestyle=_LINES[i % len(_LINES)],
        markersize=6.5,
        linewidth=1.4,
        capsize=3,
        label=points[0].cylinder,
    )
    axes.xaxis_date()


def _draw_limits(axes: Axes, points: Sequence[HistoryPoint], name: str) -> None:
    """What the spec allowed, from the day of one entry to that of the next; the last of a day counts."""
    known = {
        mdates.date2num(point.date): limits
        for point in sorted(points, key=lambda point: point.date)
        if (limits := getattr(point, f"{name}_limits_deg")) is not None
    }
    if not known:
        return
    view = axes.get_xlim()
    days = np.array([*known, max(view[1], max(known) + 1)])
    # What the first entry with a spec says stood before it as well, as far as anybody knows.
    days[0] = min(view[0], days[0])
    low, high = np.array([*known.values(), list(known.values())[-1]]).T
    axes.fill_between(
        days, low, high, step="post", facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, hatch="...", linewidth=0,
        alpha=0.55, zorder=0,
    )  # fmt: skip
    for edge in (low, high):
        axes.step(days, edge, where="post", color=ink.SPEC_EDGE, linewidth=1.3, linestyle=(0, (5, 2)), zorder=0)
    axes.fill(np.nan, np.nan, facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, hatch="...", label="spec: allowed band")
    axes.set_xlim(*view)


def _mark_moves(axes: Axes, points: Sequence[HistoryPoint]) -> None:
    label: str | None = "something was moved before"
    for date in sorted({point.date for point in points if point.moved}):
        axes.axvline(mdates.date2num(date), color=ink.SOFT, linewidth=1.1, linestyle=(0, (2, 3)), label=label, zorder=0)
        label = None
