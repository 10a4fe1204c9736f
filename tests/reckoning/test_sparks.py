"""Turns of the crank between flashes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.reckoning.sparks import Train, count_turns, in_sight, wrapped


def train(time_s: np.ndarray, seen_deg: float | np.ndarray = 20.0) -> Train:
    n = len(time_s)
    return Train(time_s, np.full(n, 1e-5), np.broadcast_to(seen_deg, (n,)).astype(float), np.full(n, 0.05))


@given(st.lists(st.integers(1, 4), min_size=12, max_size=40), st.floats(900, 7000), st.sampled_from([0.5, 1.0]))
@settings(max_examples=60, deadline=None)
def test_any_pattern_of_missed_flashes_at_a_steady_speed(gaps: list[int], rpm: float, sparks_per_rev: float) -> None:
    # Two neighbours at least one period apart tell the period.
    gaps = [1, *gaps, 1]
    spark = np.concatenate([[0], np.cumsum(gaps)])
    time_s = spark * 60.0 / rpm / sparks_per_rev
    found = count_turns(train(time_s), sparks_per_rev)
    # Long gaps at slow running may be anything; but what is called certain must be right.
    assert np.array_equal(np.diff(found.spark)[found.certain], np.array(gaps)[found.certain])
    assert not found.certain[np.diff(time_s) > 0.6].any()
    if rpm > 2500:
        assert found.certain.all()


def test_advance_that_wraps() -> None:
    """Angles seen come within half a turn either way; a jump from 179 to −179 is a step of 2."""
    seen = wrapped(170 + np.arange(30.0))
    found = count_turns(train(np.arange(30) * (719.0 / 18000), seen), 0.5)
    assert np.array_equal(found.spark, np.arange(30))
    assert np.diff(found.crank_deg) == pytest.approx(719.0)


def test_flash_out_of_turn_is_a_stray() -> None:
    """One flash midway between two sparks: another cylinder's. A camera that looked all the time missed none."""
    time_s = np.insert(np.arange(20) * 0.04, 10, 9.5 * 0.04)
    found = count_turns(train(time_s), 0.5, np.array([[-1.0, 2.0]]))
    assert found.stray[10] and found.stray.sum() == 1
    assert not found.double.any()


def test_count_pinned_by_when_the_camera_looked() -> None:
    """Flashes 40 ms apart seen in every other window only: twice the speed would need flashes in plain sight."""
    time_s = np.arange(20) * 0.04
    looked = np.stack([time_s - 0.005, time_s + 0.030], axis=1)
    found = count_turns(train(time_s), 0.5, looked)
    assert np.array_equal(found.spark, np.arange(20))


def test_in_sight() -> None:
    windows = np.array([[0.0, 0.01], [0.02, 0.03]])
    assert list(in_sight(np.array([-0.001, 0.005, 0.015, 0.025, 0.05]), windows)) == [False, True, False, True, False]
