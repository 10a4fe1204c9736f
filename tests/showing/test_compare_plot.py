"""Two measurements in one picture."""

from __future__ import annotations

import itertools

from made_measurement import make_measurement

from timingcam.reckoning.compare import compare
from timingcam.reckoning.result import Measurement
from timingcam.showing import ink
from timingcam.showing.compare_plot import compare_plot


def test_nothing_overlaps_and_sides_differ_by_more_than_colour(measurement: Measurement) -> None:
    right = make_measurement(cylinder="right", shift_deg=1.2, seed=8)
    figure = compare_plot(measurement, right, compare(measurement, right))
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    boxes = [axes.get_window_extent(renderer) for axes in figure.axes]
    boxes += [axes._left_title.get_window_extent(renderer) for axes in figure.axes]
    boxes += [axes.yaxis.label.get_window_extent(renderer) for axes in figure.axes]
    boxes.append(figure.legends[0].get_window_extent(renderer))
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    assert all(box.x0 >= 0 and box.x1 <= figure.bbox.width for box in boxes)
    lines = {str(line.get_label()): line.get_linestyle() for line in figure.axes[0].lines}
    assert lines["left: curve and 95 % band"] != lines["right: curve and 95 % band"]
    assert len(set(ink.SIDE_SHAPES)) == 2
    words = " ".join(text.get_text() for text in figure.legends[0].get_texts())
    assert "largest difference allowed" in words


def test_before_and_after_hold_no_limit_between_cylinders(measurement: Measurement) -> None:
    after = make_measurement(seed=8)
    figure = compare_plot(measurement, after, compare(measurement, after))
    words = " ".join(text.get_text() for text in figure.legends[0].get_texts())
    assert "largest difference allowed" not in words and "before: curve" in words and "after: curve" in words
