"""`adjust.png`: each cylinder's curve now, where it should be afterwards, and the spec.

In:  `Moves`, `Spec`.
Out: a matplotlib figure.
Not here: which moves (`reckoning/adjust.py`).
"""

from __future__ import annotations

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.engine import Spec
from timingcam.reckoning.aim import COVERAGE_95
from timingcam.reckoning.moves import Moves, Outlook
from timingcam.showing import ink
from timingcam.showing.plots import STYLE, WIDTH_IN, draw_spec, new_figure

PANEL_IN, HEAD_IN = 3.4, 1.3


def moves_picture(moves: Moves, spec: Spec) -> Figure:
    """One panel a cylinder, one above the other, over the same speeds.

    Parameters
    ----------
    moves : Moves
    spec : Spec

    Returns
    -------
    Figure
    """
    with rc_context(STYLE):
        figure = new_figure(WIDTH_IN, HEAD_IN + PANEL_IN * len(moves.outlook))
        panels = figure.subplots(len(moves.outlook), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for axes, outlook in zip(panels, moves.outlook, strict=True):
            _draw(axes, outlook, spec)
        panels[-1].set_xlabel("crank speed, rpm")
        figure.suptitle(_title(moves), x=0.02, ha="left", fontweight="bold", fontsize=13)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower left", ncols=2, frameon=False, fontsize=9.5)
    return figure


def _title(moves: Moves) -> str:
    if not moves.steps:
        return f"{moves.engine_name}: leave everything where it is"
    return f"{moves.engine_name}: now, and after moving\n{', then '.join(move.adjuster for move in moves.steps)}"


def _draw(axes: Axes, outlook: Outlook, spec: Spec) -> None:
    rpm = outlook.grid_rpm
    pad = 0.03 * max(float(rpm[-1] - rpm[0]), 100.0)
    axes.set_xlim(float(rpm[0]) - pad, float(rpm[-1]) + pad)
    values = [outlook.now_deg.min(), outlook.now_deg.max(), outlook.after_deg.min(), outlook.after_deg.max()]
    values += [outlook.low_aim_deg - spec.tolerance_deg, outlook.full_aim_deg + spec.tolerance_deg]
    values += [spec.full_advance_max_deg] if spec.full_advance_max_deg is not None else []
    # The panels share their scale, so the second must not undo what the first needed.
    seen = axes.get_ylim() if axes.has_data() else (min(values) - 1.5, max(values) + 1.5)
    axes.set_ylim(min(seen[0], min(values) - 1.5), max(seen[1], max(values) + 1.5))
    draw_spec(axes, spec)
    axes.plot(rpm, outlook.now_deg, color=ink.INK, linewidth=2.2, label="measured now")
    axes.plot(
        rpm, outlook.after_deg, color=ink.RISING, linewidth=2.2, linestyle=(0, (4, 2)), label="expected afterwards"
    )
    half = COVERAGE_95 * outlook.after_sd_deg
    axes.fill_between(
        rpm, outlook.after_deg - half, outlook.after_deg + half, facecolor=ink.RISING, edgecolor=ink.RISING,
        linewidth=0.6, alpha=0.22, label="its 95 % band, the hand's error in it",
    )  # fmt: skip
    at = len(rpm) // 8
    if abs(outlook.shift_deg) > 0:
        axes.annotate(
            "",
            (rpm[at], outlook.after_deg[at]),
            (rpm[at], outlook.now_deg[at]),
            arrowprops={"arrowstyle": "->", "color": ink.RISING, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
        )
    way = "earlier" if outlook.shift_deg > 0 else "later"
    change = f"{abs(outlook.shift_deg):.1f}° {way}" if outlook.shift_deg else "stays"
    axes.set_title(f"{outlook.cylinder}: {change}", loc="left", fontsize=12)
    axes.set_ylabel("advance, ° before TDC")
    axes.grid(color=ink.GRID, linewidth=0.7)
    axes.set_axisbelow(True)
