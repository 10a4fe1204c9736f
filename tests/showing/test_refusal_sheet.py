"""The picture of a refusal: what was found is drawn where it is, what was not is named."""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.best_frame import BestFrame
from timingcam.showing.plots import picture_bytes
from timingcam.showing.refusal_sheet import refusal_sheet

LUMA = np.full((240, 320), 40, np.uint8)
ROTOR = np.array([[80.0, 0.0, 160.0], [0.0, 80.0, 120.0], [0.0, 0.0, 1.0]])  # a rim of 80 px about 160, 120
REFUSAL = CannotMeasure(found="no lines", expected="marks", do="paint the marks")


def words(best: BestFrame) -> str:
    return " ".join(text.get_text() for text in refusal_sheet(best, REFUSAL).texts)


def test_what_is_missing_is_named() -> None:
    nothing = BestFrame(7, LUMA, None)
    assert nothing.missing() == ("a flash", "the rotor's rim", "the index", "the marks")
    assert "In it: nothing" in words(nothing) and "paint the marks" in words(nothing)
    some = BestFrame(7, LUMA, 120, ROTOR)
    assert "120 rows" in words(some) and "rim" in words(some)
    assert "Not: the index, the marks" in words(some)
    assert "Not:" not in words(BestFrame(7, LUMA, 120, ROTOR, (-90.0, 1.03), (("T", -80.0, 0.8),)))


def test_the_rim_is_drawn_where_it_is() -> None:
    plain, drawn = (
        cv2.imdecode(
            np.frombuffer(picture_bytes(refusal_sheet(BestFrame(7, LUMA, 120, from_rotor), REFUSAL)), np.uint8),
            cv2.IMREAD_GRAYSCALE,
        )
        for from_rotor in (None, ROTOR)
    )
    # The frame fills the picture's width and its lower part: one of its pixels is so many of the sheet's.
    scale = plain.shape[1] / 320
    tall = int(240 * scale)
    rows, cols = np.nonzero(cv2.absdiff(plain[-tall:], drawn[-tall:]))
    radius = np.hypot(cols / scale - 160.5, (rows + 240 * scale - tall) / scale - 120.5)
    # A line of 2.6 points with its edge: 2.6/72 inch of 8 inches for 320 pixels is 1.5 pixels, half to either side.
    assert abs(np.median(radius) - 80) < 0.5 and np.percentile(np.abs(radius - 80), 99) < 1.5


def test_a_tall_frame_fits() -> None:
    figure = refusal_sheet(BestFrame(0, np.zeros((640, 120), np.uint8), None), REFUSAL)
    assert figure.get_size_inches()[1] < 12.5  # inches: the frame's 10 and the words


def test_nothing_that_is_said_is_cut_off() -> None:
    long = CannotMeasure(found="no " + "very " * 60 + "lines", expected="marks", do="paint " + "all " * 60 + "of them")
    figure = refusal_sheet(BestFrame(7, LUMA, 120, ROTOR, (-90.0, 1.03), (("T", -80.0, 0.8),)), long)
    text = " ".join(one.get_text() for one in figure.texts)
    assert text.count("very") == 60 and text.count("all") == 60 and "marks (named)." in text
    # The last line stands over the frame, not in it.
    assert min(one.get_position()[1] for one in figure.texts) > figure.axes[0].get_position().y1
