"""Frames are chosen by movement, not by the clock."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.sweep import spread

TIME_S = np.arange(300) / 30


def test_a_long_pause_gets_few_frames() -> None:
    rng = np.random.default_rng(1)
    moved = 0.5 + 0.02 * rng.random(300)  # noise of the sensor, always there
    moved[:60] += 3.0  # turned for two seconds of ten
    chosen = spread(moved, TIME_S, 26)
    assert (chosen < 60).sum() >= 20
    assert (chosen >= 60).sum() >= 2


def test_a_clip_at_rest_is_spread_over_its_time() -> None:
    chosen = spread(np.zeros(300), TIME_S, 10)
    assert np.all(np.diff(chosen) >= 25)


@given(st.integers(0, 2**32 - 1), st.integers(5, 60))
def test_numbers_rise_and_exist(seed: int, most: int) -> None:
    moved = np.random.default_rng(seed).gamma(1.0, 1.0, 300)
    chosen = spread(moved, TIME_S, most)
    assert len(chosen) <= most
    assert np.all(np.diff(chosen) > 0)
    assert chosen[0] >= 0
    assert chosen[-1] < 300
