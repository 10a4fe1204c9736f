"""Flashes that cannot be read by themselves, by where others at their speed show the rotor.

In:  what each flash told by itself, how fast flashes come about each.
Out: the same without those that were laid on another hole or spoke, and with those that are told by where to look.
Not here: the reading (`readout.py`).

A strobe that follows the engine shows the rotor alike at one speed. A slice of a rotor that shows a hole or a spoke may
be laid on another one; and one that shows a line may be known again only if it is known about where to look.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from timingcam.seeing.circle import wrap
from timingcam.seeing.readout import NOT_RECOGNISED, TWO_ANGLES, FlashTurns
from timingcam.seeing.sides import STRAY_DEG, usual_deg

ELSEWHERE = "the rotor is seen far from where others as fast show it"
MOST_ROUNDS = 5  # our choice
WORTH_IT = 0.2  # our choice, of the flashes: a look at fewer costs as much time
TAKEN = ("turn_deg", "turn_sd_deg", "centre", "covariance", "match", "place")


def told_by_others(turns: FlashTurns, rate_hz: np.ndarray, read_near: Callable[[np.ndarray], FlashTurns]) -> FlashTurns:
    """The turns without strays, and with a second look at many that could not be read.

    Parameters
    ----------
    turns : FlashTurns
        Of each flash by itself.
    rate_hz : ndarray, shape (n,)
        How fast flashes come about each.
    read_near : callable
        From about where the rotor is in each flash, shape (n,), NaN where that is not asked, to what that tells.
    """
    strays, usual = _strays_of(turns.turn_deg, rate_hz)
    unsure = strays | np.isin(turns.reason, (NOT_RECOGNISED, TWO_ANGLES))
    turns = _without(turns, strays)
    near_deg = np.where(unsure, usual, np.nan)
    if np.isfinite(near_deg).sum() < WORTH_IT * len(near_deg):
        return turns
    return _with(turns, read_near(near_deg))


def _strays_of(turn_deg: np.ndarray, rate_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which flashes are strays, and where most others as fast stand that are none.

    Those that are surely wrong do not say what others are, nor where to look.
    """
    strays = np.zeros(len(turn_deg), bool)
    for _ in range(MOST_ROUNDS):
        left = np.where(strays, np.nan, turn_deg)
        usual = usual_deg(left, rate_hz)
        more = np.abs(wrap(left - usual)) > STRAY_DEG  # none where either is NaN
        if not more.any():
            break
        strays |= more
    return strays, usual


def _without(turns: FlashTurns, strays: np.ndarray) -> FlashTurns:
    if not strays.any():
        return turns
    reasons = tuple(ELSEWHERE if stray else reason for stray, reason in zip(strays, turns.reason, strict=True))
    turn_deg, sd_deg = (np.where(strays, np.nan, column) for column in (turns.turn_deg, turns.turn_sd_deg))
    return replace(turns, turn_deg=turn_deg, turn_sd_deg=sd_deg, reason=reasons)


def _with(turns: FlashTurns, more: FlashTurns) -> FlashTurns:
    """The first, and what only the second tells."""
    new = np.isfinite(more.turn_deg) & ~np.isfinite(turns.turn_deg)
    reasons = tuple("" if taken else reason for taken, reason in zip(new, turns.reason, strict=True))
    turn_deg, sd_deg, centre, covariance, match, place = (
        np.where(new.reshape(-1, *[1] * (getattr(more, name).ndim - 1)), getattr(more, name), getattr(turns, name))
        for name in TAKEN
    )
    return replace(
        turns, turn_deg=turn_deg, turn_sd_deg=sd_deg, centre=centre, covariance=covariance, match=match, reason=reasons,
        place=place,
    )  # fmt: skip
