"""Two measurements in one picture: both curves, and their difference.

In:  two `Measurement`s and their `Comparison`.
Out: a matplotlib figure.
Not here: one measurement alone (`plots.py`).

The first is plum, round and drawn through; the second is amber, square and dashed.
"""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.reckoning.compare import Comparison
from timingcam.reckoning.result import Measurement
from timingcam.showing import ink
from timingcam.showing.compare_file import comparison_title
from timingcam.showing.plots import COVERAGE_95, STYLE, draw_spec, new_figure

HEIGHT_IN = 8.2


def compare_plot(first: Measurement, second: Measurement, comparison: Comparison) -> Figure:
    """Both curves above, their difference with its 95 % band below.

    Parameters
    ----------
    first, second : Measurement
        As compared.
    comparison : Comparison
        Of these two.

    Returns
    -------
    Figure
    """
    c = comparison
    with rc_context(STYLE):
        figure = new_figure(height_in=HEIGHT_IN)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 2])
        _set_view(upper, first, second)
        if first.engine.spec is not None:
            draw_spec(upper, first.engine.spec)
        for place, (one, side) in enumerate(((first, c.first), (second, c.second))):
            _draw_side(upper, one, side.name, place)
        _draw_difference(lower, comparison, first)
        upper.set_ylabel("advance,\ncrank degrees before TDC")
        upper.set_title(f"{first.engine.name}: {_names(c)}", loc="left", fontweight="bold", pad=10)
        lower.set_title(comparison_title(c), loc="left", fontsize=12)
        lower.set_xlabel("crank speed, rpm")
        lower.set_ylabel("difference, crank degrees")
        for axes in (upper, lower):
            axes.grid(color=ink.GRID, linewidth=0.7)
            axes.set_axisbelow(True)
        figure.legend(loc="outside lower left", ncols=2, frameon=False, fontsize=9.5, handlelength=2.6)
    return figure


def _set_view(axes: Axes, first: Measurement, second: Measurement) -> None:
    rpm = np.concatenate([m.curve.grid_rpm for m in (first, second)])
    advance = np.concatenate([m.readings.advance_deg[m.readings.used] for m in (first, second)])
    advance = np.concatenate([advance[np.isfinite(advance)], *(m.curve.grid_advance_deg for m in (first, second))])
    if len(rpm) == 0 or len(advance) == 0:
        return
    low, high = float(advance.min()), float(advance.max())
    spec = first.engine.spec
    if spec is not None:
        aim = np.interp(np.linspace(rpm.min(), rpm.max(), 50), *np.array(spec.curve).T)
        low, high = min(low, float(aim.min()) - spec.tolerance_deg), max(high, float(aim.max()) + spec.tolerance_deg)
    pad_rpm = max(0.04 * float(np.ptp(rpm)), 100.0)
    pad = max(0.08 * (high - low), 1.0)
    axes.set_xlim(float(rpm.min()) - pad_rpm, float(rpm.max()) + pad_rpm)
    axes.set_ylim(low - pad, high + pad)
    axes.set_autoscale_on(False)


def _draw_side(axes: Axes, m: Measurement, name: str, place: int) -> None:
    colour, shape, dash = ink.SIDES[place], ink.SIDE_SHAPES[place], ink.SIDE_LINES[place]
    r, c = m.readings, m.curve
    seen = r.used & np.isfinite(r.rpm) & np.isfinite(r.advance_deg)
    axes.scatter(
        r.rpm[seen], r.advance_deg[seen], 13, marker=shape, facecolors=colour if place == 0 else "none",
        edgecolors=colour, linewidths=0.7, alpha=0.55, label=f"{name}: reading ({seen.sum()})", zorder=3,
    )  # fmt: skip
    half = COVERAGE_95 * c.grid_sd_deg
    axes.fill_between(
        c.grid_rpm, c.grid_advance_deg - half, c.grid_advance_deg + half, facecolor=colour, edgecolor=ink.INK,
        linewidth=0.5, alpha=0.3, zorder=4,
    )  # fmt: skip
    axes.plot(
        c.grid_rpm, c.grid_advance_deg, color=colour, linestyle=dash, linewidth=2.2,
        label=f"{name}: curve and 95 % band", zorder=5,
    )  # fmt: skip


def _draw_difference(axes: Axes, c: Comparison, first: Measurement) -> None:
    axes.axhline(0.0, color=ink.INK, linewidth=0.9)
    half = COVERAGE_95 * c.sd_deg
    reach = [1.0]
    if len(c.rpm):
        axes.fill_between(
            c.rpm, c.difference_deg - half, c.difference_deg + half, facecolor=ink.BAND, edgecolor=ink.INK,
            linewidth=0.6, hatch="\\\\\\\\", label="difference's 95 % band",
        )  # fmt: skip
        axes.plot(c.rpm, c.difference_deg, color=ink.INK, linewidth=1.9, label="difference")
        reach.append(float(np.max(np.abs(c.difference_deg) + half)))
    for at in (c.at_idle, c.at_full_advance):
        if at is not None and not len(c.rpm):
            d = at.difference_deg
            axes.errorbar(
                [at.rpm], [d.value], [[d.value - d.low], [d.high - d.value]], fmt="o", color=ink.INK, capsize=4
            )
            reach.append(max(abs(d.low), abs(d.high)))
    spec = first.engine.spec
    if c.kind == "left-right" and spec is not None and spec.left_right_deg is not None:
        for place, edge in enumerate((spec.left_right_deg, -spec.left_right_deg)):
            label = "spec: largest difference allowed" if place == 0 else None
            axes.axhline(edge, color=ink.SPEC_EDGE, linewidth=1.5, linestyle=(0, (5, 2)), label=label)
        reach.append(spec.left_right_deg)
    axes.set_ylim(-1.25 * max(reach), 1.25 * max(reach))


def _names(c: Comparison) -> str:
    if c.kind == "before-after":
        return f"{c.first.cylinder}, before and after"
    return f"{c.first.name} and {c.second.name}"
