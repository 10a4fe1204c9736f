"""Sides of a rotor: flashes that light one part of it each, and agree among themselves.

In:  the turns of some dozens of flashes, how fast flashes came about each.
Out: which of them lie together; whether two sides stand alike at one speed.
Not here: laying one side to the other (`rotor_map.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.angles import Turn, fits
from timingcam.seeing.circle import wrap

# Our choice: no advancer moves the spark further; other flashes lie so far beyond the ends of those looked at, at most.
WIDEST_DEG, AROUND_DEG = 45.0, 20.0
# Our choice: pairs of flashes of two sides; of the logarithm of their rates; degrees: a spark's scatter, and what the
# advance may change by between such rates, halved by the median.
LEAST_ALIKE, LIKE_RATE, LIKE_DEG = 3, 0.05, 1.5
# Our choice: holes and spokes stand thirty degrees apart or more, and an advancer that sticks does not move the spark
# by as much at one speed; of the others at its speed so many must agree, as well as a rise between such rates lets
# them.
STRAY_DEG, AGREED, AGREED_DEG = 25.0, 0.6, 8.0
NEAR_DEG = 12.0  # our choice: to either side of where other flashes show the rotor, twice as far as a rival stands off


def groups_of(turns: list[Turn | None]) -> list[set[int]]:
    """Which flashes lie no further apart than an advancer goes, the most numerous first; a lone one is no group."""
    left = {k: turn.deg for k, turn in enumerate(turns) if turn is not None and fits(turn)}
    groups: list[set[int]] = []
    while left:
        group = max(
            ({k for k, deg in left.items() if (deg - first) % 360.0 <= WIDEST_DEG} for first in left.values()), key=len
        )
        if len(group) > 1:
            groups.append(group)
        left = {k: deg for k, deg in left.items() if k not in group}
    return groups


def about(turns: list[Turn | None]) -> tuple[float, float]:
    """Between which angles those of the flashes that fit may lie, and as far beyond as others do at most."""
    degs = np.array([turn.deg for turn in turns if turn is not None and fits(turn)])
    off = np.asarray(wrap(degs - degs[0]))
    return float(degs[0] + off.min() - AROUND_DEG), float(degs[0] + off.max() + AROUND_DEG)


def alike_at_one_speed(turns: list[Turn | None], side: set[int], other: set[int], rate_hz: np.ndarray) -> bool:
    """Whether the flashes of one side show the rotor where those of another do that come as fast."""
    told = {k: turn.deg for k, turn in enumerate(turns) if turn is not None and fits(turn)}
    own = [k for k in told if k in side]
    rate = np.log(rate_hz)
    apart = []
    for k in told.keys() & other:
        near = min(own, key=lambda one: abs(rate[one] - rate[k]), default=k)
        if near != k and abs(rate[near] - rate[k]) < LIKE_RATE:
            apart.append(float(wrap(told[k] - told[near])))
    return len(apart) >= LEAST_ALIKE and abs(float(np.median(apart))) < LIKE_DEG


def usual_deg(turn_deg: np.ndarray, rate_hz: np.ndarray) -> np.ndarray:
    """Where most other flashes show the rotor that come as fast as each, shape (n,); NaN where they are few, or do not
    agree.

    Parameters
    ----------
    turn_deg : ndarray, shape (n,)
        NaN where an angle was not read.
    rate_hz : ndarray, shape (n,)
        How fast flashes come about each.
    """
    rate, usual = np.log(rate_hz), np.full(len(turn_deg), np.nan)
    for k in range(len(turn_deg)):
        others = np.isfinite(turn_deg) & (np.abs(rate - rate[k]) < LIKE_RATE)
        others[k] = False
        if np.count_nonzero(others) <= LEAST_ALIKE:
            continue
        there = turn_deg[others]
        about_deg = float(np.degrees(np.angle(np.exp(1j * np.radians(there)).mean())))
        middle = about_deg + float(np.median(wrap(there - about_deg)))
        if (np.abs(wrap(there - middle)) < AGREED_DEG).mean() >= AGREED:
            usual[k] = wrap(middle)
    return usual


def alike_in_speed(rate_hz: np.ndarray) -> np.ndarray:
    """The most flashes that came about as fast as each other, shape (n,) of bool: a strobe that follows the engine
    shows the rotor alike in all of them."""
    rate = np.log(rate_hz)
    least = max(rate, key=lambda low: np.count_nonzero((rate >= low) & (rate <= low + LIKE_RATE)), default=np.nan)
    return (rate >= least) & (rate <= least + LIKE_RATE)
