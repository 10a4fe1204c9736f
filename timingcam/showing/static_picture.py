"""Pictures of an engine turned by hand: what was seen, the course of the crank, the passes or the stops.

In:  a `StaticTiming`; a `TrueTdc`.
Out: matplotlib figures.
Not here: any measuring.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib import patheffects, rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.reckoning.scenery import Scenery
from timingcam.reckoning.static import StaticTiming
from timingcam.reckoning.tdc import TrueTdc
from timingcam.showing import ink
from timingcam.showing.plots import STYLE, new_figure
from timingcam.showing.static_file import SPARK_WORDS, before_words

HEIGHT_IN = 9.4
SEEN_INK = "#ffd23f"
INDEX_INK = "#ff6b5e"
LONGEST_JUMP_DEG = 180.0  # a course that wraps from -180 to 180 is drawn with a gap


def static_picture(static: StaticTiming) -> Figure:
    """What was seen, where the crank stood and when the lamp burnt, and the advance at each pass.

    Parameters
    ----------
    static : StaticTiming
        What to draw.

    Returns
    -------
    Figure
        Passes that count are filled, those left out are hollow.
    """
    with rc_context(STYLE):
        figure = new_figure(height_in=HEIGHT_IN)
        seen, course, passes = figure.subplots(3, 1, height_ratios=[1.5, 1.0, 1.0])
        _draw_seen(seen, static.scenery)
        _draw_course(course, static.scenery)
        for one in static.passes:
            if math.isfinite(one.advance_deg):
                course.plot(
                    one.time_s, one.advance_deg, "o", color=ink.OUT, markersize=7, markerfacecolor=_fill(one.used)
                )
        course.set_xlabel("seconds")
        course.set_ylabel("° before TDC\n(forwards is up)")
        _draw_passes(passes, static)
        title = f"{static.engine.name}, {static.cylinder}: lamp {SPARK_WORDS[static.spark_at]}"
        figure.suptitle(
            f"{title}\n{before_words(static.advance_deg)}", x=0.02, ha="left", fontweight="bold", fontsize=13
        )
        figure.legend(loc="outside lower left", ncols=2, frameon=False, fontsize=9.5)
    return figure


def tdc_picture(tdc: TrueTdc) -> Figure:
    """What was seen, the course of the crank with the rests against the stop, and how far each mark is off.

    Parameters
    ----------
    tdc : TrueTdc
        What to draw.

    Returns
    -------
    Figure
    """
    with rc_context(STYLE):
        figure = new_figure(height_in=HEIGHT_IN)
        seen, course, marks = figure.subplots(3, 1, height_ratios=[1.5, 1.0, 0.9])
        _draw_seen(seen, tdc.scenery)
        _draw_course(course, tdc.scenery)
        label: str | None = "rest against the stop"
        for contact, (first_s, last_s) in zip(tdc.contacts, tdc.contact_times_s, strict=True):
            if contact.used:
                course.axvspan(
                    first_s, last_s, facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE, hatch="//", label=label
                )
                label = None
        course.set_xlabel("seconds")
        course.set_ylabel("° before TDC\n(forwards is up)")
        course.set_title(f"the stop holds {tdc.blocked_deg:.1f}° either side of TDC", loc="left", fontsize=11)
        _draw_marks(marks, tdc)
        figure.suptitle(
            f"{tdc.engine.name}, {tdc.cylinder}: true TDC by a piston stop", x=0.02, ha="left", fontweight="bold",
            fontsize=13,
        )  # fmt: skip
        figure.legend(loc="outside lower left", ncols=2, frameon=False, fontsize=9.5)
    return figure


def _draw_seen(axes: Axes, scenery: Scenery) -> None:
    """The picture with rim, index, marks and lamp as they were taken to be."""
    low, high = np.percentile(scenery.picture, [0.5, 99.5])
    axes.imshow(scenery.picture, cmap="gray", vmin=float(low), vmax=float(high))
    glow = [patheffects.withStroke(linewidth=3, foreground="black")]
    axes.plot(*scenery.rim_px.T, color="white", linewidth=0.9, linestyle=(0, (4, 3)))
    axes.plot(*scenery.index_px.T, color=INDEX_INK, linewidth=1.6, path_effects=glow)
    axes.annotate("index", tuple(scenery.index_px[1]), color=INDEX_INK, fontsize=10, ha="center", path_effects=glow)
    for k, (name, ends) in enumerate(zip(scenery.mark_names, scenery.marks_px, strict=True)):
        # Drawn on from the mark's inner end inwards, so that a person can see whether the line itself goes on from it;
        # by turns short and long, as marks stand close together.
        inner = ends[0] + (0.5 + 0.5 * (k % 2)) * (ends[0] - ends[1])
        axes.plot(*np.array([ends[0], inner]).T, color=SEEN_INK, linewidth=1.4, path_effects=glow)
        axes.annotate(name, tuple(inner), color=SEEN_INK, fontsize=10, ha="center", va="center", path_effects=glow)
    if scenery.lamp_px is not None:
        axes.plot(
            *scenery.lamp_px, "o", markersize=15, markerfacecolor="none", markeredgecolor=SEEN_INK, markeredgewidth=2
        )
        axes.annotate(
            "lamp", tuple(scenery.lamp_px), (10, 10), textcoords="offset points", color=SEEN_INK, path_effects=glow
        )
    axes.set_axis_off()


def _draw_course(axes: Axes, scenery: Scenery) -> None:
    before = scenery.before_tdc_deg.copy()
    jump = np.flatnonzero(np.abs(np.diff(before)) > LONGEST_JUMP_DEG)
    before[jump] = np.nan
    axes.plot(scenery.time_s, before, color=ink.FALLING, linewidth=1.6, label="where the crank stood")
    if scenery.lamp is not None:
        low, high = np.nanmin(before), np.nanmax(before)
        lit = scenery.lamp > 0.5
        axes.fill_between(
            scenery.time_s, low, high, where=lit, step="mid", facecolor=ink.SPEC_FACE, edgecolor=ink.SPEC_EDGE,
            hatch="...", linewidth=0, label="lamp lit",
        )  # fmt: skip
    axes.grid(color=ink.GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.invert_yaxis()  # forwards is towards TDC: downwards numbers, upwards in the picture


def _draw_passes(axes: Axes, static: StaticTiming) -> None:
    shown = [one for one in static.passes if math.isfinite(one.advance_deg)]
    for place, one in enumerate(shown, start=1):
        axes.errorbar(
            one.advance_deg,
            place,
            xerr=1.96 * one.sd_deg,
            fmt="o",
            color=ink.OUT,
            capsize=3,
            markerfacecolor=_fill(one.used),
        )
    mean = static.advance_deg
    axes.axvspan(mean.low, mean.high, facecolor=ink.BAND, alpha=0.5, label="mean and its 95 % interval")
    axes.axvline(mean.value, color=ink.INK, linewidth=1.4)
    if static.check is not None:
        for edge in (static.check.low, static.check.high):
            if edge is not None:
                axes.axvline(edge, color=ink.SPEC_EDGE, linewidth=1.3, linestyle=(0, (5, 2)))
        axes.plot([], [], color=ink.SPEC_EDGE, linestyle=(0, (5, 2)), label="spec at low speed")
    axes.set_yticks(range(1, len(shown) + 1), [_pass_label(static, k) for k in range(len(shown))], fontsize=9)
    axes.set_ylim(0.4, len(shown) + 0.6)
    axes.invert_yaxis()
    axes.set_xlabel("crank degrees before TDC (bars: 95 % of a single pass)")


def _pass_label(static: StaticTiming, number: int) -> str:
    one = [p for p in static.passes if math.isfinite(p.advance_deg)][number]
    way = "forwards" if one.speed_deg_s > 0 else "backwards"
    return f"{one.time_s:.1f} s, {way}" + ("" if one.used else "\n(left out)")


def _draw_marks(axes: Axes, tdc: TrueTdc) -> None:
    own = [mark for mark in tdc.marks if mark.cylinder == tdc.cylinder]
    for place, mark in enumerate(own, start=1):
        half = (mark.btdc_deg.high - mark.btdc_deg.low) / 2
        axes.errorbar(mark.error_deg, place, xerr=half, fmt="s", color=ink.RISING, capsize=4, markersize=7)
    axes.axvline(0.0, color=ink.INK, linewidth=1.2)
    labels = [f"{mark.name} ({mark.file_btdc_deg:g}°)" for mark in own]
    axes.set_yticks(range(1, len(own) + 1), labels)
    axes.set_ylim(0.4, len(own) + 0.6)
    axes.invert_yaxis()
    axes.set_xlabel("measured less file, crank degrees (bars: 95 %)\nright: lines up earlier than the file says")
    axes.grid(color=ink.GRID, linewidth=0.7, axis="x")


def _fill(used: bool) -> str:
    return ink.OUT if used else ink.PAPER
