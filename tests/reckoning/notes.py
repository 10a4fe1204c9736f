"""Sounds for the tests: an engine's note, and what drowns or imitates it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

RATE = 16_000
Rpm = Callable[[np.ndarray], np.ndarray]


def note(
    rpm: Rpm, firing_deg: tuple[float, ...], duration_s: float = 6.0, noise: float = 0.1, seed: int = 0
) -> np.ndarray:
    """Exhaust pulses of a four-stroke at its firing angles, through a silencer that rings, with rattle."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, duration_s, 1 / RATE)
    angle = np.cumsum(6 * rpm(t)) / RATE
    train = np.zeros(len(t))
    for firing in firing_deg:
        size = rng.uniform(0.85, 1)
        cycles = np.arange(1, (angle[-1] - firing) // 720)
        at = np.rint(np.interp(firing + 720 * cycles, angle, t) * RATE).astype(int)
        np.add.at(train, at, size * np.exp(0.12 * rng.standard_normal(len(at))))
    since = np.arange(int(0.03 * RATE)) / RATE
    pulse = np.exp(-since / 0.006) * np.sin(2 * np.pi * 95 * since)
    pulse += 0.4 * np.exp(-since / 0.002) * np.sin(2 * np.pi * 310 * since)
    exhaust = np.convolve(train, pulse)[: len(t)]
    rattle = sosfilt(butter(2, [400, 5000], "bandpass", fs=RATE, output="sos"), rng.standard_normal(len(t)))
    return exhaust / np.abs(exhaust).max() + noise * rattle / rattle.std()


def wind(duration_s: float = 6.0, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    gusts = np.cumsum(rng.standard_normal(int(duration_s * RATE)))
    low = sosfilt(butter(2, [20, 300], "bandpass", fs=RATE, output="sos"), gusts)
    return low / low.std()


def voice(duration_s: float = 6.0) -> np.ndarray:
    """Vowels: harmonics of a pitch that wanders, in syllables."""
    t = np.arange(0, duration_s, 1 / RATE)
    pitch = 120 + 30 * np.sin(2 * np.pi * 0.7 * t) + 10 * np.sin(2 * np.pi * 2.3 * t)
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    syllables = np.clip(np.sin(2 * np.pi * 1.5 * t) + 0.3, 0, 1)
    return syllables * sum(np.sin(k * phase) / k for k in range(1, 20))


def whine(rpm: float, ratio: float = 17.3, duration_s: float = 6.0) -> np.ndarray:
    """Gears meshing at a multiple of the crank's turns that is no whole number."""
    phase = 2 * np.pi * rpm / 60 * ratio * np.arange(0, duration_s, 1 / RATE)
    return np.sin(phase) + 0.5 * np.sin(2 * phase)
