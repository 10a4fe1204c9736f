"""The pictures: what they say, and that nothing in them overlaps or is cut off."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace

import numpy as np
import pytest
from made_measurement import make_measurement
from matplotlib.figure import Figure
from PIL import Image

from timingcam.reckoning.result import Check, Measurement
from timingcam.showing import ink
from timingcam.showing.plots import budget_plot, picture_bytes, plot


def texts(figure: Figure) -> list[str]:
    found = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    for axes in figure.axes:
        found += [axes.get_title(loc="left"), axes.get_xlabel(), axes.get_ylabel()]
    return found


def boxes(figure: Figure) -> dict[str, object]:
    """Where each written text lies, in pixels."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    axes, below = figure.axes
    parts = {"title": axes._left_title, "x": below.xaxis.label, "y": axes.yaxis.label, "y below": below.yaxis.label}
    found = {name: part.get_window_extent(renderer) for name, part in parts.items()}
    found["legend"] = figure.legends[0].get_window_extent(renderer)
    found["axes"] = axes.get_window_extent(renderer)
    found["axes below"] = below.get_window_extent(renderer)
    return found


@pytest.mark.parametrize("kind", ["many", "few", "no spec", "one speed"])
def test_nothing_overlaps_or_is_cut_off(kind: str, measurement: Measurement) -> None:
    few = make_measurement(n=60, shift_deg=3.5)
    slow = few.readings.rpm < 1100
    m = {
        "many": measurement,
        "few": few,
        "no spec": make_measurement(spec=False),
        "one speed": replace(few, readings=replace(few.readings, used=few.readings.used & slow)),
    }[kind]
    figure = plot(m)
    found = boxes(figure)
    for (one, a), (other, b) in itertools.combinations(found.items(), 2):
        assert not a.overlaps(b), f"{one} over {other}"  # type: ignore[attr-defined]
    for name, box in found.items():
        assert box.x0 >= 0 and box.y0 >= 0, name  # type: ignore[attr-defined]
        assert box.x1 <= figure.bbox.width and box.y1 <= figure.bbox.height, name  # type: ignore[attr-defined]


def test_the_curve_says_verdict_units_and_counts(measurement: Measurement) -> None:
    said = " | ".join(texts(plot(measurement)))
    for words in (
        "in spec",
        "rpm",
        "degrees before TDC",
        "spec: allowed band",
        "speed rising",
        "speed falling",
        "95 %",
    ):
        assert words in said
    assert "Test twin 415, left" in said


def test_out_of_spec_is_in_the_title() -> None:
    assert "OUT of spec" in " ".join(texts(plot(make_measurement(n=60, shift_deg=6.0))))


def test_without_a_spec_nothing_is_judged() -> None:
    said = " ".join(texts(plot(make_measurement(n=60, spec=False))))
    assert "not judged" in said and "allowed band" not in said


def test_rising_and_falling_differ_by_more_than_colour(measurement: Measurement) -> None:
    figure = plot(measurement)
    readings = [c for c in figure.axes[0].collections if str(c.get_label()).startswith("reading")]
    shapes = {str(c.get_label()).split("(")[0]: (c.get_paths()[0].vertices.tobytes()) for c in readings}
    assert len(shapes) == 3 and len(set(shapes.values())) == 3


def test_every_reading_that_could_be_had_is_drawn(measurement: Measurement) -> None:
    figure = plot(measurement)
    drawn = sum(len(c.get_offsets()) for c in figure.axes[0].collections if "(" in str(c.get_label()))
    assert drawn == np.isfinite(measurement.readings.advance_deg).sum()


def test_sides_are_no_blue_and_no_green() -> None:
    for colour in ink.SIDES:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert red > green and red > blue


def test_sides_and_readings_are_told_apart_in_grey() -> None:
    def lightness(colour: str) -> float:
        weights = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709, luma of red, green and blue
        return sum(w * int(colour[i : i + 2], 16) for w, i in zip(weights, (1, 3, 5), strict=True))

    # A tenth of the scale from black to white: two greys that a print keeps apart.
    assert abs(lightness(ink.SIDES[0]) - lightness(ink.SIDES[1])) > 25.5


def test_speed_trend_follows_the_sweep(measurement: Measurement) -> None:
    r = measurement.readings
    trend = ink.speed_trend(r)
    middle = (np.abs(r.time_s - 5) < 2.5, np.abs(r.time_s - 11) < 2.5, r.time_s < 1.5)
    for where, wanted in zip(middle, (1, -1, 0), strict=True):
        assert np.mean(trend[where] == wanted) > 0.95  # noise of 3 rpm may turn the odd idle reading


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_measurement_gives_the_same_file(kind: str, measurement: Measurement) -> None:
    assert picture_bytes(plot(measurement), kind) == picture_bytes(plot(measurement), kind)  # type: ignore[arg-type]


def test_pictures_are_wide_enough_to_print_and_small_enough_to_send(measurement: Measurement) -> None:
    for figure in (plot(measurement), budget_plot(measurement)):
        data = picture_bytes(figure)
        assert Image.open(io.BytesIO(data)).width >= 1000
        assert len(data) < 2_000_000


def test_budget_names_every_source_with_its_size(measurement: Measurement) -> None:
    figure = budget_plot(measurement)
    labels = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert len(labels) == len(measurement.budget)
    assert "height of the index\n(0.5 mm)" in labels
    hatches = [bar.get_hatch() for bar in figure.axes[0].patches]
    assert hatches.count("////") == 1


def test_no_readings_no_curve_still_a_picture(measurement: Measurement) -> None:
    r = measurement.readings
    nothing = replace(r, advance_deg=np.full(len(r), np.nan), used=np.zeros(len(r), dtype=bool))
    picture_bytes(plot(replace(measurement, readings=nothing)))
    picture_bytes(budget_plot(replace(measurement, budget=())))


def test_names_with_dollar_signs_are_no_formulas(measurement: Measurement) -> None:
    odd = replace(measurement, cylinder="$\\frac{1}$", checks=(Check("a$b", 1.0, None, None, "in"),))
    picture_bytes(plot(odd))
