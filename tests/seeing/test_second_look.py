"""Flashes told by others at their speed: strays among them, where to look, and when not to."""

from __future__ import annotations

import numpy as np

from timingcam.seeing.readout import NOT_RECOGNISED, FlashTurns
from timingcam.seeing.second_look import ELSEWHERE, told_by_others
from timingcam.seeing.sides import usual_deg

N = 160
RATE_HZ = np.geomspace(10.0, 45.0, N)
# An advancer of 25 degrees between two speeds, as a rotor that turns the other way shows it.
TURN_DEG = -np.interp(RATE_HZ, [15.0, 30.0], [0.0, 25.0])


def turns_of(turn_deg: np.ndarray, reason: str = NOT_RECOGNISED) -> FlashTurns:
    read = np.isfinite(turn_deg)
    n = len(turn_deg)
    return FlashTurns(
        turn_deg, np.where(read, 0.1, np.nan), np.where(read[:, None], 0.01, np.nan) * np.ones((n, 2)),
        np.tile(np.eye(3), (n, 1, 1)), np.where(read, 0.9, 0.0), tuple("" if one else reason for one in read),
        np.tile(np.eye(3), (n, 1, 1)), np.zeros(0, int), np.zeros((0, 4, 4), np.uint8), np.zeros((0, 2)), 1.0,
        np.full((n, 2, 2), np.nan),
    )  # fmt: skip


def nothing_more(near_deg: np.ndarray) -> FlashTurns:
    return turns_of(np.full(len(near_deg), np.nan))


def test_where_others_as_fast_show_it() -> None:
    # Rates within 5 percent, on the rise 25 degrees in a factor of two: 1.8 degrees, which lie evenly about each but
    # for its ends.
    usual = usual_deg(TURN_DEG, RATE_HZ)
    assert np.isfinite(usual).all() and np.abs(usual - TURN_DEG).max() < 1.8
    assert np.isnan(usual_deg(TURN_DEG[::4], RATE_HZ[::4])).all()  # two or three others each


def test_slices_laid_on_another_hole_are_no_readings() -> None:
    seen = TURN_DEG.copy()
    strays = [20, 83, 127]
    seen[strays] += 60.0
    told = told_by_others(turns_of(seen), RATE_HZ, nothing_more)
    assert np.flatnonzero(np.isnan(told.turn_deg)).tolist() == strays
    assert [told.reason[k] for k in strays] == [ELSEWHERE] * 3 and np.isnan(told.turn_sd_deg[strays]).all()
    others = np.setdiff1d(np.arange(N), strays)
    assert np.array_equal(told.turn_deg[others], seen[others])


def test_where_strays_are_many_they_are_found_by_turns() -> None:
    """A third of some flashes: those found first no longer hide the others."""
    seen = TURN_DEG.copy()
    strays = np.arange(60, 100, 3)
    seen[strays] += 60.0
    told = told_by_others(turns_of(seen), RATE_HZ, nothing_more)
    assert np.flatnonzero(np.isnan(told.turn_deg)).tolist() == strays.tolist()


def test_a_second_look_where_others_stand() -> None:
    seen = TURN_DEG.copy()
    unread = np.arange(4, N - 4, 4)
    seen[unread[1:]] = np.nan
    seen[unread[0]] += 60.0  # a stray is looked at again too
    asked: list[np.ndarray] = []

    def read_near(near_deg: np.ndarray) -> FlashTurns:
        asked.append(near_deg)
        return turns_of(np.where(np.arange(N) == unread[2], np.nan, near_deg + 0.5))

    told = told_by_others(turns_of(seen), RATE_HZ, read_near)
    assert np.flatnonzero(np.isfinite(asked[0])).tolist() == unread.tolist()
    assert np.abs(asked[0] - TURN_DEG)[unread].max() < 1.5
    assert np.flatnonzero(np.isnan(told.turn_deg)).tolist() == [unread[2]]
    assert told.reason[unread[1]] == "" and told.reason[unread[2]] == NOT_RECOGNISED
    assert told.turn_deg[unread[1]] == asked[0][unread[1]] + 0.5 and told.turn_sd_deg[unread[1]] == 0.1


def test_few_are_not_worth_it() -> None:
    seen = TURN_DEG.copy()
    seen[[20, 130]] = np.nan
    turns = turns_of(seen)

    def never(_near_deg: np.ndarray) -> FlashTurns:
        raise AssertionError

    assert told_by_others(turns, RATE_HZ, never) is turns


def test_flashes_that_nothing_lit_are_not_looked_at_again() -> None:
    seen = TURN_DEG.copy()
    seen[::2] = np.nan
    turns = turns_of(seen, "too little of the rotor is lit")
    assert told_by_others(turns, RATE_HZ, nothing_more) is turns


def test_a_strobe_at_a_rate_of_its_own_has_no_strays() -> None:
    """All come as fast as each other, and show the rotor all round."""
    anywhere = np.random.default_rng(3).uniform(-180, 180, N)
    turns = turns_of(anywhere)
    assert told_by_others(turns, np.full(N, 20.0), nothing_more) is turns
