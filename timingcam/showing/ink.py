"""Colours and shapes that all pictures share.

In:  nothing.
Out: constants; the standing of a reading's speed.
Not here: any drawing.

Every difference that a colour makes is made by a shape, a hatch or a dash as well, so that it survives colour-blind
eyes and black-and-white print. Left and right are plum and amber.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.curve import speed_direction
from timingcam.reckoning.result import Readings

INK = "#1d1a18"
SOFT = "#6b645e"
PAPER = "#ffffff"
GRID = "#ddd8d2"
SPEC_FACE = "#f3ecdc"
SPEC_EDGE = "#8a6d2f"
RISING = "#b3471b"
FALLING = "#5a3b7c"
STEADY = "#6b645e"
UNUSED = "#9a938c"
BAND = "#c9c2ba"
OUT = "#9c1c1c"


@dataclass(frozen=True, slots=True)
class Trend:
    """How a reading is drawn that was taken while the speed rose (1), fell (-1) or was steady (0)."""

    direction: int
    shape: str
    colour: str
    filled: bool
    words: str


TRENDS = (
    Trend(1, "^", RISING, True, "reading, speed rising"),
    Trend(-1, "v", FALLING, False, "reading, speed falling"),
    Trend(0, "o", STEADY, True, "reading, speed steady"),
)
SIDES = ("#7a2f6b", "#c77700")  # plum, amber
SIDE_SHAPES = ("o", "s")
SIDE_LINES = ("-", "--")


def speed_trend(readings: Readings) -> np.ndarray:
    """Whether the engine was speeding up or slowing down at each reading.

    Parameters
    ----------
    readings : Readings
        In time order.

    Returns
    -------
    ndarray of int, shape (n_flashes,)
        1 rising, -1 falling, 0 steady or not known.
    """
    trend = np.zeros(len(readings), dtype=int)
    known = np.isfinite(readings.rpm)
    if known.any():
        trend[known] = speed_direction(readings.time_s[known], readings.rpm[known]).astype(int)
    return trend
