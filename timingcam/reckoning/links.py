"""Gaps whose sparks could not be counted for certain, settled by the smooth course of the crank where it can.

In:  samples of the crank's angle with such gaps left open, and the course fitted across them.
Out: the same samples, with every gap closed that only one count fits.
Not here: the first count (`sparks.py`), the course itself (`smoothing.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.smoothing import Course, Samples, likelihoods

# Our choice: e^4.6 = 100 times likelier than any other count; a kick of the throttle just there is not in the model.
SETTLED = 4.6
REACH = 3  # spark periods either way; more could only be wrong across a stop
ROUNDS = 3  # a gap that is closed may help to close its neighbour


def close_gaps(samples: Samples, course: Course, period_deg: float) -> Samples:
    """Try the counts of every open gap, and close those that only one fits.

    Parameters
    ----------
    samples : Samples
        With `linked` False at open gaps.
    course : Course
        Fitted to them; its own kicks and drifts are what the counts are held against.
    period_deg : float
        Crank degrees between sparks.

    Returns
    -------
    Samples
        Angles after a closed gap moved by whole periods.
    """
    angle, linked = samples.angle_deg.copy(), samples.linked.copy()
    for _ in range(ROUNDS):
        closed_any = False
        for gap in np.flatnonzero(~linked):
            shift = _one_count(Samples(samples.time_s, angle, samples.sd_deg, linked), course, int(gap), period_deg)
            if shift is None:
                continue
            angle[gap + 1 :] += shift
            linked[gap] = closed_any = True
        if not closed_any:
            break
    return Samples(samples.time_s, angle, samples.sd_deg, linked)


def _one_count(samples: Samples, course: Course, gap: int, period_deg: float) -> float | None:
    """Degrees to move everything after the gap by, or None where several counts fit."""
    guess = _by_speed(samples, course, gap, period_deg)
    closed = samples.linked.copy()
    closed[gap] = True
    shifts = (guess + np.arange(-REACH, REACH + 1)) * period_deg
    # Only what lies near the gap bears on it.
    near = slice(max(gap - 60, 0), gap + 62)
    tries = []
    for shift in shifts:
        angle = samples.angle_deg.copy()
        angle[gap + 1 :] += shift
        tries.append(
            Samples(samples.time_s[near], angle[near], samples.sd_deg[near], closed[near.start : near.stop - 1])
        )
    fits = likelihoods(tries, course, near)
    order = np.argsort(fits)[::-1]
    best = int(order[0])
    if fits[best] - fits[order[1]] < SETTLED or best in (0, len(shifts) - 1):
        return None
    return float(shifts[best])


def _by_speed(samples: Samples, course: Course, gap: int, period_deg: float) -> int:
    """Whole periods that the angle after the gap lies short of the mean speed on either side."""
    length_s = samples.time_s[gap + 1] - samples.time_s[gap]
    turned = 0.5 * (course.speed_deg_s[gap] + course.speed_deg_s[gap + 1]) * length_s
    return round(float(turned - (samples.angle_deg[gap + 1] - samples.angle_deg[gap])) / period_deg)
