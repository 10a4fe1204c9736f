"""Crank speed from wherever it is to be had."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import made_engine

from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.hearing import SYNC_SD_S
from timingcam.reckoning.sound import SoundSpeed
from timingcam.reckoning.speeds import speed_of
from timingcam.reckoning.tacho import FlashAngles

N = 60


def flashes(rpm: float = 3000.0, time_sd_s: float = 5e-6) -> FlashAngles:
    """One spark in two turns."""
    return FlashAngles(np.arange(N) * 120 / rpm, np.full(N, time_sd_s), np.full(N, 20.0), np.full(N, 0.1))


def heard(rpm: Callable[[np.ndarray], np.ndarray] | float, trust: float = 0.9) -> SoundSpeed:
    t = np.arange(0.0, 12.0, 0.1)
    speed = np.full(len(t), rpm) if isinstance(rpm, float) else rpm(t)
    return SoundSpeed(t, speed, np.full(len(t), 4.0), np.full(len(t), trust))


def blip(t: np.ndarray) -> np.ndarray:
    return 1500 + 2000 * np.exp(-(((t - 4) / 1.2) ** 2))


def blipped() -> FlashAngles:
    """One spark in two turns through a blip of the throttle."""
    fine = np.arange(0.0, 10.0, 1e-4)
    crank = np.concatenate([[0.0], np.cumsum(6 * blip(fine[1:]) * 1e-4)])
    at_s = np.interp(np.arange(0, crank[-1], 720.0), crank, fine)
    n = len(at_s)
    return FlashAngles(at_s, np.full(n, 5e-6), np.full(n, 20.0), np.full(n, 0.1))


def log_of(folder: Path, offset_s: float, scale: float = 1.0) -> Path:
    """A log whose clock reads `offset_s` less than the clip's."""
    path = folder / "log.csv"
    t = np.arange(-3.0, 14.0, 0.1)
    path.write_text(
        "time_s,rpm\n" + "".join(f"{a - offset_s:.3f},{scale * b:.2f}\n" for a, b in zip(t, blip(t), strict=True))
    )
    return path


def test_from_the_flashes() -> None:
    found = speed_of(flashes(), made_engine(), None, None)
    assert found.source == "flashes" and found.facts.sound is None and found.time_sd_s == 0.0
    assert found.speed.rpm == pytest.approx(3000.0, rel=1e-6)


def test_sparks_per_revolution_and_strokes_are_the_engine_s() -> None:
    engine = made_engine()
    every_turn = engine.model_copy(update={"crank": engine.crank.model_copy(update={"sparks_per_rev": 1.0})})
    found = speed_of(flashes(), every_turn, None, None)
    assert found.speed.rpm == pytest.approx(1500.0, rel=1e-6)


def test_sound_that_agrees_is_noted_and_changes_nothing() -> None:
    alone = speed_of(flashes(), made_engine(), None, None)
    found = speed_of(flashes(), made_engine(), None, None, heard(3006.0))
    assert found.facts.sound is not None and found.facts.sound.agrees
    assert found.facts.sound.ratio.value == pytest.approx(1.002, abs=1e-4)
    assert np.array_equal(found.speed.rpm, alone.speed.rpm) and found.speed.warnings == alone.speed.warnings


def test_sparks_per_revolution_contradicted_by_the_sound() -> None:
    """Flashes counted as one in every turn where they are one in two: told, and never averaged."""
    engine = made_engine()
    every_turn = engine.model_copy(update={"crank": engine.crank.model_copy(update={"sparks_per_rev": 1.0})})
    found = speed_of(flashes(), every_turn, None, None, heard(3000.0))
    assert "twice as fast as the flashes say" in found.speed.warnings[0]
    assert "sparks_per_rev" in found.speed.warnings[0]
    assert found.facts.sound is not None and not found.facts.sound.agrees
    assert found.speed.rpm == pytest.approx(1500.0, rel=1e-6)


def test_untrusted_sound_says_nothing() -> None:
    found = speed_of(flashes(), made_engine(), None, None, heard(5000.0, trust=0.3))
    assert found.facts.sound is None and found.speed.warnings == ()


def test_sound_where_flashes_cannot_be_timed() -> None:
    """Known to 10 ms, a quarter of the 40 ms between them."""
    untimed = flashes(time_sd_s=0.01)
    with pytest.raises(CannotMeasure, match="flash times that are known to"):
        speed_of(untimed, made_engine(), None, None)
    found = speed_of(untimed, made_engine(), None, None, heard(3000.0))
    assert found.source == "sound" and found.time_sd_s == SYNC_SD_S
    assert found.speed.rpm == pytest.approx(3000.0)
    assert "taken from the clip's sound" in found.speed.warnings[0]


def test_neither_flashes_nor_sound_is_refused_with_both_reasons() -> None:
    with pytest.raises(CannotMeasure) as fault:
        speed_of(flashes(time_sd_s=0.01), made_engine(), None, None, heard(3000.0, trust=0.2))
    assert "flash times" in fault.value.found and "note" in fault.value.found and "--rpm" in fault.value.do


def test_sound_when_asked_for() -> None:
    found = speed_of(flashes(), made_engine(), None, "sound", heard(3006.0))
    assert found.source == "sound" and found.speed.rpm == pytest.approx(3006.0)
    assert found.facts.sound is not None and found.facts.sound.agrees
    other = speed_of(flashes(), made_engine(), None, "sound", heard(1500.0))
    assert "half as fast as the flashes say" in other.speed.warnings[0]
    for sound in (None, heard(3000.0, trust=0.2)):
        with pytest.raises(CannotMeasure):
            speed_of(flashes(), made_engine(), None, "sound", sound)


def test_given() -> None:
    found = speed_of(flashes(), made_engine(), None, 2500)
    assert found.source == "given" and np.all(found.speed.rpm == 2500.0) and len(found.speed.rpm) == N
    wrong = speed_of(flashes(), made_engine(), None, 2500, heard(3000.0))
    assert "1.20 times as fast as the speed given says" in wrong.speed.warnings[0]


@pytest.mark.parametrize("offset_s", [-2.4, 0.0, 1.13])
def test_a_log_is_set_against_the_flashes(tmp_path: Path, offset_s: float) -> None:
    found = speed_of(blipped(), made_engine(), None, log_of(tmp_path, offset_s))
    assert found.source == "file" and found.facts.log_offset_s is not None
    # A log of ten rows a second, straight between them: its own bends are worth a few ms.
    assert found.facts.log_offset_s.value == pytest.approx(offset_s, abs=0.01)
    assert found.facts.log_offset_s.low < found.facts.log_offset_s.high and found.time_sd_s > 0
    assert found.speed.rpm == pytest.approx(blip(blipped().time_s), rel=0.01)
    assert found.speed.warnings == ()


def test_a_log_is_set_against_the_sound_where_flashes_cannot_be_timed(tmp_path: Path) -> None:
    timed = blipped()
    untimed = FlashAngles(timed.time_s, np.full(len(timed), 0.012), timed.seen_deg, timed.seen_sd_deg)
    found = speed_of(untimed, made_engine(), None, log_of(tmp_path, 0.7), heard(blip))
    assert found.facts.log_offset_s is not None and found.facts.log_offset_s.value == pytest.approx(0.7, abs=0.02)
    assert found.facts.sound is not None and found.facts.sound.agrees


def test_a_log_of_half_the_flashes_speed_is_aligned_and_told(tmp_path: Path) -> None:
    found = speed_of(blipped(), made_engine(), None, log_of(tmp_path, 1.13, scale=0.5))
    assert found.facts.log_offset_s is not None and found.facts.log_offset_s.value == pytest.approx(1.13, abs=0.01)
    assert any("2.00 times the logged speed" in said for said in found.speed.warnings)


def test_a_log_of_another_run_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    t = np.arange(0, 12, 0.1)
    log.write_text("time_s,rpm\n" + "".join(f"{a:.2f},{2000 + 900 * np.sin(5 * a):.1f}\n" for a in t))
    with pytest.raises(CannotMeasure, match="like the clip's only"):
        speed_of(blipped(), made_engine(), None, log)


@pytest.mark.parametrize("as_path", [True, False])
def test_a_steady_speed_cannot_be_aligned(tmp_path: Path, as_path: bool) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time_s,rpm\n0,1000\n1,2000\n")
    found = speed_of(flashes(), made_engine(), None, log if as_path else str(log))
    inside = flashes().time_s <= 1.0
    assert found.source == "file" and found.facts.log_offset_s is None
    assert found.speed.rpm[inside] == pytest.approx(1000 + 1000 * flashes().time_s[inside])
    assert np.isnan(found.speed.rpm[~inside]).all() and "outside" in found.speed.warnings[0]
    assert "taken to be the clip's" in found.speed.warnings[1]
    assert "times the logged speed" in found.speed.warnings[2]


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(CannotUse):
        speed_of(flashes(), made_engine(), None, tmp_path / "none.csv")
