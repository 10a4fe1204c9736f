"""The course of an engine turned by hand: which way, since when, where it rested.

In:  the rotor's angle in its running direction, frame by frame.
Out: where it turned back; how far it had run forwards at a time; the rests at its turning points.
Not here: pictures, crank angles before TDC.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NOISE_DEG = 1.5  # our choice: a movement smaller than this is not counted as turning back
REST_DEG = 0.25  # our choice: a rotor that stays within this of one angle rests there
ABOUT_DEG = 3.0  # our choice: how far from the turning point the rest is looked for


@dataclass(frozen=True, slots=True)
class Turn:
    """A place where the rotor turned back, or where the clip begins or ends: frame, angle, which way it came and went.

    `top` is True where it lies further on than what is next to it. `end` where the clip begins or ends there.
    """

    frame: int
    deg: float
    top: bool
    end: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """Frames, first and last, during which the rotor rested at a turning point, and how far it got there at most."""

    first: int
    last: int
    deg: float
    furthest_deg: float
    top: bool
    end: bool


def turning_points(forward_deg: np.ndarray) -> list[Turn]:
    """Where the rotor turned back, the clip's two ends included.

    Parameters
    ----------
    forward_deg : ndarray, shape (n_frames,)
        Unwrapped; NaN where not known.

    Returns
    -------
    list of Turn
        In time order, tops and bottoms by turns; empty where it turned by less than the noise.
    """
    known = np.flatnonzero(np.isfinite(forward_deg))
    if len(known) == 0:
        return []
    low = high = last = int(known[0])
    rising: bool | None = None
    found: list[int] = []
    for i in known.tolist():
        now = forward_deg[i]
        if forward_deg[low] > now:
            low = i
        if forward_deg[high] < now:
            high = i
        if rising is not True and now > forward_deg[low] + NOISE_DEG:
            found.append(low)
            rising, high = True, i
        elif rising is not False and now < forward_deg[high] - NOISE_DEG:
            found.append(high)
            rising, low = False, i
        if rising:
            low = i
        elif rising is False:
            high = i
        last = i
    if rising is None:
        return []
    found.append(_extreme(forward_deg, found[-1], last, rising))
    top_first = forward_deg[found[0]] > forward_deg[found[1]]
    return [
        Turn(i, float(forward_deg[i]), bool((k % 2 == 0) == top_first), k in (0, len(found) - 1))
        for k, i in enumerate(found)
    ]


def _extreme(forward_deg: np.ndarray, since: int, last: int, rising: bool) -> int:
    """The furthest frame after the last turning point."""
    part = forward_deg[since : last + 1]
    return since + int(np.nanargmax(part) if rising else np.nanargmin(part))


def run_up_deg(forward_deg: np.ndarray, turns: list[Turn], frame: int) -> float:
    """How far the rotor had turned forwards, without turning back, when it came to a frame; negative going backwards.

    Parameters
    ----------
    forward_deg : ndarray, shape (n_frames,)
    turns : list of Turn
    frame : int

    Returns
    -------
    float
        Degrees since the last turning point.
    """
    before = [turn for turn in turns if turn.frame <= frame]
    if not before:
        return 0.0
    return float(forward_deg[frame] - before[-1].deg)


def rests(forward_deg: np.ndarray, turns: list[Turn]) -> list[Rest]:
    """How long the rotor stayed at each of its turning points.

    Parameters
    ----------
    forward_deg : ndarray, shape (n_frames,)
    turns : list of Turn

    Returns
    -------
    list of Rest
        One for each turning point; a rotor that turned at once rests for a frame or two only.
    """
    found = []
    for turn in turns:
        first, last = _about(forward_deg, turn.frame, turn.deg, ABOUT_DEG)
        part = forward_deg[first : last + 1]
        # A frame in which the rotor still moved may be read a degree too far: the rest is where most frames are.
        level = float(np.nanpercentile(part, 50, method="nearest"))
        inside = np.flatnonzero(np.abs(part - level) < REST_DEG)
        middle = first + int(inside[np.argmin(np.abs(inside - np.median(inside)))])
        first, last = _about(forward_deg, middle, level, REST_DEG)
        rest_deg = float(np.nanmedian(forward_deg[first : last + 1]))
        found.append(Rest(first, last, rest_deg, turn.deg, turn.top, turn.end))
    return found


def _about(forward_deg: np.ndarray, frame: int, deg: float, reach_deg: float) -> tuple[int, int]:
    """First and last frame of the stretch about a frame that stays within reach of an angle; NaN does not end it."""
    away = np.flatnonzero(np.abs(forward_deg - deg) >= reach_deg)
    before, after = away[away < frame], away[away > frame]
    first = int(before[-1]) + 1 if len(before) else 0
    return first, int(after[0]) - 1 if len(after) else len(forward_deg) - 1
