"""The pictures of one measurement: its advance curve, and where its doubt comes from.

In:  a `Measurement`.
Out: matplotlib figures, and their bytes.
Not here: the sheet of flashes (`marks_sheet.py`), two measurements in one picture (`compare_plot.py`).

Figures are built as objects, without matplotlib's global state, so that a program may draw from several threads. They
are narrow with large letters: legible on a telephone held upright.
"""

from __future__ import annotations

import io
import math
from typing import Any, Literal

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from timingcam.engine import Spec
from timingcam.reckoning.result import Kind, Measurement, Readings
from timingcam.showing import ink
from timingcam.showing.misfit_panel import COVERAGE_95, draw_misfit, usual_doubt
from timingcam.showing.sentences import short_verdict, size_words, spec_verdict

WIDTH_IN, HEIGHT_IN = 6.2, 7.4
DPI = 190  # 1178 px wide: sharp on a telephone and on half a sheet of paper

STYLE: dict[Any, Any] = {
    "font.size": 11.5,
    "axes.titlesize": 13.0,
    "axes.labelsize": 12.0,
    "axes.edgecolor": ink.SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": ink.INK,
    "axes.labelcolor": ink.INK,
    "xtick.color": ink.INK,
    "ytick.color": ink.INK,
    "hatch.linewidth": 0.6,
    "text.parse_math": False,  # a name with two dollar signs is a name
    "svg.hashsalt": "timingcam",  # the same figure gives the same file
}


def new_figure(width_in: float = WIDTH_IN, height_in: float = HEIGHT_IN) -> Figure:
    """An empty figure with its own canvas.

    Parameters
    ----------
    width_in, height_in : float
        Size, inches.

    Returns
    -------
    Figure
    """
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, layout="constrained", facecolor=ink.PAPER)
    FigureCanvasAgg(figure)
    return figure


def picture_bytes(figure: Figure, kind: Literal["png", "svg", "pdf", "jpg"] = "png", dpi: int = DPI) -> bytes:
    """A figure as the bytes of a picture file.

    Parameters
    ----------
    figure : Figure
        What to write.
    kind : {"png", "svg", "pdf", "jpg"}
        Kind of file.
    dpi : int
        Pixels to an inch, of the kinds that have pixels.

    Returns
    -------
    bytes
        The same figure gives the same bytes: no date is written.
    """
    out = io.BytesIO()
    # None leaves out the date, which these two kinds would carry.
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    with rc_context(STYLE):
        # The quality of pictures in a page: lines stay sharp, and the page small enough to mail.
        quality: dict[str, Any] = {"pil_kwargs": {"quality": 78}} if kind == "jpg" else {}
        figure.savefig(out, format=kind, dpi=dpi, metadata=metadata, **quality)
    return out.getvalue()


def plot(measurement: Measurement) -> Figure:
    """Advance against crank speed: every reading, the spec, the fitted curve and its 95 % band, the verdict.

    Parameters
    ----------
    measurement : Measurement
        What to draw.

    Returns
    -------
    Figure
        Readings taken while the speed rose point up and are filled, falling ones point down and are hollow, steady
        ones are round.
    """
    m = measurement
    with rc_context(STYLE):
        figure = new_figure()
        axes, below = figure.subplots(2, 1, sharex=True, height_ratios=[3.2, 1.0])
        set_view(axes, m)
        if m.engine.spec is not None:
            draw_spec(axes, m.engine.spec)
        _draw_readings(axes, m.readings)
        draw_curve(axes, m)
        if len(m.curve.grid_rpm):
            draw_misfit(below, m, _marker_size(m.readings))
        if words := usual_doubt(m):
            axes.errorbar([np.nan], [np.nan], [1.0], fmt="none", ecolor=ink.SOFT, label=words)
        below.set_xlabel("crank speed, rpm")
        below.set_ylabel("off the curve,\ndegrees")
        axes.set_ylabel("advance, crank degrees before TDC")
        for one in (axes, below):
            one.grid(color=ink.GRID, linewidth=0.7)
            one.set_axisbelow(True)
        axes.set_title(f"{m.engine.name}, {m.cylinder}: {short_verdict(m)}", loc="left", pad=10, fontweight="bold")
        if spec_verdict(m) == "out":
            axes.title.set_color(ink.OUT)
        figure.legend(loc="outside lower left", ncols=2, frameon=False, fontsize=9.5, handlelength=2.2)
    return figure


def budget_plot(measurement: Measurement) -> Figure:
    """The uncertainty budget: a bar a source, and both kinds put together.

    Parameters
    ----------
    measurement : Measurement
        Whose budget.

    Returns
    -------
    Figure
        Bars of one standard uncertainty in crank degrees, the largest on top; systematic ones solid, random ones
        hatched.
    """
    m = measurement
    rows = sorted(m.budget, key=lambda row: row.effect_deg)
    with rc_context(STYLE):
        figure = new_figure(height_in=max(2.6, 1.7 + 0.42 * len(rows)))
        axes = figure.add_subplot()
        for place, row in enumerate(rows):
            systematic = row.kind == "systematic"
            axes.barh(
                place,
                row.effect_deg,
                height=0.62,
                facecolor=ink.FALLING if systematic else ink.PAPER,
                edgecolor=ink.FALLING if systematic else ink.RISING,
                hatch=None if systematic else "////",
            )
            axes.annotate(
                f"{row.effect_deg:.3f}°", (row.effect_deg, place), (4, 0), textcoords="offset points", va="center"
            )
        axes.set_yticks(range(len(rows)), [f"{row.source}\n({size_words(row)})" for row in rows], fontsize=10)
        largest = max((row.effect_deg for row in rows), default=0.0)
        axes.set_xlim(0, 1.22 * largest if largest > 0 else 1.0)
        axes.set_xlabel("effect on the advance,\ncrank degrees (one sd)")
        axes.set_title("Where the doubt comes from", loc="left", fontweight="bold")
        axes.locator_params(axis="x", nbins=6)
        solid = Patch(facecolor=ink.FALLING, label=f"systematic, all together {_total(m, 'systematic')}: stays")
        words = f"random, all together {_total(m, 'random')}: shrinks with more flashes"
        hatched = Patch(facecolor=ink.PAPER, edgecolor=ink.RISING, hatch="////", label=words)
        figure.legend(handles=[solid, hatched], loc="outside lower left", frameon=False, fontsize=10)
    return figure


def _total(m: Measurement, kind: Kind) -> str:
    # Sources are independent of each other, so that their variances add (JCGM 100:2008, 5.1.2).
    return f"{math.hypot(*(row.effect_deg for row in m.budget if row.kind == kind)):.2f}°"


def draw_spec(axes: Axes, spec: Spec) -> None:
    """The allowed band, hatched and outlined, and the highest advance allowed.

    Parameters
    ----------
    axes : Axes
        Where; its limits are left as they are.
    spec : Spec
        Of the engine file.
    """
    rpm, advance = np.array(spec.curve).T
    low, high = advance - spec.tolerance_deg, advance + spec.tolerance_deg
    axes.fill_between(
        rpm, low, high, facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, hatch="...", linewidth=0, alpha=0.55
    )
    axes.fill(np.nan, np.nan, facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, hatch="...", label="spec: allowed band")
    for edge in (low, high):
        axes.plot(rpm, edge, color=ink.SPEC_EDGE, linewidth=1.3, linestyle=(0, (5, 2)))
    if spec.full_advance_max_deg is not None:
        axes.axhline(
            spec.full_advance_max_deg, color=ink.OUT, linewidth=1.3, linestyle=(0, (1, 1.5)), label="spec: never beyond"
        )


def set_view(axes: Axes, m: Measurement) -> None:
    """Limits that hold the spec over the speeds measured, and every reading used.

    Parameters
    ----------
    axes : Axes
        Left as they are where there is nothing to show.
    m : Measurement
    """
    r = m.readings
    seen = np.isfinite(r.rpm) & np.isfinite(r.advance_deg)
    rpm = np.concatenate([r.rpm[seen], m.curve.grid_rpm])
    advance = np.concatenate([r.advance_deg[seen & r.used], m.curve.grid_advance_deg])
    if len(rpm) == 0 or len(advance) == 0:
        return
    low_rpm, high_rpm = float(rpm.min()), float(rpm.max())
    pad_rpm = max(0.04 * (high_rpm - low_rpm), 100.0)
    low, high = float(advance.min()), float(advance.max())
    if m.engine.spec is not None:
        at = np.linspace(low_rpm, high_rpm, 50)
        aim = np.interp(at, *np.array(m.engine.spec.curve).T)
        low = min(low, float(aim.min()) - m.engine.spec.tolerance_deg)
        high = max(high, float(aim.max()) + m.engine.spec.tolerance_deg, m.engine.spec.full_advance_max_deg or high)
    pad = max(0.06 * (high - low), 1.0)
    axes.set_xlim(low_rpm - pad_rpm, high_rpm + pad_rpm)
    axes.set_ylim(low - pad, high + pad)
    axes.set_autoscale_on(False)


def _draw_readings(axes: Axes, r: Readings) -> None:
    trend = ink.speed_trend(r)
    seen = np.isfinite(r.rpm) & np.isfinite(r.advance_deg)
    size = _marker_size(r)
    for kind in ink.TRENDS:
        these = seen & r.used & (trend == kind.direction)
        if these.any():
            axes.scatter(
                r.rpm[these], r.advance_deg[these], size, marker=kind.shape, edgecolors=kind.colour,
                facecolors=kind.colour if kind.filled else "none", linewidths=0.8, alpha=0.8,
                label=f"{kind.words} ({these.sum()})", zorder=5,
            )  # fmt: skip
    unused = seen & ~r.used
    if unused.any():
        low, high = axes.get_ylim()
        outside = int(np.sum((r.advance_deg[unused] < low) | (r.advance_deg[unused] > high)))
        more = f", {outside} of them off this picture" if outside else ""
        axes.scatter(
            r.rpm[unused], r.advance_deg[unused], size, marker="x", color=ink.UNUSED, linewidths=0.9,
            label=f"seen, not used ({unused.sum()}{more})", zorder=2,
        )  # fmt: skip


def _marker_size(r: Readings) -> float:
    # A dot for each flash grows smaller as they grow many, or 500 of them hide the curve.
    seen = np.isfinite(r.rpm) & np.isfinite(r.advance_deg)
    return float(np.clip(60 * math.sqrt(60 / max(int(seen.sum()), 1)), 14, 42))


def draw_curve(axes: Axes, m: Measurement) -> None:
    """The fitted curve and its 95 % band.

    Parameters
    ----------
    axes : Axes
    m : Measurement
    """
    c = m.curve
    half = COVERAGE_95 * c.grid_sd_deg
    (line,) = axes.plot(c.grid_rpm, c.grid_advance_deg, color=ink.INK, linewidth=1.9, label="fitted curve", zorder=4)
    line.set_solid_capstyle("round")
    axes.fill_between(
        c.grid_rpm, c.grid_advance_deg - half, c.grid_advance_deg + half, facecolor=ink.BAND, edgecolor=ink.INK,
        linewidth=0.6, alpha=0.75, label="its 95 % band", zorder=3,
    )  # fmt: skip
