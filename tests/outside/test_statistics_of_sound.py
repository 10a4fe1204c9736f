"""The speed by sound on a sound that scipy makes: scipy.signal.chirp, whose frequency is given by its formula."""

from __future__ import annotations

import numpy as np
from scipy.signal import chirp

from timingcam.reckoning.sound import speed_from_sound

RATE = 8000


def test_harmonics_of_a_linear_chirp() -> None:
    """Cycle frequency 12.5 to 37.5 Hz in 5 s, harmonics 1 to 12: a single from 1500 to 4500 rpm."""
    t = np.arange(0, 5, 1 / RATE)
    sound = sum(chirp(t, f0=12.5 * k, t1=5.0, f1=37.5 * k, method="linear") / k for k in range(1, 13))
    sound = sound + 0.01 * np.random.default_rng(1).standard_normal(len(t))
    found = speed_from_sound(sound, RATE, (0.0,), 4)
    expected = 120 * (12.5 + 5.0 * found.time_s)
    assert np.sqrt(np.mean((found.rpm / expected - 1) ** 2)) < 5e-3  # what is asked of speed by sound
