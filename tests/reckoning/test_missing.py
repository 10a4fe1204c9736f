"""What the sound says of missing flashes: sparks that failed, a strobe that did, or nothing."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

sys.path.insert(0, str(Path(__file__).parent))

from notes import RATE

from timingcam.reckoning.missing import FIRES, MISFIRES, missing_by_sound, missing_flashes_s
from timingcam.reckoning.result import Readings
from timingcam.seeing.soundtrack import Soundtrack

MISSED = 0.1


def readings_at(time_s: np.ndarray, rpm: np.ndarray) -> Readings:
    n = len(time_s)
    each = np.full(n, 0.1)
    return Readings(time_s, rpm, each, each, each, np.ones(n, bool), ("",) * n, np.arange(n))


def filmed(failing: str, noise: float, seed: int, late_s: float = 0.02) -> tuple[Readings, Soundtrack, np.ndarray]:
    """Ten seconds of an even twin, 1500 to 3500 rpm; a tenth of one cylinder's sparks, or of its flashes, fail."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 10.0, 1 / RATE)
    rpm = 2500 + 1000 * np.sin(2 * np.pi * 0.15 * t)
    turned = np.cumsum(6 * rpm) / RATE
    fired_s = np.interp(720 * np.arange(1, turned[-1] // 720), turned, t)
    other_s = np.interp(360 + 720 * np.arange(1, turned[-1] // 720 - 1), turned, t)
    gone = rng.random(len(fired_s)) < MISSED
    size = np.where(gone & (failing == "spark"), 0.2, 1.0) * np.exp(0.12 * rng.standard_normal(len(gone)))
    train = np.zeros(len(t))
    for at, loud in ((fired_s, size), (other_s, 0.9)):
        where = np.rint((at + late_s) * RATE).astype(int)
        inside = where < len(train)
        np.add.at(train, where[inside], np.broadcast_to(loud, where.shape)[inside])
    since = np.arange(int(0.03 * RATE)) / RATE
    pulse = np.exp(-since / 0.006) * np.sin(2 * np.pi * 95 * since)
    rattle = sosfilt(butter(2, [400, 5000], "bandpass", fs=RATE, output="sos"), rng.standard_normal(len(t)))
    sound = np.convolve(train, pulse)[: len(t)] + noise * rattle / rattle.std()
    track = Soundtrack(sound.astype(np.float32), RATE, 0.0)
    return readings_at(fired_s[~gone], np.interp(fired_s[~gone], t, rpm)), track, fired_s[gone]


def said(readings: Readings, track: Soundtrack | None) -> str:
    everywhere = np.array([[-1.0, 11.0]])
    return missing_by_sound(track, readings, missing_flashes_s(readings, 0.5, everywhere), 0.5)


@pytest.mark.parametrize("late_s", [-0.02, 0.0, 0.03])
@pytest.mark.parametrize("seed", range(4))
def test_sparks_that_failed_are_heard(seed: int, late_s: float) -> None:
    readings, track, gone_s = filmed("spark", 0.1, seed, late_s)
    found_s = missing_flashes_s(readings, 0.5, np.array([[-1.0, 11.0]]))
    assert found_s is not None
    inner = gone_s[(gone_s > readings.time_s[0]) & (gone_s < readings.time_s[-1])]
    # Within a run of missing ones the speed is taken as constant: a tenth of the time between sparks.
    np.testing.assert_allclose(found_s, inner, atol=5e-3)
    assert said(readings, track) == MISFIRES


@pytest.mark.parametrize("seed", range(6))
def test_a_strobe_that_failed_is_told_from_it(seed: int) -> None:
    readings, track, _ = filmed("strobe", 0.1, seed)
    assert said(readings, track) == FIRES


@pytest.mark.parametrize("seed", range(10))
def test_noise_proves_nothing(seed: int) -> None:
    """A pulse drowned by noise of ten times its size: neither way is anything said."""
    readings, track, _ = filmed("strobe", 10.0, seed)
    assert said(readings, track) == ""


def test_nothing_is_said_without_sound_or_without_missing_flashes() -> None:
    readings, track, _ = filmed("spark", 0.1, 0)
    assert said(readings, None) == ""
    silent = Soundtrack(np.zeros_like(track.samples), RATE, 0.0)
    assert said(readings, silent) == ""
    whole = readings_at(np.arange(0.1, 9.0, 0.04), np.full(223, 3000.0))
    assert said(whole, track) == ""
