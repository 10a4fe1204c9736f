"""Flash times and rotor angles of an invented engine, as a camera would give them, without any pixels.

In:  `Run`, what the engine, the strobe and the camera do.
Out: `Flashes`, what is measured and what was true.
Not here: anything of the package: this file shares no formula's code with what it tests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

STEP_S = 2e-4


@dataclass(frozen=True)
class Run:
    """One clip. Advance in crank degrees, times in seconds."""

    duration_s: float = 12.0
    rpm: Callable[[np.ndarray], np.ndarray] = lambda t: 1200 + 4800 * np.clip(1.25 - np.abs(t - 6) / 4.2, 0, 1)
    low_deg: float = 12.0
    full_deg: float = 34.0
    starts_rpm: float = 1700.0
    full_rpm: float = 3400.0
    jitter_deg: float = 0.5
    play_rpm: float = 0.0
    wander_share: float = 0.002  # of the speed, kicks from cycle to cycle
    ripple_share: float = 0.03  # of the speed, within each cycle
    sparks_per_rev: float = 0.5
    missed_share: float = 0.05
    double_share: float = 0.0
    double_after_s: float = 0.004
    delay_s: float = 0.0  # from spark to flash, what it is
    frame_s: float = 1 / 60
    sight_s: float = 1 / 60  # of each frame; less: flashes in the read-out gap are not seen
    time_sd_s: float = 20e-6
    angle_sd_deg: float = 0.06
    time_sd_stated_s: float | None = None
    unread_share: float = 0.0
    stray_share: float = 0.0  # of the angles misread by up to 20 degrees
    late_s: float = 0.0  # retard of the spark itself that grows with speed
    memory: float = 0.0  # share of a spark's deviation that the next one inherits
    curve: Callable[[np.ndarray], np.ndarray] | None = field(default=None)


@dataclass(frozen=True, eq=False)
class Flashes:
    """Arrays of shape (n,): what is measured, then what was true."""

    time_s: np.ndarray
    time_sd_s: np.ndarray
    seen_deg: np.ndarray
    seen_sd_deg: np.ndarray
    true_rpm: np.ndarray  # mean over the engine cycle centred on the flash
    true_advance_deg: np.ndarray
    spark: np.ndarray
    double: np.ndarray
    windows_s: np.ndarray  # (n_frames, 2)


def simulate(run: Run, rng: np.random.Generator) -> Flashes:
    """Draw one clip."""
    t = np.arange(-0.5, run.duration_s + 0.5, STEP_S)
    base = run.rpm(np.clip(t, 0, run.duration_s)) * (1 + _wander(run, t, rng))
    turned = np.concatenate([[0.0], np.cumsum(3.0 * STEP_S * (base[1:] + base[:-1]))])
    # Within a cycle of 720 degrees the crank runs ahead and falls behind; the flash always meets the same phase of it.
    ripple = run.ripple_share * 720 / (2 * np.pi) * np.sin(2 * np.pi * turned / 720 + 1.0)
    crank = np.maximum.accumulate(turned + ripple)
    period = 360.0 / run.sparks_per_rev

    def time_at(angle: np.ndarray) -> np.ndarray:
        return np.interp(angle, crank, t)

    def mean_rpm(angle: np.ndarray) -> np.ndarray:
        return 720.0 / 6.0 / (time_at(angle + 360) - time_at(angle - 360))

    n = np.arange(np.ceil((crank[0] + 800) / period), np.floor((crank[-1] - 800) / period))
    speed = mean_rpm(n * period - 20.0)
    spread = _deviations(run, len(n), rng)
    advance = _curve(run, _through_play(speed, run.play_rpm)) - 6 * speed * run.late_s + spread
    flash_s = time_at(n * period - advance) + run.delay_s
    spark = np.concatenate([n, n]).astype(int)
    again = rng.random(len(n)) < run.double_share
    flash_s = np.concatenate([flash_s, flash_s + run.double_after_s])
    advance = np.concatenate([advance, advance])
    double = np.repeat([False, True], len(n))
    kept = np.concatenate([rng.random(len(n)) >= run.missed_share, again])
    kept &= (flash_s >= 0) & (flash_s <= run.duration_s) & (np.mod(flash_s + 1e-3, run.frame_s) <= run.sight_s)
    order = np.flatnonzero(kept)[np.argsort(flash_s[kept], kind="stable")]
    return _measured(run, _True(flash_s[order], advance[order], spark[order], double[order]), (t, crank, mean_rpm), rng)


@dataclass(frozen=True, eq=False)
class _True:
    flash_s: np.ndarray
    advance_deg: np.ndarray
    spark: np.ndarray
    double: np.ndarray


def _measured(run: Run, true: _True, crank_of: tuple, rng: np.random.Generator) -> Flashes:
    t, crank, mean_rpm = crank_of
    at = np.interp(true.flash_s, t, crank)
    seen = np.mod(true.spark * 360.0 / run.sparks_per_rev - at + 180, 360) - 180
    n = len(at)
    seen = seen + run.angle_sd_deg * rng.standard_normal(n)
    stray = rng.random(n) < run.stray_share
    seen[stray] += rng.uniform(-20, 20, stray.sum())
    seen[rng.random(n) < run.unread_share] = np.nan
    time_s = true.flash_s + run.time_sd_s * rng.standard_normal(n)
    order = np.argsort(time_s, kind="stable")
    starts = np.arange(-1e-3, run.duration_s + run.frame_s, run.frame_s)
    stated = run.time_sd_s if run.time_sd_stated_s is None else run.time_sd_stated_s
    return Flashes(
        time_s[order], np.full(n, stated), seen[order], np.full(n, run.angle_sd_deg), mean_rpm(at)[order],
        true.advance_deg[order], true.spark[order], true.double[order],
        np.stack([starts, starts + run.sight_s], axis=1),
    )  # fmt: skip


def _wander(run: Run, t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A random walk of the speed, kicked about 20 times a second, that is drawn back within a second."""
    steps = int(np.ceil((t[-1] - t[0]) * 20)) + 2
    walk = np.zeros(steps)
    for i in range(1, steps):
        walk[i] = 0.95 * walk[i - 1] + rng.standard_normal()
    return run.wander_share * np.interp(t, t[0] + np.arange(steps) / 20, walk)


def _deviations(run: Run, n: int, rng: np.random.Generator) -> np.ndarray:
    white = rng.standard_normal(n)
    if run.memory:
        kept = np.sqrt(1 - run.memory**2)
        for i in range(1, n):
            white[i] = run.memory * white[i - 1] + kept * white[i]
    return run.jitter_deg * white


def _curve(run: Run, rpm: np.ndarray) -> np.ndarray:
    if run.curve is not None:
        return run.curve(rpm)
    share = np.clip((rpm - run.starts_rpm) / (run.full_rpm - run.starts_rpm), 0, 1)
    return run.low_deg + (run.full_deg - run.low_deg) * share


def _through_play(rpm: np.ndarray, play_rpm: float) -> np.ndarray:
    """What a sticking advancer follows."""
    at, followed = rpm[0], np.empty_like(rpm)
    for i, now in enumerate(rpm):
        at = min(max(at, now - play_rpm / 2), now + play_rpm / 2)
        followed[i] = at
    return followed
