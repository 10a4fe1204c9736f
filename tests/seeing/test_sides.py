"""Flashes that light one side of a rotor each: which lie together, and whether two sides stand alike at one speed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.angles import Turn
from timingcam.seeing.circle import wrap
from timingcam.seeing.sides import AROUND_DEG, LIKE_DEG, about, alike_at_one_speed, groups_of


def read(degs: list[float | None]) -> list[Turn | None]:
    """Turns that surely fit."""
    return [None if deg is None else Turn(deg, 0.05, 0.9, 0.3, 0.6, 0.9) for deg in degs]


def test_groups_the_most_numerous_first_without_lone_ones() -> None:
    turns = read([0.0, 119.0, 10.0, None, 24.0, 121.0, 300.0])
    assert groups_of(turns) == [{0, 2, 4}, {1, 5}]
    assert groups_of([None, None]) == []


def test_a_group_goes_on_past_half_a_turn() -> None:
    assert groups_of(read([175.0, -175.0, 0.0])) == [{0, 1}]
    assert about(read([175.0, -175.0])) == (175.0 - AROUND_DEG, 185.0 + AROUND_DEG)


@given(st.lists(st.integers(-180, 180), min_size=1, max_size=12), st.integers(-180, 180))
def test_turning_all_of_them_groups_them_alike(degs: list[int], by_deg: int) -> None:
    """Of whole degrees, so that two that lie just as far apart as may be do not change sides by rounding."""
    before, after = (
        [len(group) for group in groups_of(read([wrap(float(deg + by)) for deg in degs]))] for by in (0, by_deg)
    )
    assert before == after
    assert sum(before) <= len(degs)


@pytest.mark.parametrize(("off_deg", "alike"), [(0.0, True), (0.8 * LIKE_DEG, True), (1.3 * LIKE_DEG, False)])
def test_two_sides_stand_alike_at_one_speed_or_not(off_deg: float, alike: bool) -> None:
    rate_hz = np.array([10.0, 15.0, 20.0, 30.0, 10.1, 15.1, 20.1, 30.1])
    turns = read([0.0, 5.0, 12.0, 20.0, *(deg + off_deg for deg in (0.0, 5.1, 12.1, 20.1))])
    assert alike_at_one_speed(turns, {0, 1, 2, 3}, {4, 5, 6, 7}, rate_hz) is alike


def test_sides_seen_at_other_speeds_only_tell_nothing() -> None:
    turns = read([0.0, 5.0, 12.0, 0.0, 5.0, 12.0])
    rate_hz = np.array([10.0, 15.0, 20.0, 11.0, 17.0, 23.0])
    assert not alike_at_one_speed(turns, {0, 1, 2}, {3, 4, 5}, rate_hz)
    assert not alike_at_one_speed(read([None] * 6), {0, 1, 2}, {3, 4, 5}, rate_hz)
