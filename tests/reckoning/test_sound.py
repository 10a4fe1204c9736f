"""Crank speed from the engine's note."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import made_engine
from notes import RATE, note, voice, whine, wind

from timingcam.errors import CannotMeasure
from timingcam.reckoning.hearing import against_sound, contradiction, note_of, speed_by_sound
from timingcam.reckoning.sound import SoundSpeed, harmonic_weights, speed_from_sound
from timingcam.reckoning.tacho import constant_speed
from timingcam.seeing.soundtrack import Soundtrack

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
    [
        (3000.0, ""),
        (3025.0, ""),
        (3075.0, "1.025 times"),
        (6000.0, "twice as fast"),
        (1500.0, "half as fast"),
        (4000.0, "1.33 times"),
    ],
)
def test_sound_against_flashes(rpm: float, said: str) -> None:
    at_s = np.linspace(0, 6, 100)
    check = against_sound(heard(rpm), at_s, constant_speed(3000.0, 100))
    assert check is not None and check.ratio.value == pytest.approx(rpm / 3000)
    assert check.ratio.low < rpm / 3000 < check.ratio.high
    found = contradiction(check)
    assert said in found and bool(found) == bool(said) and check.agrees == (not said)
    assert against_sound(heard(rpm, trust=0.2), at_s, constant_speed(3000.0, 100)) is None
    assert contradiction(None) == ""


def test_a_joint_doubt_that_is_large_contradicts_nothing() -> None:
    """Both err by 2 % from window to window: 1.5 % apart in the middle is no contradiction, 10 % is not told at all."""
    t = np.arange(0.3, 6, 0.1)
    unsure = 3045 * (1 + 0.02 * np.random.default_rng(4).standard_normal(len(t)))
    sound = SoundSpeed(t, unsure, np.full(len(t), 60.0), np.full(len(t), 0.9))
    check = against_sound(sound, np.linspace(0, 6, 100), constant_speed(3000.0, 100))
    assert check is not None and check.agrees
    wild = SoundSpeed(t, 3000 * np.exp(0.3 * np.sin(9 * t)), np.full(len(t), 60.0), np.full(len(t), 0.9))
    assert against_sound(wild, np.linspace(0, 6, 100), constant_speed(3000.0, 100)) is None


def test_sound_and_picture_that_run_apart_are_no_contradiction() -> None:
    """30 ms at 1500 rpm a second are 45 rpm, 1.5 % at 3000; up and down it cancels, on the way up alone it does not."""
    t = np.arange(0.3, 3, 0.1)
    at_s = np.linspace(0, 3.2, 60)
    way = 2000 + 1000 * (t - 0.03)
    sound = SoundSpeed(t, way, np.full(len(t), 3.0), np.full(len(t), 0.9))
    up = constant_speed(0.0, 60)
    flashes = type(up)(2000 + 1000 * at_s, np.full(60, 2.0), up.spark, up.double)
    check = against_sound(sound, at_s, flashes)
    assert check is not None and check.agrees


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(lambda: 3 * wind(), id="wind"),
        pytest.param(lambda: 3 * voice(), id="voice"),
        pytest.param(lambda: 2 * note(lambda t: 2350 + 100 * np.sin(t), EVEN, seed=3), id="louder engine"),
        pytest.param(lambda: whine(3000), id="gears"),
        pytest.param(lambda: whine(1400, 12.0), id="gears of another shaft"),
    ],
)
def test_no_false_contradiction_under_noise(other: object) -> None:
    """Flashes at 3000 rpm: noise that drowns the note must not be taken for another speed."""
    found = speed_from_sound(note(flat, EVEN) + other(), RATE, EVEN, 4)  # type: ignore[operator]
    assert contradiction(against_sound(found, np.linspace(0, 6, 100), constant_speed(3000.0, 100))) == ""


def test_note_of_a_track_is_by_the_clip_s_clock() -> None:
    engine = made_engine()
    track = Soundtrack(note(flat, SINGLE).astype(np.float32), RATE, 0.25)
    plain = speed_from_sound(track.samples, RATE, SINGLE, 4)
    found = note_of(track, engine)
    assert found is not None and found.time_s[0] == pytest.approx(plain.time_s[0] + 0.25)
    assert note_of(None, engine) is None
    assert note_of(Soundtrack(np.zeros(5 * RATE, np.float32), RATE, 0.0), engine) is None
    assert note_of(Soundtrack(track.samples[:RATE].copy(), RATE, 0.0), engine) is None


def test_a_flash_of_unknown_time_adds_what_the_speed_changes_meanwhile() -> None:
    t = np.arange(0.3, 6, 0.1)
    sound = SoundSpeed(t, 1500 + 500 * t, np.full(len(t), 5.0), np.full(len(t), 0.9))
    at_s = np.array([2.0, 3.0, 4.0])
    speed = speed_by_sound(sound, at_s, np.array([1e-5, 0.01, np.inf]))
    assert speed.rpm_sd == pytest.approx([5.0, np.hypot(5, 5), np.hypot(5, 10)], rel=1e-3)


def test_sound_in_place_of_flashes() -> None:
    at_s = np.array([0.1, 3.0, 9.0])
    speed = speed_by_sound(heard(2500.0), at_s)
    assert list(speed.rpm[:2]) == [2500, 2500] and np.isnan(speed.rpm[2])
    with pytest.raises(CannotMeasure, match="stands out clearly in 0%"):
        speed_by_sound(heard(2500.0, trust=0.3), at_s)
