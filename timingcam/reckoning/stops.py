"""The two ends of a piston stop: where the rotor came to rest against it, and what lies in the middle.

In:  the rotor's course, turned by hand from one stop to the other.
Out: `Contact`s, which count and why not; the middle of the blocked arc, which is top dead centre.
Not here: the marks (`tdc.py`).

A positive stop in the plug hole lets the piston come up so far and no further, from either side alike. The rotor then
cannot pass through the arc about top dead centre: it goes from one end of that arc all the way round to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.reckoning.course import Rest, rests, turning_points
from timingcam.reckoning.gum import Part, combine

LEAST_REST_S = 0.25  # our choice: a rotor held against a stop stays there, one that is merely turned back does not
SAME_STOP_DEG = 1.0  # our choice: a turning point further from the stop than this never reached it
LEAST_SWEPT_DEG = 180.0  # a stop that blocked more than half a turn would hold the piston below half its stroke
FULL_TURN_DEG = 360.0
# Our choice: how well a stop repeats, where it was met only once: what gaskets, carbon and a hand's pressure give.
ONE_CONTACT_SD_DEG = 0.1
TURNED_BACK = "turned back before the stop"
NO_REST = "did not rest against the stop"
DO_STOPS = (
    "with the plug out and a positive stop screwed in, turn the engine by hand, never with the starter, gently against "
    "the stop, rest there for a second, turn it back all the way against the stop from the other side, rest again; "
    "twice or more each way"
)


@dataclass(frozen=True, slots=True)
class Contact:
    """One rest at a turning point: frames, first and last; `ahead` if come to forwards; why it is left out."""

    first: int
    last: int
    deg: float
    ahead: bool
    used: bool
    reason: str


def contacts_of(forward_deg: np.ndarray, time_s: np.ndarray) -> list[Contact]:
    """Rests against the stop, in time order.

    Parameters
    ----------
    forward_deg : ndarray, shape (n_frames,)
        The rotor's angle in its running direction, unwrapped; NaN where not known.
    time_s : ndarray, shape (n_frames,)

    Returns
    -------
    list of Contact
        At least one that counts at either end.

    Raises
    ------
    CannotMeasure
        If the course is not one between two stops.
    """
    found = rests(forward_deg, turning_points(forward_deg))
    if not found:
        raise CannotMeasure(found="a rotor that hardly turns", expected="a rotor turned from stop to stop", do=DO_STOPS)
    swept = float(np.nanmax(forward_deg) - np.nanmin(forward_deg))
    if swept >= FULL_TURN_DEG:
        raise CannotMeasure(
            found=f"a rotor that turns through {swept:.0f} degrees",
            expected="less than a full turn, as a stop in the cylinder blocks the rest", do=DO_STOPS,
        )  # fmt: skip
    if swept < LEAST_SWEPT_DEG:
        raise CannotMeasure(
            found=f"a rotor that turns through {swept:.0f} degrees only",
            expected="most of a turn, from one side of the stop to the other", do=DO_STOPS,
        )  # fmt: skip
    far = {True: _stop_of(found, True, time_s), False: _stop_of(found, False, time_s)}
    return [_judged(rest, far[rest.top], time_s) for rest in found]


def _stop_of(found: list[Rest], top: bool, time_s: np.ndarray) -> float:
    """Angle of the furthest rest at one end that is more than the clip's beginning or end."""
    held = [rest.deg for rest in found if rest.top == top and not rest.end and _lasts(rest, time_s)]
    if not held:
        raise CannotMeasure(
            found=f"no rest at the {'forward' if top else 'backward'} end of the rotor's turning",
            expected="a rest against the stop from either side", do=DO_STOPS,
        )  # fmt: skip
    return max(held) if top else min(held)


def _lasts(rest: Rest, time_s: np.ndarray) -> bool:
    return bool(time_s[rest.last] - time_s[rest.first] >= LEAST_REST_S)


def _judged(rest: Rest, stop_deg: float, time_s: np.ndarray) -> Contact:
    reason = ""
    lasts = _lasts(rest, time_s)
    if abs((rest.deg if lasts else rest.furthest_deg) - stop_deg) > SAME_STOP_DEG:
        reason = TURNED_BACK
    elif not lasts:
        reason = NO_REST
    return Contact(rest.first, rest.last, rest.deg, rest.top, reason == "", reason)


@dataclass(frozen=True, slots=True)
class Middle:
    """Top dead centre as the middle of the blocked arc: the rotor's angle, unwrapped, running direction.

    `ahead_deg` and `behind_deg` are the stop's angles met forwards and backwards; `part` the middle's random doubt.
    """

    tdc_deg: float
    ahead_deg: float
    behind_deg: float
    part: Part

    @property
    def blocked_deg(self) -> float:
        """Degrees either side of top dead centre at which the stop holds."""
        return (FULL_TURN_DEG - (self.ahead_deg - self.behind_deg)) / 2.0


def middle_of_stops(ahead: list[tuple[float, float]], behind: list[tuple[float, float]]) -> Middle:
    """Middle of the arc that the stop blocks.

    Parameters
    ----------
    ahead, behind : list of (float, float)
        Rotor angle in the running direction, unwrapped, and the sd of its reading, at each contact met forwards and at
        each met backwards; at least one each.

    Returns
    -------
    Middle

    Notes
    -----
    Going forwards the piston meets the stop before top dead centre, going backwards after it. With the stop met
    forwards at a and met backwards at b, the next top dead centre after a is at (a + b + 360)/2.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 4.2 and 5.1.2: means of repeated contacts, half of each end's doubt.
    """
    ends = [_mean(end) for end in (ahead, behind)]
    (a, part_a), (b, part_b) = ends
    halves = [Part(part_a.sd / 2, part_a.freedom), Part(part_b.sd / 2, part_b.freedom)]
    return Middle((a + b + FULL_TURN_DEG) / 2.0, a, b, combine(halves))


def _mean(contacts: list[tuple[float, float]]) -> tuple[float, Part]:
    deg = np.array([value for value, _ in contacts])
    reading = float(np.sqrt(np.mean([sd**2 for _, sd in contacts])))
    n = len(deg)
    if n == 1:
        return float(deg[0]), Part(float(np.hypot(reading, ONE_CONTACT_SD_DEG)))
    scatter = float(np.std(deg, ddof=1))
    # Two contacts may agree by chance: the usual repeatability counts as two contacts more.
    pooled = float(np.sqrt(((n - 1) * scatter**2 + 2 * ONE_CONTACT_SD_DEG**2) / (n + 1)))
    return float(deg.mean()), Part(float(np.hypot(pooled / np.sqrt(n), reading / np.sqrt(n))), float(n + 1))
