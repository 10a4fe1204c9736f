"""Crank speed from the engine's note."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from notes import RATE, note, voice, whine, wind

from timingcam.errors import CannotMeasure
from timingcam.reckoning.hearing import contradiction, speed_by_sound
from timingcam.reckoning.sound import SoundSpeed, harmonic_weights, speed_from_sound
from timingcam.reckoning.tacho import constant_speed

SINGLE, EVEN, UNEVEN = (0.0,), (0.0, 360.0), (0.0, 180.0)


def flat(t: np.ndarray) -> np.ndarray:
    return np.full_like(t, 3000.0)


def sweep(t: np.ndarray) -> np.ndarray:
    return np.interp(t, [0, 1, 3, 5, 6], [1500, 1500, 4500, 1500, 1500])


def rms(found: SoundSpeed, rpm: np.ndarray) -> float:
    trusted = found.trust >= 0.5
    return float(np.sqrt(np.mean((found.rpm[trusted] / rpm[trusted] - 1) ** 2)))


@pytest.mark.parametrize("firing", [SINGLE, EVEN, UNEVEN])
def test_steady_note(firing: tuple[float, ...]) -> None:
    found = speed_from_sound(note(flat, firing), RATE, firing, 4)
    assert found.trusted
    assert rms(found, flat(found.time_s)) < 3e-3


@pytest.mark.parametrize("firing", [EVEN, UNEVEN])
def test_sweep_of_1500_rpm_a_second(firing: tuple[float, ...]) -> None:
    found = speed_from_sound(note(sweep, firing), RATE, firing, 4)
    assert found.trusted
    assert np.mean(found.trust >= 0.5) > 0.8
    # 0.5 % is asked of sound; half of this clip is within half a window of a kink of the throttle, which no window
    # of half a second can follow: 0.7 %.
    assert rms(found, sweep(found.time_s)) < 7e-3


def test_a_pattern_of_the_wrong_kind_is_not_believed_at_half_the_speed() -> None:
    """An even twin's note told to be a single's: the only honest answers are twice the speed, or none."""
    found = speed_from_sound(note(flat, EVEN), RATE, SINGLE, 4)
    ratio = np.median(found.rpm) / 3000
    assert not found.trusted or ratio == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize(
    "noise",
    [
        pytest.param(lambda: wind(), id="wind"),
        pytest.param(lambda: voice() + 0.01 * wind(), id="voice"),
        pytest.param(lambda: whine(3000) + 0.01 * wind(), id="gears"),
        pytest.param(lambda: np.random.default_rng(2).standard_normal(6 * RATE), id="hiss"),
    ],
)
def test_no_engine_no_trust(noise: object) -> None:
    found = speed_from_sound(noise(), RATE, EVEN, 4)  # type: ignore[operator]
    assert not found.trusted
    assert np.mean(found.trust >= 0.5) < 0.15


@pytest.mark.parametrize(
    ("other", "share"),
    [
        pytest.param(lambda: 3 * wind(), 1.0, id="wind"),
        pytest.param(lambda: 3 * voice(), 1.0, id="voice"),
        pytest.param(lambda: 2 * note(lambda t: 2350 + 100 * np.sin(t), EVEN, seed=3), 2.0, id="louder engine"),
        pytest.param(lambda: note(lambda t: 2350 + 100 * np.sin(t), EVEN, seed=3), 1.0, id="engine as loud"),
    ],
)
def test_drowned_note_is_not_trusted_where_it_is_wrong(other: object, share: float) -> None:
    found = speed_from_sound(note(flat, EVEN) + other(), RATE, EVEN, 4)  # type: ignore[operator]
    wrong = np.abs(found.rpm / 3000 - 1) > 0.02
    assert not found.trusted
    assert np.mean(wrong & (found.trust >= 0.5)) < 0.1


def test_gears_beside_the_engine_do_no_harm() -> None:
    found = speed_from_sound(note(flat, EVEN) + whine(3000), RATE, EVEN, 4)
    assert rms(found, flat(found.time_s)) < 3e-3


def test_harmonics_of_firing_patterns() -> None:
    """A single has all harmonics of its cycle, an even twin the even ones, a 180/540 twin not 2, 6, 10 …"""
    assert harmonic_weights(SINGLE, 4)[1:9] == pytest.approx(1.0)
    assert harmonic_weights(EVEN, 4)[1:9] == pytest.approx([0, 1, 0, 1, 0, 1, 0, 1], abs=1e-12)
    half = np.sqrt(0.5)
    assert harmonic_weights(UNEVEN, 4)[1:9] == pytest.approx([half, 0, half, 1, half, 0, half, 1], abs=1e-12)


def test_silence_and_snippets_are_refused() -> None:
    with pytest.raises(CannotMeasure, match="silent"):
        speed_from_sound(np.zeros(5 * RATE), RATE, EVEN, 4)
    with pytest.raises(CannotMeasure, match=r"0\.5 s of sound"):
        speed_from_sound(np.ones(RATE // 2), RATE, EVEN, 4)


def heard(rpm: float, trust: float = 0.9) -> SoundSpeed:
    t = np.arange(0.3, 6, 0.1)
    return SoundSpeed(t, np.full(len(t), rpm), np.full(len(t), 5.0), np.full(len(t), trust))


@pytest.mark.parametrize(
    ("rpm", "said"),
    [(3000.0, ""), (3060.0, ""), (6000.0, "twice as fast"), (1500.0, "half as fast"), (4000.0, "1.33 times")],
)
def test_sound_against_flashes(rpm: float, said: str) -> None:
    at_s = np.linspace(0, 6, 100)
    found = contradiction(heard(rpm), at_s, constant_speed(3000.0, 100))
    assert said in found and bool(found) == bool(said)
    assert contradiction(heard(rpm, trust=0.2), at_s, constant_speed(3000.0, 100)) == ""


def test_sound_in_place_of_flashes() -> None:
    at_s = np.array([0.1, 3.0, 9.0])
    speed = speed_by_sound(heard(2500.0), at_s)
    assert list(speed.rpm[:2]) == [2500, 2500] and np.isnan(speed.rpm[2])
    with pytest.raises(CannotMeasure, match="stands out clearly in 0%"):
        speed_by_sound(heard(2500.0, trust=0.3), at_s)
