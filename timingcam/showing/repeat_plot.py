"""Several results of one setting in one picture: a panel a figure, a point with its 95 % interval a clip.

In:  a `Repeat`.
Out: a matplotlib figure.
Not here: words (`repeat_file.py`).
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.reckoning.repeat import Repeat, Repeated
from timingcam.showing import ink
from timingcam.showing.plots import COVERAGE_95, STYLE, new_figure
from timingcam.showing.repeat_file import OUTCOME_WORDS, figure_words, repeat_title

COLUMNS = 2
_AXIS = {"deg": "degrees", "1/min": "rpm", "deg per 1000/min": "degrees in 1000 rpm"}


def repeat_plot(repeated: Repeat) -> Figure:
    """Every figure of every clip, with the mean of all.

    Parameters
    ----------
    repeated : Repeat
        What to draw.

    Returns
    -------
    Figure
    """
    n = len(repeated.figures)
    rows = max(math.ceil(n / COLUMNS), 1)
    with rc_context(STYLE):
        figure = new_figure(height_in=1.3 + 2.1 * rows)
        panels = figure.subplots(rows, COLUMNS, squeeze=False).ravel()
        for axes, one in zip(panels, repeated.figures, strict=False):
            _draw(axes, one, len(repeated.clips))
        for axes in panels[n:]:
            axes.set_axis_off()
        figure.suptitle(repeat_title(repeated), x=0.01, ha="left", fontsize=12.5, fontweight="bold")
        figure.supxlabel("result, in the order given; bars: 95 %; line: mean of all", fontsize=10)
    return figure


def _draw(axes: Axes, one: Repeated, n: int) -> None:
    place = np.array(one.of) + 1
    sound = one.outcome != "spreads more"
    axes.axhline(one.mean, color=ink.SOFT, linewidth=1.2)
    axes.errorbar(
        place, one.values, COVERAGE_95 * np.array(one.sds), fmt="o" if sound else "D", capsize=4,
        color=ink.INK if sound else ink.OUT,
    )  # fmt: skip
    axes.set_xlim(0.5, n + 0.5)
    axes.set_xticks(range(1, n + 1) if n <= 12 else [1, n])
    axes.set_ylabel(_AXIS[one.unit], fontsize=9.5)
    axes.set_title(
        f"{figure_words(one)}:\n{OUTCOME_WORDS[one.outcome]}", loc="left", fontsize=10.5,
        color=ink.INK if sound else ink.OUT,
    )  # fmt: skip
    axes.grid(color=ink.GRID, linewidth=0.7, axis="y")
    axes.set_axisbelow(True)
