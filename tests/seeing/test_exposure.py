"""Parts of what tells a changed exposure; the whole of it is held to simulated shutters in `test_flashes.py`."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.bands import Bands
from timingcam.seeing.exposure import _nearest, missing_across

FRAMES = st.lists(st.integers(0, 300), min_size=1, max_size=40)
N_ROWS = 240


@given(FRAMES, FRAMES)
def test_the_nearest_frame_is_that_of_all_pairs(frame: list[int], others: list[int]) -> None:
    a, b = np.array(frame), np.array(others)
    assert np.array_equal(_nearest(a, b), np.abs(a[:, None] - b[None, :]).min(axis=1))


def bands(cut: list[tuple[int, float, float]]) -> Bands:
    frame, start, end = (np.array(column) for column in zip(*cut, strict=True))
    first, last = np.nan_to_num(start, nan=0.0).astype(int), np.nan_to_num(end, nan=N_ROWS - 1.0).astype(int)
    return Bands(frame, start.astype(float), end.astype(float), first, last, np.ones(len(frame)), 0.1, 1.0, 40, N_ROWS)


def test_bands_that_must_go_on_and_do_not() -> None:
    """Frames 10 ms apart; bands that begin at row 180 of 240 and are cut by the foot, in frames nothing follows."""
    alone = bands([(4 * k, 180.0, np.nan) for k in range(8)])
    time_s = 0.01 * np.arange(40)
    # The flash came at 180 · 20 us + 3 ms = 6.6 ms: before the next frame began. At 45 us and 6.75 ms, 4.9 ms after.
    assert missing_across(alone, time_s, 20e-6, 3e-3) == 0.0
    assert missing_across(alone, time_s, 45e-6, 6.75e-3) == 1.0
    gone_on = bands([one for k in range(8) for one in ((4 * k, 180.0, np.nan), (4 * k + 1, np.nan, 108.0))])
    assert missing_across(gone_on, time_s, 45e-6, 6.75e-3) == 0.0
