"""The sensor's line time, from the evenness of an engine's flashes.

In:  a function from a trial line time to the times of all flashes.
Out: the line time at which they come most evenly, and its standard uncertainty.
Not here: crank speed itself; this only asks that it changes smoothly.

Within a few flashes an engine's speed changes smoothly, so their times are a parabola of the number of sparks.
With a wrong line time a flash seen low in its frame comes too late or too early against one seen high.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

WINDOW, FITTED = 6, 3  # our choice: flashes over which the speed is taken as changing evenly; numbers fitted to them
EVEN = 2e-3  # our choice: of the spark period, about as evenly as engines run
# Our choice, of the cost: a misfit of nearly a hundredth of the period, which is of sparks that were miscounted. Clips
# of engines with jitter come to 0.01 to 1.9, those whose flashes are mostly missed to over 4.6.
LEAST_EVEN = 3.0
AS_EVEN = 1e-3  # our choice: of the spark period; engines run no more evenly than that
MOST_STEPS = 4  # our choice: sparks from one flash seen to the next
MANY_STEPS = 0.2  # our choice: of log speed; of two ways to count that are as even, the one with fewer sparks
N_TRIALS = 160
FLASHES_AT_ONCE = 100_000  # our choice: of all trials together; a clip of ten minutes has ten thousand in each


def line_time_from_evenness(
    event_times: Callable[[float], np.ndarray], bounds_s: tuple[float, float]
) -> tuple[float, float]:
    """Line time and its sd, seconds.

    Parameters
    ----------
    event_times : callable
        From a trial line time to the times of the flashes, shape (n,), any n.
    bounds_s : (float, float)
        Shortest and longest line time to try.

    Returns
    -------
    line_time_s, sd_s : float
        The sd is that of the curvature of the misfit at its minimum; as wide as the bounds where the clip cannot tell.
    """
    low, high = bounds_s
    spread = (high - low) / np.sqrt(12)

    def costs_of(trials: np.ndarray) -> np.ndarray:
        return unevenness([np.sort(event_times(t)) for t in trials])

    trials = np.linspace(low, high, N_TRIALS)
    costs = costs_of(trials)
    if not np.isfinite(costs).any():
        return 0.5 * (low + high), spread
    best = int(np.nanargmin(costs))
    for _ in range(3):
        step = trials[1] - trials[0]
        trials = np.linspace(max(low, trials[best] - 1.5 * step), min(high, trials[best] + 1.5 * step), 21)
        costs = costs_of(trials)
        best = int(np.nanargmin(costs))
    found = float(trials[best])
    at_bound = not low + 0.01 * (high - low) < found < high - 1e-3 * (high - low)
    if at_bound or costs[best] > LEAST_EVEN:
        return found, spread  # evener and evener to the very bound, or even nowhere: the clip does not tell
    return found, min(_sd(event_times, found, high - low), spread)


def _sd(event_times: Callable[[float], np.ndarray], found_s: float, width_s: float) -> float:
    """Sd of the line time from how fast the times move against the evenness: residual over lever."""
    step = 1e-3 * width_s
    here, there = np.sort(event_times(found_s)), np.sort(event_times(found_s + step))
    if len(here) != len(there):
        return width_s
    residual, weight = _residuals(here, steps_between([here])[0], (there - here) / step)
    lever = float(np.sum(weight**2))
    if lever <= 0:
        return width_s
    sigma = 1.4826 * float(np.median(np.abs(residual)))
    return 2.0 * sigma / np.sqrt(lever)  # twice: windows overlap, and an engine's unevenness is not white


def unevenness(times_s: list[np.ndarray]) -> np.ndarray:
    """How far flashes are off locally even running, for each of some trials: the mean of log(1 + (misfit / EVEN)²).

    Where the throttle is blipped hardly a window is even with any line time: only those that can be are to count. So
    says the likelihood of Cauchy's distribution, whose tails are that heavy. NaN where there are too few flashes.

    Parameters
    ----------
    times_s : list of ndarray, shape (n_flashes,)
        In time order; each trial may have its own number of flashes.
    """
    costs = np.full(len(times_s), np.nan)
    longest = max((len(t) for t in times_s), default=0)
    at_once = max(1, FLASHES_AT_ONCE // max(longest, 1))
    parts = (times_s[k : k + at_once] for k in range(0, len(times_s), at_once))
    every_steps = [steps for part in parts for steps in steps_between(part)]
    for k, (time_s, steps) in enumerate(zip(times_s, every_steps, strict=True)):
        if len(time_s) >= WINDOW + 2:
            residual, _ = _residuals(time_s, steps, None, relative=True)
            costs[k] = np.mean(np.log1p((residual / EVEN) ** 2))
    return costs


def sd_by_evenness(time_s: np.ndarray) -> float:
    """Sd of single times from how far flashes are off locally even running.

    Parameters
    ----------
    time_s : ndarray, shape (n_flashes,)
        In time order.

    Returns
    -------
    float
        Seconds. An engine's own unevenness is in it, so that it is no less than what the times are off by. Infinite
        where the flashes do not come evenly, or are too few: what they are off by then is of sparks that were
        miscounted.
    """
    if not unevenness([time_s])[0] < LEAST_EVEN:
        return np.inf
    residual, _ = _residuals(time_s, steps_between([time_s])[0], None)
    return 1.4826 * float(np.median(np.abs(residual))) * np.sqrt(WINDOW / (WINDOW - FITTED))


def steps_between(times_s: list[np.ndarray]) -> list[np.ndarray]:
    """How many sparks lie from each flash to the next, for each of some trials: as few as make the speed change least.

    Parameters
    ----------
    times_s : list of ndarray, shape (n_flashes,)
        In time order.

    References
    ----------
    .. [1] Viterbi, IEEE Trans. Inf. Theory 13 (1967) 260-269: the best path through states.
    """
    longest = max((len(t) for t in times_s), default=0)
    if longest < 2:
        return [np.ones(max(len(t) - 1, 0)) for t in times_s]
    gaps = np.full((len(times_s), longest - 1), np.nan)
    for row, time_s in zip(gaps, times_s, strict=True):
        row[: max(len(time_s) - 1, 0)] = np.diff(time_s)
    states = np.arange(1, MOST_STEPS + 1)
    period = np.log(np.maximum(gaps, 1e-9))[:, :, None] - np.log(states)  # (trials, gaps, states)
    many = MANY_STEPS * np.log(states)
    cost = np.broadcast_to(many, period[:, 0].shape)
    came_from = np.zeros(period.shape, np.int8)
    for i in range(1, gaps.shape[1]):
        # Past a trial's last flash nothing is told: the path stays in its state.
        change = np.nan_to_num(np.abs(period[:, i, None, :] - period[:, i - 1, :, None]), nan=0.0)
        total = cost[:, :, None] + change
        came_from[:, i] = total.argmin(axis=1)
        cost = total.min(axis=1) + many
    at = cost.argmin(axis=1)
    path = np.empty(gaps.shape, int)
    every = np.arange(len(gaps))
    for i in range(gaps.shape[1] - 1, -1, -1):
        path[:, i] = at
        at = came_from[every, i, at]
    return [states[row[: max(len(t) - 1, 0)]].astype(float) for row, t in zip(path, times_s, strict=True)]


def _residuals(
    time_s: np.ndarray, steps: np.ndarray, carried: np.ndarray | None, *, relative: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Residuals of overlapping windows to a parabola of the spark number; the carried column with the same taken
    out."""
    starts = np.arange(0, len(time_s) - WINDOW + 1, max(1, WINDOW // 3))
    index = starts[:, None] + np.arange(WINDOW)
    t = time_s[index]
    number = np.concatenate([[0.0], np.cumsum(steps)])[index]
    period = (t[:, -1:] - t[:, :1]) / (number[:, -1:] - number[:, :1])
    n = (number - number.mean(axis=1, keepdims=True)) / (number[:, -1:] - number[:, :1])
    q, _ = np.linalg.qr(np.stack([np.ones_like(n), n, n**2], axis=2))

    def without_parabola(column: np.ndarray) -> np.ndarray:
        return column - np.einsum("wij,wj->wi", q, np.einsum("wij,wi->wj", q, column))

    residual = without_parabola(t)
    if relative:
        residual = residual / np.maximum(period, 1e-9)
    weight = without_parabola(carried[index]) if carried is not None else np.zeros_like(residual)
    return residual.ravel(), weight.ravel()
