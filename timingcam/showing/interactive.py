"""The curve that a person can touch: hover or tap a reading to see its flash, zoom, hide a part.

In:  one or two `Measurement`s with a name each.
Out: what a page needs to show them: Bokeh's script, the plot as JSON, the flashes as JSON.
Not here: the page (`report.py`) and its own script (`templates/report.js.j2`).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from bokeh.embed import json_item
from bokeh.models import (
    BoxZoomTool,
    ColumnDataSource,
    CustomJS,
    HoverTool,
    PanTool,
    ResetTool,
    TapTool,
    WheelZoomTool,
)
from bokeh.models.annotations import Legend
from bokeh.plotting import figure
from bokeh.resources import Resources

from timingcam.engine import Spec
from timingcam.reckoning.result import Measurement, Pictures
from timingcam.showing import ink
from timingcam.showing.marks_sheet import overlay
from timingcam.showing.plots import COVERAGE_95
from timingcam.showing.sentences import number

HEIGHT_PX = 580  # the list below the curve stands within it
JPEG_QUALITY = 72  # our choice: lines stay sharp, a picture of 200 pixels takes some 5 kB
# Of all little pictures together, in base64: leaves a page with two measurements under 3 MB.
MAX_PICTURE_BYTES = 500_000


@dataclass(frozen=True, slots=True)
class Interactive:
    """Text for a page; each piece is safe inside a script element."""

    bokeh_js: str  # Bokeh's own script
    plot: str  # JSON
    flashes: str  # JSON: a picture and what was found in it, by side and flash


def interactive(sides: Sequence[tuple[str, Measurement]]) -> Interactive:
    """The curve and the flashes behind it.

    Parameters
    ----------
    sides : sequence of (str, Measurement)
        One or two, with the name to show; the first one's spec is drawn.

    Returns
    -------
    Interactive
    """
    plot = _plot(sides)
    flashes: dict[str, Any] = {}
    for side, (_, measurement) in enumerate(sides):
        flashes |= _flashes(measurement, side, MAX_PICTURE_BYTES // len(sides))
    return Interactive(
        bokeh_js="\n".join(Resources(mode="inline", components=["bokeh"], log_level="error").js_raw),
        plot=_script_json(json_item(plot)),
        flashes=_script_json(flashes),
    )


def _script_json(content: Any) -> str:
    # No text within may end the script element that it stands in.
    return json.dumps(content, separators=(",", ":")).replace("<", "\\u003c")


def _plot(sides: Sequence[tuple[str, Measurement]]) -> Any:
    hover = HoverTool(renderers=[], tooltips=[("", "@words")], attachment="vertical")
    plot = figure(
        height=HEIGHT_PX,
        sizing_mode="stretch_width",
        x_axis_label="crank speed, rpm",
        y_axis_label="advance, crank degrees before TDC",
        tools=[hover, TapTool(), PanTool(), BoxZoomTool(), WheelZoomTool(), ResetTool()],
        # Nothing is active at first: a finger that scrolls the page must not move the plot.
        active_drag=None,
        active_scroll=None,
        toolbar_location="above",
        output_backend="canvas",
    )
    plot.toolbar.logo = None
    _style(plot)
    legend: list[tuple[str, list[Any]]] = []
    spec = sides[0][1].engine.spec
    if spec is not None:
        legend += _draw_spec(plot, spec)
    touched = []
    for place, (name, measurement) in enumerate(sides):
        readings = _draw_readings(plot, measurement, place, name if len(sides) > 1 else "")
        touched += [renderer for _, renderers in readings for renderer in renderers]
        legend += readings
        legend += _draw_curve(plot, measurement, place, name if len(sides) > 1 else "")
    hover.renderers = touched
    hover.callback = CustomJS(code=_HOVERED)
    plot.add_layout(_list_below(legend), "below")
    _set_view(plot, [measurement for _, measurement in sides])
    return plot


def _list_below(items: list[tuple[str, list[Any]]]) -> Legend:
    return Legend(
        items=items,
        ncols=1,  # no wider than the smallest telephone, 320 pixels, whatever its letters
        location="left",
        click_policy="hide",
        label_text_font_size="12px",
        label_text_color=ink.INK,
        glyph_width=16,
        spacing=2,
        margin=2,
        border_line_color=None,
    )


_HOVERED = """
const at = cb_data.index.indices;
if (at.length > 0) window.timingcam.show(cb_data.renderer.data_source.data.key[at[0]]);
"""
_TAPPED = """
if (source.selected.indices.length > 0) window.timingcam.show(source.data.key[source.selected.indices[0]]);
"""


def _style(plot: Any) -> None:
    for axis in plot.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "14px"
        axis.major_label_text_font_size = "13px"
        axis.axis_label_text_color = axis.major_label_text_color = ink.INK
    plot.grid.grid_line_color = ink.GRID
    plot.outline_line_color = None
    plot.background_fill_color = plot.border_fill_color = ink.PAPER


def _draw_spec(plot: Any, spec: Spec) -> list[tuple[str, list[Any]]]:
    rpm, advance = np.array(spec.curve).T
    low, high = advance - spec.tolerance_deg, advance + spec.tolerance_deg
    band = plot.varea(rpm, low, high, fill_color=ink.SPEC_FACE, fill_alpha=0.7, hatch_pattern="dot",
                      hatch_color=ink.SPEC_EDGE, hatch_alpha=0.35, hatch_scale=7)  # fmt: skip
    edges = [plot.line(rpm, edge, line_color=ink.SPEC_EDGE, line_dash="dashed", line_width=1.6) for edge in (low, high)]
    items: list[tuple[str, list[Any]]] = [("spec", [band, *edges])]
    if spec.full_advance_max_deg is not None:
        top = [spec.full_advance_max_deg] * 2
        line = plot.line([rpm[0], rpm[-1]], top, line_color=ink.OUT, line_dash="dotted", line_width=2)
        items.append(("never beyond", [line]))
    return items


def _draw_readings(plot: Any, m: Measurement, side: int, name: str) -> list[tuple[str, list[Any]]]:
    r = m.readings
    seen = np.isfinite(r.rpm) & np.isfinite(r.advance_deg)
    trend = ink.speed_trend(r)
    label = f"{name}: " if name else ""
    if name:
        kinds = [(seen & r.used, ink.SIDE_SHAPES[side], ink.SIDES[side], side == 0, f"{label}readings")]
    else:
        kinds = [
            (seen & r.used & (trend == 1), "triangle", ink.RISING, True, "speed rising"),
            (seen & r.used & (trend == -1), "inverted_triangle", ink.FALLING, False, "speed falling"),
            (seen & r.used & (trend == 0), "o", ink.STEADY, True, "speed steady"),
        ]
    kinds.append((seen & ~r.used, "x", ink.UNUSED, False, f"{label}not used"))
    items = []
    for these, shape, colour, filled, words in kinds:
        if not these.any():
            continue
        source = _source(m, np.flatnonzero(these), side, name)
        marker = {"o": "circle", "s": "square"}.get(shape, shape)
        glyph = plot.scatter(
            "rpm", "advance", source=source, marker=marker, size=8, line_color=colour, fill_color=colour,
            fill_alpha=0.6 if filled else 0.0, line_alpha=0.9, nonselection_alpha=0.6,
        )  # fmt: skip
        source.selected.js_on_change("indices", CustomJS(args={"source": source}, code=_TAPPED))
        items.append((f"{words} ({these.sum()})", [glyph]))
    return items


def _source(m: Measurement, flashes: np.ndarray, side: int, name: str) -> ColumnDataSource:
    r = m.readings
    # As plain numbers of few digits: they are written as text, and half as long.
    data = {
        "rpm": [round(float(v), 1) for v in r.rpm[flashes]],
        "advance": [round(float(v), 3) for v in r.advance_deg[flashes]],
        "key": [f"{side}:{i}" for i in flashes],
        "words": [flash_words(m, int(i), name) for i in flashes],
    }
    return ColumnDataSource(data)


def flash_words(m: Measurement, flash: int, name: str = "") -> str:
    """One reading in words.

    Parameters
    ----------
    m : Measurement
        Whose reading.
    flash : int
        Which.
    name : str
        Put before, where there are two measurements.

    Returns
    -------
    str
    """
    r = m.readings
    doubt = f" ± {number(COVERAGE_95 * r.advance_sd_deg[flash], 2)}" if np.isfinite(r.advance_sd_deg[flash]) else ""
    words = f"{number(r.advance_deg[flash], 2)}{doubt}° at {number(r.rpm[flash], 0)} rpm, frame {r.frame[flash]}"
    words = f"{name}: {words}" if name else words
    return words if r.used[flash] else f"{words}; not used: {r.reason[flash]}"


def _draw_curve(plot: Any, m: Measurement, side: int, name: str) -> list[tuple[str, list[Any]]]:
    c = m.curve
    if len(c.grid_rpm) == 0:
        return []
    colour, dash = (ink.SIDES[side], ("solid", "dashed")[side]) if name else (ink.INK, "solid")
    rpm, advance, half = c.grid_rpm.round(1), c.grid_advance_deg.round(3), COVERAGE_95 * c.grid_sd_deg.round(4)
    low, high = (advance - half).round(3), (advance + half).round(3)
    band = plot.varea(rpm.tolist(), low.tolist(), high.tolist(), fill_color=colour, fill_alpha=0.25)
    line = plot.line(rpm.tolist(), advance.tolist(), line_color=colour, line_dash=dash, line_width=2.5)
    return [(f"{name}: curve" if name else "curve, 95 % band", [line, band])]


def _set_view(plot: Any, measurements: Sequence[Measurement]) -> None:
    rpm = np.concatenate([m.readings.rpm[m.readings.used] for m in measurements])
    advance = np.concatenate([m.readings.advance_deg[m.readings.used] for m in measurements])
    known = np.isfinite(rpm) & np.isfinite(advance)
    if not known.any():
        return
    rpm, advance = rpm[known], advance[known]
    pad_rpm, pad = max(0.04 * float(np.ptp(rpm)), 100.0), max(0.15 * float(np.ptp(advance)), 2.0)
    plot.x_range.start, plot.x_range.end = float(rpm.min()) - pad_rpm, float(rpm.max()) + pad_rpm
    plot.y_range.start, plot.y_range.end = float(advance.min()) - pad, float(advance.max()) + pad


def _flashes(m: Measurement, side: int, max_bytes: int) -> dict[str, Any]:
    """Little pictures with what was found in them, thinned evenly where all would make the page too large to mail."""
    p = m.pictures
    pictures = [_jpeg(crop) for crop in p.crops]
    step = 1
    while sum(map(len, pictures[::step])) > max_bytes:
        step += 1
    return {f"{side}:{int(p.crop_of[k])}": _flash(p, k, pictures[k]) for k in range(0, len(pictures), step)}


def _jpeg(crop: np.ndarray) -> str:
    _, data = cv2.imencode(".jpg", crop, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return base64.b64encode(data.tobytes()).decode("ascii")


def _flash(p: Pictures, crop: int, jpeg: str) -> dict[str, Any]:
    over = overlay(p, crop)
    found = over.found
    height, width = p.crops[crop].shape
    left, right, bottom, top = (float(edge) for edge in over.view)
    marks = [
        {"name": name, "line": _line(ends), "at": _round(at)}
        for name, ends, at in zip(p.mark_names, found.marks, found.names_at, strict=True)
        if np.all(np.isfinite(ends))
    ]
    return {
        "jpeg": jpeg,
        "size": [width, height],
        "view": _round([left, top, right - left, bottom - top]),
        "rim": _line(found.rim[::6]),
        "index": _line(found.index),
        "marks": marks,
    }


def _line(points: np.ndarray) -> str:
    known = points[np.all(np.isfinite(points), axis=-1)]
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in known)


def _round(values: Any) -> list[float]:
    return [round(float(value), 1) for value in values]
