"""What the tests of the reckoning share: simulated flashes, taken the way that a clip's are."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from simulation import Flashes, Run, simulate

from timingcam.reckoning.result import Readings
from timingcam.reckoning.tacho import FlashAngles, Speed, crank_speed

Rpm = Callable[[np.ndarray], np.ndarray]


def steady(rpm: float) -> Rpm:
    return lambda t: np.full_like(t, rpm)


def sweep(t: np.ndarray) -> np.ndarray:
    """1200 to 6000 rpm and back at 1500 rpm a second."""
    return 1200 + np.clip(np.where(t < 5, (t - 1) * 1500, (9 - t) * 1500), 0, 4800)


def angles(seen: Flashes) -> FlashAngles:
    return FlashAngles(seen.time_s.copy(), seen.time_sd_s.copy(), seen.seen_deg.copy(), seen.seen_sd_deg.copy())


def taken(run: Run, seed: int, sparks_per_rev: float | None = None) -> tuple[Flashes, Speed]:
    """Simulate a clip and find its speed."""
    seen = simulate(run, np.random.default_rng(seed))
    return seen, crank_speed(angles(seen), sparks_per_rev or run.sparks_per_rev, seen.windows_s)


def rms_rel(seen: Flashes, speed: Speed) -> float:
    return float(np.sqrt(np.nanmean((speed.rpm / seen.true_rpm - 1) ** 2)))


def made_readings(
    advance: Rpm, seed: int, n: int = 400, rpm_range: tuple[float, float] = (1100.0, 6000.0), jitter_deg: float = 0.5,
    sd_deg: float = 0.1,
) -> Readings:  # fmt: skip
    """Readings of one sweep up and down, without any flashes behind them; `advance` is of rpm."""
    rng = np.random.default_rng(seed)
    time_s = np.sort(rng.uniform(0, 12, n))
    low, high = rpm_range
    rpm = low + (high - low) * np.clip(1.1 - np.abs(time_s / 6 - 1) * 1.2, 0, 1)
    measured = advance(rpm) + jitter_deg * rng.standard_normal(n) + sd_deg * rng.standard_normal(n)
    return Readings(
        time_s=time_s, rpm=rpm, rpm_sd=0.0005 * rpm, advance_deg=measured, advance_sd_deg=np.full(n, sd_deg),
        used=np.ones(n, dtype=bool), reason=("",) * n, frame=np.arange(n),
    )  # fmt: skip


def flat_rise_flat(
    rpm: np.ndarray, low: float = 12.0, full: float = 34.0, starts: float = 1700.0, ends: float = 3400.0
) -> np.ndarray:
    return low + (full - low) * np.clip((rpm - starts) / (ends - starts), 0, 1)
