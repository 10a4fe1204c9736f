"""The sensor's line time, from the evenness of an engine's flashes.

In:  a function from a trial line time to the times of all flashes.
Out: the line time at which they come most evenly, and its standard uncertainty.
Not here: crank speed itself; this only asks that it changes smoothly.

Within a dozen flashes an engine's speed changes smoothly, so their times are a parabola of the number of sparks.
With a wrong line time a flash seen low in its frame comes too late or too early against one seen high.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

WINDOW = 12  # our choice: flashes over which the speed is taken as changing evenly
N_TRIALS = 160


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
    trials = np.linspace(low, high, N_TRIALS)
    costs = np.array([unevenness(np.sort(event_times(t))) for t in trials])
    if not np.isfinite(costs).any():
        return 0.5 * (low + high), spread
    best = int(np.nanargmin(costs))
    for _ in range(3):
        step = trials[1] - trials[0]
        trials = np.linspace(max(low, trials[best] - 1.5 * step), min(high, trials[best] + 1.5 * step), 21)
        costs = np.array([unevenness(np.sort(event_times(t))) for t in trials])
        best = int(np.nanargmin(costs))
    found = float(trials[best])
    if not low + 0.01 * (high - low) < found < high - 1e-3 * (high - low):
        return found, spread  # evener and evener to the very bound: the clip does not tell
    return found, min(_sd(event_times, found, high - low), spread)


def _sd(event_times: Callable[[float], np.ndarray], found_s: float, width_s: float) -> float:
    """Sd of the line time from how fast the times move against the evenness: residual over lever."""
    step = 1e-3 * width_s
    here, there = np.sort(event_times(found_s)), np.sort(event_times(found_s + step))
    if len(here) != len(there):
        return width_s
    residual, weight = _residuals(here, (there - here) / step)
    lever = float(np.sum(weight**2))
    if lever <= 0:
        return width_s
    sigma = 1.4826 * float(np.median(np.abs(residual)))
    return 2.0 * sigma / np.sqrt(lever)  # twice: windows overlap, and an engine's unevenness is not white


def unevenness(time_s: np.ndarray) -> float:
    """Robust rms misfit of the flashes to locally even running, as a share of the spark period."""
    if len(time_s) < WINDOW + 2:
        return float("nan")
    residual, _ = _residuals(time_s, None, relative=True)
    return float(np.mean(np.minimum(np.abs(residual), 0.05)))


def _residuals(
    time_s: np.ndarray, carried: np.ndarray | None, *, relative: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Residuals of overlapping windows to a parabola of the spark number; the carried column with the same taken
    out."""
    starts = np.arange(0, len(time_s) - WINDOW + 1, WINDOW // 3)
    index = starts[:, None] + np.arange(WINDOW)
    t = time_s[index]
    gaps = np.maximum(np.diff(t, axis=1), 1e-9)
    base = np.percentile(gaps, 25, axis=1, keepdims=True)
    steps = np.maximum(np.round(gaps / base), 1.0)
    period = np.median(gaps / steps, axis=1, keepdims=True)
    steps = np.maximum(np.round(gaps / period), 1.0)
    n = np.concatenate([np.zeros((len(t), 1)), np.cumsum(steps, axis=1)], axis=1)
    n = (n - n.mean(axis=1, keepdims=True)) / n[:, -1:].clip(1)
    q, _ = np.linalg.qr(np.stack([np.ones_like(n), n, n**2], axis=2))

    def without_parabola(column: np.ndarray) -> np.ndarray:
        return column - np.einsum("wij,wj->wi", q, np.einsum("wij,wi->wj", q, column))

    residual = without_parabola(t)
    if relative:
        residual = residual / period
    weight = without_parabola(carried[index]) if carried is not None else np.zeros_like(residual)
    return residual.ravel(), weight.ravel()
