"""When the lamp went on and off, between the frames.

In:  `LampLight`, the frames' times.
Out: `Switching`s in time order: when, which way, and how well that is known.
Not here: how the rotor stood then (`reckoning/static.py`).

A frame that the switching falls into shows the lamp at a part of its brightness. The mean time of the rise is the
switching's, whatever the exposure, to a fraction of the time between frames; a lamp that takes its time to light up is
late by that time on the mean, which the frames after it show.

Times are those of frames: a lamp that switches at t is half way in a frame whose row was exposed about t.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.lamp import LampLight

LOW, HIGH = 0.3, 0.7  # of the step: a switching goes from below one to above the other
REACH_S = 0.4  # our choice: to either side, enough for a small bulb to settle
LEAST_SIDE = 3  # frames on either side
# The switching falls anywhere between two exposures, or in one. With exposures of length E at every T the mean time
# errs evenly over T - E. E is not known: in light good enough to film marks by it is a fifth of T or less.
INSTANT_SD = 0.8 / np.sqrt(12.0)
# A lamp that lights within a quarter of the frame period cannot be told from one that lights at once.
QUICK = 0.25
ONE_WAY = 1.0  # the same in a clip that shows the lamp switch one way only
PLAINLY = 0.6  # our choice: what is left of the misfit; video coding lets brightness swing for some frames after a jump
LAG_SHARE_SD = 0.2  # our choice: a bulb's rise is no exponential; of its lag that much is in doubt
CLIPPED_SD = 0.25  # of the frame period: clipped light seems full too early
EXPOSURE_SHARE = 0.5  # of the frame period, where a shape has to be assumed


@dataclass(frozen=True, slots=True)
class Switching:
    """One switching: its time on the frames' clock (at the lamp's row), the sd of that, and which way.

    `lag_s` is what was taken off for the lamp's own slowness, `lag_sd_s` the doubt of that, alike for all.
    """

    time_s: float
    sd_s: float
    on: bool
    lag_s: float
    lag_sd_s: float


def switchings(lamp: LampLight, time_s: np.ndarray) -> list[Switching]:
    """Every switching that can be timed.

    Parameters
    ----------
    lamp : LampLight
    time_s : ndarray, shape (n_frames,)

    Returns
    -------
    list of Switching
        Those whose frames about them all show the lamp.
    """
    period_s = float(np.median(np.diff(time_s)))
    found: list[Switching] = []
    rises = {
        on: [r for r in _rises(lamp.level if on else 1 - lamp.level, time_s) if r is not None] for on in (True, False)
    }
    lags_s = _lags(rises, period_s)
    for on, lag_s in lags_s.items():
        for rise in rises[on]:
            if lag_s == 0.0:
                at_s, sd_s, lag_sd_s = mean_time(rise), INSTANT_SD * period_s, QUICK * period_s / np.sqrt(12)
            else:
                at_s, _ = best_start(rise, lag_s, period_s)
                sd_s, lag_sd_s = 0.5 * INSTANT_SD * period_s, LAG_SHARE_SD * lag_s
            if lamp.clipped:
                sd_s = float(np.hypot(sd_s, CLIPPED_SD * period_s))
            found.append(Switching(at_s, sd_s, on, lag_s, float(lag_sd_s)))
    return sorted(found, key=lambda s: s.time_s)


@dataclass(frozen=True, slots=True, eq=False)
class Rise:
    """Frames about one rise: times, and level from 0 before it to 1 after it."""

    time_s: np.ndarray
    level: np.ndarray


def _rises(level: np.ndarray, time_s: np.ndarray) -> list[Rise | None]:
    """Where a level rises, with the frames about it up to the next change; None where some do not show the lamp."""
    known = np.flatnonzero(np.isfinite(level)).tolist()
    crossings: list[tuple[int, bool]] = []  # number of the first frame past it, upwards or downwards
    state: bool | None = None
    for i in known:
        now = True if level[i] > HIGH else False if level[i] < LOW else None
        if now is None:
            continue
        if state is not None and now != state:
            crossings.append((i, now))
        state = now
    rises = []
    for k, (i, upwards) in enumerate(crossings):
        if not upwards:
            continue
        before = crossings[k - 1][0] + 1 if k > 0 else 0
        after = crossings[k + 1][0] - 2 if k + 1 < len(crossings) else len(level) - 1
        rises.append(_rise(level, time_s, i, (before, after)))
    return rises


def _rise(level: np.ndarray, time_s: np.ndarray, at: int, room: tuple[int, int]) -> Rise | None:
    first = max(room[0], int(np.searchsorted(time_s, time_s[at] - REACH_S)))
    last = min(room[1], int(np.searchsorted(time_s, time_s[at] + REACH_S)))
    if at - first < LEAST_SIDE or last - at < LEAST_SIDE or not np.isfinite(level[first : last + 1]).all():
        return None
    t, y = time_s[first : last + 1], level[first : last + 1]
    n = max(2, (at - first) // 2), max(2, (last - at) // 2)
    low, high = float(np.median(y[: n[0]])), float(np.median(y[-n[1] :]))
    if high - low < HIGH - LOW:
        return None
    return Rise(t, (y - low) / (high - low))


def mean_time(rise: Rise) -> float:
    """When a lamp rose that lights at once: each step up counts at the middle between its two frames.

    Parameters
    ----------
    rise : Rise

    Returns
    -------
    float
        Seconds.

    Notes
    -----
    An exposure is no longer than the time between frames, so that one frame at most is caught in between: the one after
    which, or at which, the level passes the middle. All others are out or lit, whatever their noise.
    """
    past = int(np.argmax(rise.level > 0.5))
    level = np.concatenate([[0.0], np.clip(rise.level[past - 1 : past + 1], 0.0, 1.0), [1.0]])
    time_s = rise.time_s[past - 2 : past + 2]
    steps = np.diff(level)
    return float((steps * (time_s[1:] + time_s[:-1]) / 2).sum())


def _lags(rises: dict[bool, list[Rise]], period_s: float) -> dict[bool, float]:
    """Slowness of lighting and of dying, seconds; 0 for a lamp that is quick.

    A bulb is slow both ways; what video coding makes of a jump, it does one way more than the other.
    """
    if not all(rises.values()):
        return {on: lag(some, period_s, ONE_WAY) for on, some in rises.items()}
    if lag([*rises[True], *rises[False]], period_s) == 0:
        return dict.fromkeys(rises, 0.0)
    return {on: lag(some, period_s) for on, some in rises.items()}


def lag(rises: list[Rise], period_s: float, least: float = QUICK) -> float:
    """How slowly the lamp lights up: the time constant that explains all rises best; 0 where it is too quick to tell.

    Parameters
    ----------
    rises : list of Rise
    period_s : float
        From frame to frame.
    least : float
        The shortest that counts, in periods.

    Returns
    -------
    float
        Seconds.
    """
    if not rises:
        return 0.0
    tried = np.concatenate([[0.0], np.geomspace(0.1 * period_s, 0.5 * REACH_S, 24)])
    cost = [sum(best_start(rise, tau, period_s)[1] for rise in rises) for tau in tried]
    best = int(np.argmin(cost))
    slow = tried[best] > least * period_s and cost[best] < PLAINLY * cost[0]
    return float(tried[best]) if slow else 0.0


def best_start(rise: Rise, lag_s: float, period_s: float) -> tuple[float, float]:
    """When a rise of a given slowness began, and the misfit left (sum of squares)."""
    middle = mean_time(rise) - lag_s
    starts = middle + np.linspace(-1.5, 1.5, 121) * period_s
    left = ((rise.level - _shape(rise.time_s[None, :] - starts[:, None], lag_s, EXPOSURE_SHARE * period_s)) ** 2).sum(
        axis=1
    )
    k = int(np.argmin(left))
    return float(starts[k]), float(left[k])


def _shape(since_s: np.ndarray, lag_s: float, exposure_s: float) -> np.ndarray:
    """Mean level over exposures whose middles lie some time after the start."""

    def burnt(s: np.ndarray) -> np.ndarray:
        s = np.maximum(s, 0.0)
        return s if lag_s == 0 else s - lag_s * (1 - np.exp(-s / lag_s))

    return (burnt(since_s + exposure_s / 2) - burnt(since_s - exposure_s / 2)) / exposure_s
