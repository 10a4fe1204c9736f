"""What is most likely behind a refusal: unknown line times, little of the picture lit, nothing in focus.

In:  a refusal, the clip's flashes, pictures of some of them.
Out: the refusal, with that in its words.
Not here: the refusals themselves.
"""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.sharpness import MOST_PICTURES, REACH_PX, edge_width_px, evenly_from
from timingcam.seeing.slices import in_slices

UNKNOWN_LINE_TIME = 0.1  # our choice, of itself: what it adds to a flash's time is then some per cent of the speed
SHORT_SIDE_PX = 480  # our choice: pictures are looked at no larger, for edges out of focus to be within reach
GRAIN_PX = 2.0  # our choice: of such a picture; a sensor's noise is steeper than any edge that is out of focus
# Our choice, of such a picture: of 25 clips in focus, or somewhat off, the sharpest edges rose over 3.5 to 7.3 pixels;
# of one of which nobody could tell a mark, over 20.
NOT_SHARP_PX = 12.0


def with_reason(
    refusal: CannotMeasure, flashes: Flashes, n_rows: int, light: FlashLight, lit: list[LitPicture]
) -> CannotMeasure:
    """The refusal, with what is most likely behind it.

    Parameters
    ----------
    refusal : CannotMeasure
    flashes : Flashes
    n_rows : int
        Of the picture.
    light : FlashLight
    lit : list of LitPicture
        Some of the flashes.
    """
    rise_px = sharpest_rise_px(light, lit)
    if rise_px > NOT_SHARP_PX:
        share = rise_px / SHORT_SIDE_PX
        return CannotMeasure(
            found=f"no sharp edge in the pictures, the sharpest rise over {share:.1%} of their height; and so "
            + refusal.found,
            expected=f"marks in focus; {refusal.expected}",
            do="focus on the marks, by hand or by tapping them, hold the focus, and film from no nearer than the lens "
            f"can focus; {refusal.do}",
        )
    return _by_the_bands(refusal, flashes, n_rows)


def sharpest_rise_px(light: FlashLight, lit: list[LitPicture]) -> float:
    """Over how many pixels the sharpest edges rise anywhere in the lit rows, of pictures SHORT_SIDE_PX high or wide;
    NaN where too few rows are lit to tell."""
    rises = []
    for one in evenly_from(lit, MOST_PICTURES):
        by = min(one.luma.shape) / SHORT_SIDE_PX
        rows = light.picture(one.luma, one.rows)[one.first : one.last + 1]
        size = round(rows.shape[1] / max(by, 1.0)), round(rows.shape[0] / max(by, 1.0))
        # The bands' own ends are none of the scene's.
        if size[1] <= 3 * REACH_PX:
            continue
        small = cv2.GaussianBlur(cv2.resize(rows, size, interpolation=cv2.INTER_AREA), (0, 0), GRAIN_PX)
        where = np.zeros(small.shape, bool)
        where[REACH_PX:-REACH_PX, REACH_PX:-REACH_PX] = True
        rises.append(edge_width_px(small, where) / min(by, 1.0))
    return float(np.median(rises)) if rises else float("nan")


def _by_the_bands(refusal: CannotMeasure, flashes: Flashes, n_rows: int) -> CannotMeasure:
    """The refusal, with what is most likely behind it where each flash lights few rows."""
    if flashes.line_time_s is None or flashes.line_time_sd_s > UNKNOWN_LINE_TIME * flashes.line_time_s:
        return CannotMeasure(
            found=f"{refusal.found}; nor are flash times known well, as the clip does not tell the sensor's line time",
            expected=refusal.expected, do=f"{refusal.do}; film with a shorter exposure and a brighter strobe",
        )  # fmt: skip
    if not in_slices(flashes, n_rows):
        return refusal
    rows = float(np.median(flashes.piece_last - flashes.piece_first + 1))
    return CannotMeasure(
        found=f"{refusal.found} (each flash lights {rows:.0f} of {n_rows} rows only)",
        expected=refusal.expected,
        do="film with less light from elsewhere, so that the camera exposes for longer and each flash lights more of "
        f"the picture; {refusal.do}",
    )
