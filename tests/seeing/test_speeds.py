"""Pictures at even steps of the speed."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.speeds import evenly

LONG_IDLE = np.concatenate([np.full(60, 11.0), np.geomspace(12.0, 40.0, 20), np.full(60, 41.0)])


def test_where_an_engine_idles_for_long_few_are_taken() -> None:
    rng = np.random.default_rng(1)
    rate_hz = rng.permutation(LONG_IDLE)
    taken = rate_hz[evenly(rate_hz)]
    # A seventh of the flashes came on the way up; at even steps of speed nearly all of the steps are there.
    assert np.mean((taken > 11.5) & (taken < 40.5)) > 0.7
    assert np.ptp(np.log(taken)) > 0.9 * np.ptp(np.log(rate_hz))


def test_at_one_speed_all_count_alike() -> None:
    assert np.diff(evenly(np.full(100, 20.0))).max() <= 5


@given(st.lists(st.floats(0.5, 500.0), min_size=1, max_size=80))
def test_each_once_and_all_of_them_pictures(rate_hz: list[float]) -> None:
    taken = evenly(np.array(rate_hz))
    assert len(taken) >= 1 and len(set(taken.tolist())) == len(taken)
    assert taken.min() >= 0 and taken.max() < len(rate_hz)
