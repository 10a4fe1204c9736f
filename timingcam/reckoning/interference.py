"""Flashes that fit no course of the engine: interference, or light that was no flash of the strobe.

In:  the flashes, how they were counted, what their counting costs.
Out: which of them to leave out before the turns are counted again.
Not here: flashes of another cylinder's sparks, which follow the crank (`evidence.py`).

One flash at a wrong time breaks the count of the turns for all that follow: the gaps before and after it hold no whole
number of turns. Without it both gaps become one, and the speed runs through as it does elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import maximum_filter

from timingcam.reckoning.sparks import Counted, Train, wrapped

REACH = 5  # our choice: flashes on either side that show how the speed runs
ODD_REL = 0.1  # our choice: where the speed jumps by this from one gap to the next is looked into
# Our choice, in natural logarithms: dearer than any one flash out of turn or a sharp kick of the throttle, of which a
# flash out of place needs two.
WORTH = 12.0


def out_of_place(train: Train, counted: Counted, cost_of: Callable[[Train], float]) -> np.ndarray:
    """Flashes to leave out.

    Parameters
    ----------
    train : Train
        The flashes, n of them.
    counted : Counted
        Their count so far.
    cost_of : callable
        What the likeliest count of some of them costs, in natural logarithms.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    n = len(train.time_s)
    alone = np.zeros(n, dtype=bool)
    if n < 2 * REACH + 1:
        return alone
    for k in _suspects(train, counted):
        near = np.arange(max(k - REACH, 0), min(k + REACH + 1, n))
        near = near[~alone[near]]
        rest = near[near != k]
        # What is left out must lie between two others: an end fits anything.
        if alone[k] or len(rest) < REACH + 2 or not rest[0] < k < rest[-1]:
            continue
        alone[k] = cost_of(_some(train, near)) - cost_of(_some(train, rest)) > WORTH
    return alone


def _suspects(train: Train, counted: Counted) -> np.ndarray:
    """Flashes at or next to one at which the speed of the gaps jumps, the farthest jump first."""
    rpm = (360.0 * counted.turns - wrapped(np.diff(train.seen_deg))) / np.diff(train.time_s) / 6.0
    jump = np.abs(np.diff(np.log(np.maximum(rpm, 1.0))))
    at = maximum_filter(np.concatenate([[0.0], jump, [0.0]]), 3)
    at[counted.double] = 0.0
    odd = np.flatnonzero(at > ODD_REL)
    return odd[np.argsort(-at[odd], kind="stable")]


def _some(train: Train, which: np.ndarray) -> Train:
    return Train(train.time_s[which], train.time_sd_s[which], train.seen_deg[which], train.seen_sd_deg[which])


def without(train: Train, alone: np.ndarray) -> Train:
    """The flashes that are left.

    Parameters
    ----------
    train : Train
    alone : ndarray of bool, shape (n,)
        Those to leave out.
    """
    return _some(train, np.flatnonzero(~alone))
