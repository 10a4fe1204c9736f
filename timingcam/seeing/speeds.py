"""Flashes at even steps of the speed: where an engine idles for long, what turns looks as if it stood still.

In:  how fast flashes come about each picture.
Out: which pictures stand for all speeds alike.
Not here: crank speed (`reckoning/tacho.py`); a flash that was missed does not matter here.
"""

from __future__ import annotations

import numpy as np

# Our choice: on a steep rise, 24 degrees while the speed doubles, less than 10 degrees; marks that stand nearer than
# that are told apart by what stands beside them.
WIDEST_STEP = 1.35
MEDIAN_OF = 25  # our choice: pictures; a mark is in a few of them at one place


def evenly(rate_hz: np.ndarray, change: np.ndarray | None = None) -> np.ndarray:
    """Some dozens of pictures at even steps of the speed, as indices, each once.

    Parameters
    ----------
    rate_hz : ndarray, shape (n,)
        In any order.
    change : ndarray, shape (n - 1,), optional
        How much a picture differs from the one of the next higher speed, in that order: a step of the speed counts by
        it. Where speed rises and the advance no longer does, few are taken.
    """
    order = np.argsort(rate_hz, kind="stable")
    steps = np.minimum(np.diff(np.log(rate_hz[order])), np.log(WIDEST_STEP))
    if change is not None:
        steps = steps * change
    shares = 0.5 * (np.append(steps, 0.0) + np.insert(steps, 0, 0.0))
    shares = shares / shares.sum() if shares.sum() > 0 else np.full(len(order), 1.0 / len(order))
    wanted = (np.arange(MEDIAN_OF) + 0.5) / MEDIAN_OF
    return order[np.unique(np.searchsorted(np.cumsum(shares) - 0.5 * shares, wanted).clip(0, len(order) - 1))]
