"""Gaps whose sparks could not be counted for certain, settled by the smooth course of the crank where it can.

In:  the flashes, their count with such gaps left open, and the course fitted across them.
Out: the count, with every gap closed that only one number of turns fits.
Not here: the first count (`sparks.py`), the course itself (`smoothing.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.gaps import LONGEST_GAP_S
from timingcam.reckoning.smoothing import Course, Samples, likelihoods
from timingcam.reckoning.sparks import OUT_OF_TURN_COST, Counted, Train, tally

# Our choice: e^4.6 = 100 times likelier than any other count; a kick of the throttle just there is not in the model.
SETTLED = 4.6
REACH = 3  # spark periods either way; more could only be wrong across a stop
ROUNDS = 3  # a gap that is closed may help to close its neighbour


def close_gaps(train: Train, counted: Counted, course: Course, sd_deg: np.ndarray, turns_per_spark: int) -> Counted:
    """Try the counts of every open gap, and close those that only one fits.

    Parameters
    ----------
    train, counted : Train, Counted
        The flashes and their first count.
    course : Course
        Fitted with those gaps open; its own kicks and drifts are what the counts are held against.
    sd_deg : ndarray, shape (n,)
        Of the crank's angle at each flash.
    turns_per_spark : int
        1 or 2.

    Returns
    -------
    Counted
    """
    turns, certain = counted.turns.copy(), counted.certain.copy()
    for _ in range(ROUNDS):
        before = certain.sum()
        for gap in np.flatnonzero(~certain):
            crank_deg = tally(train, turns, certain, turns_per_spark).crank_deg
            samples = Samples(train.time_s, crank_deg, sd_deg, certain)
            more = _one_count(samples, course, int(gap), int(turns[gap]), turns_per_spark)
            if more is not None:
                turns[gap] += more
                certain[gap] = True
        if certain.sum() == before:
            break
    return tally(train, turns, certain, turns_per_spark)


def _one_count(samples: Samples, course: Course, gap: int, turns: int, turns_per_spark: int) -> int | None:
    """Turns to add to the gap's, or None where several counts fit."""
    length_s = samples.time_s[gap + 1] - samples.time_s[gap]
    if length_s > LONGEST_GAP_S:
        return None
    turned = 0.5 * (course.speed_deg_s[gap] + course.speed_deg_s[gap + 1]) * length_s
    guess = round(float(turned - (samples.angle_deg[gap + 1] - samples.angle_deg[gap])) / 360.0)
    more = guess + np.arange(-REACH * turns_per_spark, REACH * turns_per_spark + 1)
    more = more[turns + more >= 0]
    if len(more) < 3:
        return None
    # Only what lies near the gap bears on it.
    near = slice(max(gap - 60, 0), gap + 62)
    linked = samples.linked.copy()
    linked[gap] = True
    tries = []
    for add in more:
        angle = samples.angle_deg.copy()
        angle[gap + 1 :] += 360.0 * add
        tries.append(
            Samples(samples.time_s[near], angle[near], samples.sd_deg[near], linked[near.start : near.stop - 1])
        )
    fits = likelihoods(tries, course, near) - np.where((turns + more) % turns_per_spark == 0, 0.0, OUT_OF_TURN_COST)
    order = np.argsort(fits)[::-1]
    if fits[order[0]] - fits[order[1]] < SETTLED or order[0] in (0, len(more) - 1):
        return None
    return int(more[order[0]])
