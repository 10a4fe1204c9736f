"""The pictures of static timing and true TDC."""

from __future__ import annotations

from dataclasses import replace

from made_by_hand import make_static, make_tdc

from timingcam.showing.plots import picture_bytes
from timingcam.showing.static_picture import static_picture, tdc_picture


def test_static_picture_shows_each_pass_and_the_verdicts_limits() -> None:
    figure = static_picture(make_static())
    seen, course, passes = figure.axes
    assert len(seen.images) == 1
    # Four passes have a number: three filled, one hollow; the fifth could not be read.
    dots = [line for line in course.lines if line.get_marker() == "o"]
    assert [line.get_markerfacecolor() == line.get_markeredgecolor() for line in dots] == [True, False, True, True]
    assert [label.get_text() for label in passes.get_yticklabels()][1].endswith("(left out)")
    assert {label.get_text() for label in figure.legends[0].get_texts()} >= {"lamp lit", "spec at low speed"}
    assert "9.93° before TDC" in figure._suptitle.get_text()  # type: ignore[attr-defined]


def test_forwards_is_up() -> None:
    low, high = static_picture(make_static()).axes[1].get_ylim()
    assert low > high


def test_without_spec_no_limits() -> None:
    figure = static_picture(replace(make_static(), check=None))
    assert "spec at low speed" not in {label.get_text() for label in figure.legends[0].get_texts()}


def test_tdc_picture_shows_rests_that_count_and_own_marks() -> None:
    figure = tdc_picture(make_tdc())
    _, course, marks = figure.axes
    assert len(course.patches) == 2
    assert [label.get_text() for label in marks.get_yticklabels()] == ["T (0°)", "S (9°)"]


def test_the_same_result_gives_the_same_bytes() -> None:
    one, other = (picture_bytes(static_picture(make_static()), dpi=50) for _ in range(2))
    assert one == other
    assert one.startswith(b"\x89PNG")
