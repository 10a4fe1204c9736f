"""Which way a hand-turned engine went, on courses drawn by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.reckoning.course import rests, run_up_deg, turning_points


def course(*points: tuple[float, float], fps: float = 30.0) -> np.ndarray:
    """Angle frame by frame, straight between [seconds, degrees] points."""
    t, y = np.array(points).T
    return np.interp(np.arange(0, t[-1] + 1e-9, 1 / fps), t, y)


def test_turning_points_of_a_zigzag() -> None:
    found = turning_points(course((0, 0), (1, 30), (2, -10), (3, 40)))
    assert [(one.frame, one.top, one.end) for one in found] == [
        (0, False, True), (30, True, False), (60, False, False), (90, True, True)
    ]  # fmt: skip
    assert [one.deg for one in found] == pytest.approx([0, 30, -10, 40])


@given(st.integers(0, 2**32 - 1), st.floats(0, 0.3))
def test_a_trembling_hand_does_not_turn_back(seed: int, tremble_deg: float) -> None:
    clean = course((0, 0), (1, 30), (1.5, 30), (2.5, -10))
    shaken = clean + np.clip(np.random.default_rng(seed).normal(0, tremble_deg, clean.size), -0.7, 0.7)
    assert [one.top for one in turning_points(shaken)] == [False, True, False]


@given(st.integers(0, 2**32 - 1))
def test_tops_and_bottoms_take_turns(seed: int) -> None:
    walk = np.cumsum(np.random.default_rng(seed).normal(0, 2.0, 300))
    found = turning_points(walk)
    assert all(a.top != b.top for a, b in itertools.pairwise(found))
    assert all((a.deg < b.deg) == b.top for a, b in itertools.pairwise(found))
    assert all(a.frame < b.frame for a, b in itertools.pairwise(found))


def test_frames_that_could_not_be_read_are_bridged() -> None:
    seen = course((0, 0), (1, 30), (2, -10))
    seen[10:14] = np.nan
    assert [one.frame for one in turning_points(seen)] == [0, 30, 60]


def test_nothing_turns() -> None:
    assert turning_points(np.full(40, 7.0)) == []
    assert turning_points(np.full(40, np.nan)) == []


def test_run_up_is_counted_from_the_last_turning_back() -> None:
    seen = course((0, 0), (1, 30), (2, -10), (3, 40))
    turns = turning_points(seen)
    assert run_up_deg(seen, turns, 15) == pytest.approx(15.0)
    assert run_up_deg(seen, turns, 45) == pytest.approx(-20.0)
    assert run_up_deg(seen, turns, 75) == pytest.approx(25.0)


def test_rests_last_as_long_as_the_rotor_stays() -> None:
    seen = course((0, 0), (1, 30), (2, 30), (3, -10), (3.5, -10), (4, 0))
    top = rests(seen, turning_points(seen))[1]
    assert top.top
    # Half a frame of slope lies within the rest's quarter of a degree at either end.
    assert (top.first, top.last) == (30, 60)
    assert top.deg == pytest.approx(30.0)


def test_a_frame_read_too_far_as_the_rotor_stops_does_not_hide_the_rest() -> None:
    seen = course((0, 0), (1, 30), (2, 30), (3, -10))
    seen[29] = 31.4
    top = rests(seen, turning_points(seen))[1]
    assert (top.first, top.last) == (30, 60)
    assert top.deg == pytest.approx(30.0)
