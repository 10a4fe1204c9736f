"""Colours and shapes that all pictures share.

In:  nothing.
Out: constants; the standing of a reading's speed.
Not here: any drawing.

Every difference that a colour makes is made by a shape, a hatch or a dash as well, so that it survives colour-blind
eyes and black-and-white print. Left and right are plum and amber.
"""

from __future__ import annotations

import numpy as np

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
SIDES = ("#7a2f6b", "#c77700")  # plum, amber
SIDE_SHAPES = ("o", "s")
SIDE_LINES = ("-", "--")

# Our choice: slower than a hand opens a throttle on purpose, faster than an idle wanders.
STEADY_RPM_PER_S = 60.0
SLOPE_WINDOW_S = 0.6  # our choice: some ten flashes at idle, well within one sweep


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
    time_s, rpm = readings.time_s[known], readings.rpm[known]
    first = np.searchsorted(time_s, time_s - SLOPE_WINDOW_S / 2)
    last = np.searchsorted(time_s, time_s + SLOPE_WINDOW_S / 2, side="right")
    slopes = np.zeros(len(time_s))
    for i, (a, b) in enumerate(zip(first, last, strict=True)):
        # At least three, whatever the window: a slow engine seen through a shutter that misses flashes.
        a, b = min(a, max(i - 1, 0)), max(b, min(i + 2, len(time_s)))
        t = time_s[a:b] - time_s[a:b].mean()
        spread = float(t @ t)
        slopes[i] = float(t @ rpm[a:b]) / spread if spread > 0 else 0.0
    trend[known] = np.where(slopes > STEADY_RPM_PER_S, 1, np.where(slopes < -STEADY_RPM_PER_S, -1, 0))
    return trend
