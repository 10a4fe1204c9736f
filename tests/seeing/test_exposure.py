"""Parts of what tells a changed exposure; the whole of it is held to simulated shutters in `test_flashes.py`."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.bands import Bands
from timingcam.seeing.exposure import _nearest, as_if_exposed_alike, missing_across, pairs_across

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


def test_no_flash_lies_across_two_frames_for_longer_than_a_period() -> None:
    """A long exposure at speed: one flash is cut by the foot of a frame, the next by the head of the one after."""
    two = [(8 * k, 60.0, np.nan) for k in range(4)], [(8 * k + 1, np.nan, 200.0) for k in range(4)]
    same = [(8 * k + 4, 150.0, np.nan) for k in range(4)], [(8 * k + 5, np.nan, 30.0) for k in range(4)]
    whole = [(8 * k + 2, 10.0, 225.0) for k in range(4)]
    found = bands(sorted([*two[0], *two[1], *same[0], *same[1], *whole], key=lambda one: one[0]))
    foot, head, rows = pairs_across(found)
    assert set(rows) == {120.0} and np.array_equal(found.frame[head], found.frame[foot] + 1)
    # From 200 back to 60 would be 140 rows more than a period's: the exposure seems to step, and starts would move.
    alike = as_if_exposed_alike(found, 0.01 * np.arange(40))
    assert np.array_equal(alike.start_row, found.start_row, equal_nan=True)
