"""A batch as a picture: low-speed and full advance of every clip, with their intervals, against the spec's band.

In:  outcomes.
Out: a matplotlib figure.
Not here: its file.
"""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from timingcam.batch.job import Figures, Outcome
from timingcam.reckoning.checks import verdict
from timingcam.reckoning.result import Estimate
from timingcam.showing import ink
from timingcam.showing.plots import STYLE, new_figure

WIDTH_IN = 8.2
ROW_IN = 0.34  # our choice: a line of text and air
MOST_ROWS = 600  # our choice: some 200 inches; the table has them all
NAME_CHARACTERS = 30  # our choice: of a clip's name; the end tells takes apart
MARKERS = {"in": ("o", ink.INK), "out": ("X", ink.OUT), "unsure": ("D", ink.SPEC_EDGE), None: ("o", ink.SOFT)}
WORDS = {"in": "within", "out": "outside", "unsure": "cannot tell", None: "not judged"}


def batch_picture(outcomes: Sequence[Outcome]) -> Figure:
    """Every clip a row, low-speed advance in the left panel, full advance in the right one.

    Parameters
    ----------
    outcomes : sequence of Outcome
        At least one; the first `MOST_ROWS` are drawn.

    Returns
    -------
    Figure
    """
    shown = list(outcomes[:MOST_ROWS])
    with rc_context(STYLE):
        figure = new_figure(WIDTH_IN, 1.9 + ROW_IN * len(shown))
        figure.set_dpi(_dpi(len(shown)))
        low, full = figure.subplots(1, 2, sharey=True)
        for axes, title in ((low, "Advance at low speed"), (full, "Full advance")):
            axes.set_title(title, loc="left", fontsize=12)
            axes.set_xlabel("° before TDC")
            axes.grid(axis="x", color=ink.GRID, linewidth=0.7)
            axes.set_axisbelow(True)
        for row, one in enumerate(shown):
            _draw_row(low, full, row, one)
        low.set_ylim(len(shown) - 0.4, -0.6)
        low.set_yticks(range(len(shown)), [_label(one) for one in shown], fontsize=9.5)
        low.tick_params(axis="y", length=0)
        full.tick_params(axis="y", length=0)
        figure.suptitle(_title(outcomes, len(shown)), x=0.02, ha="left", fontweight="bold", fontsize=13)
        figure.legend(handles=_legend(shown), loc="outside lower left", ncols=5, frameon=False, fontsize=9.5)
    return figure


def _draw_row(low: Axes, full: Axes, row: int, one: Outcome) -> None:
    if one.figures is None:
        low.text(0.02, row, f"{one.state}: see batch.csv", transform=low.get_yaxis_transform(), va="center",
                 fontsize=9, color=ink.SOFT, style="italic")  # fmt: skip
        return
    figures: Figures = one.figures
    for axes, estimate, limits in ((low, figures.low, figures.low_limits), (full, figures.full, figures.full_limits)):
        if estimate is None:
            axes.text(0.02, row, "not shown by this clip", transform=axes.get_yaxis_transform(), va="center",
                      fontsize=9, color=ink.SOFT, style="italic")  # fmt: skip
            continue
        _draw_band(axes, row, limits)
        marker, colour = MARKERS[_judged(estimate, limits)]
        axes.errorbar(
            estimate.value, row, xerr=[[estimate.value - estimate.low], [estimate.high - estimate.value]],
            marker=marker, color=colour, markersize=6.5, capsize=3.5, linewidth=1.6, zorder=3,
        )  # fmt: skip


def _draw_band(axes: Axes, row: int, limits: tuple[float | None, float | None]) -> None:
    low, high = limits
    if low is not None and high is not None:
        axes.fill_betweenx(
            [row - 0.42, row + 0.42], low, high, facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, linewidth=0.8,
            zorder=1,
        )  # fmt: skip


def _judged(estimate: Estimate, limits: tuple[float | None, float | None]) -> str | None:
    return None if limits == (None, None) else verdict(estimate.low, estimate.high, *limits)


def _label(one: Outcome) -> str:
    name = "".join(c if _in_font(c) else "?" for c in one.job.shown)
    if len(name) > NAME_CHARACTERS:
        name = name.rpartition("/")[2]
    short = name if len(name) <= NAME_CHARACTERS else "…" + name[1 - NAME_CHARACTERS :]
    return f"{short}, {one.job.cylinder}"


def _in_font(character: str) -> bool:
    return bool(get_font(findfont(FontProperties())).get_char_index(ord(character)))


def _title(outcomes: Sequence[Outcome], n_shown: int) -> str:
    measured = sum(one.state == "measured" for one in outcomes)
    more = f"; the first {n_shown} drawn" if n_shown < len(outcomes) else ""
    return f"{measured} of {len(outcomes)} clips measured, with 95 % intervals{more}"


def _legend(shown: Sequence[Outcome]) -> list[Line2D | Patch]:
    pairs = [
        (estimate, limits)
        for one in shown
        if (f := one.figures) is not None
        for estimate, limits in ((f.low, f.low_limits), (f.full, f.full_limits))
        if estimate is not None
    ]
    found = {_judged(estimate, limits) for estimate, limits in pairs}
    handles: list[Line2D | Patch] = []
    if found - {None}:
        handles.append(Patch(facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, label="spec allows"))
    for key, (marker, colour) in MARKERS.items():
        if key in found:
            handles.append(Line2D([], [], marker=marker, color=colour, markersize=6.5, label=WORDS[key]))
    return handles


def _dpi(n_rows: int) -> int:
    # Long pictures coarser: 20 000 pixels are what viewers still open.
    return min(190, int(20_000 / (1.9 + ROW_IN * n_rows)))
