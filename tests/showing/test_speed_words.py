"""Where the speed is from, in words and in `result.json`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from made_measurement import make_measurement

from timingcam.reckoning.result import Estimate, SoundCheck, SpeedFacts
from timingcam.showing.results import load, save
from timingcam.showing.speed_words import lag_words, speed_words

MADE = make_measurement(n=20)
RATIO = Estimate(1.001, 0.002, 0.997, 1.005)


def test_flashes_alone() -> None:
    assert speed_words(MADE) == "the times of the flashes"


def test_sound_for_and_against() -> None:
    agreed = replace(MADE, speed=SpeedFacts(SoundCheck(RATIO, True, 7.4)))
    assert "1.001 times that (± 0.004, 7.4 s heard): they agree" in speed_words(agreed)
    apart = replace(MADE, speed=SpeedFacts(SoundCheck(Estimate(2.0, 0.002, 1.996, 2.004), False, 7.4)))
    assert "2.000 times" in speed_words(apart) and "CONTRADICT" in speed_words(apart)


def test_the_log_s_offset_is_told() -> None:
    logged = replace(MADE, rpm_source="file", speed=SpeedFacts(None, Estimate(-1.25, 0.01, -1.27, -1.23)))
    assert "−1.250 s added to its times (± 0.020 s)" in speed_words(logged)


def test_lag() -> None:
    """22 ± 9 µs in the made measurement."""
    assert lag_words(MADE) == "22 µs (± 18 µs); not corrected: its cause cannot be told"
    assert lag_words(replace(MADE, strobe=replace(MADE.strobe, apparent_lag_s=None))) == ""


def test_it_is_read_back_as_written(tmp_path: Path) -> None:
    facts = SpeedFacts(SoundCheck(RATIO, True, 7.4), Estimate(-1.25, 0.01, -1.27, -1.23))
    folder = save(replace(MADE, speed=facts), tmp_path / "with")
    assert load(folder).speed == facts
    without = (folder / "result.json").read_text().replace('"speed"', '"speed_of_a_later_version"')
    (folder / "result.json").write_text(without)
    assert load(folder).speed == SpeedFacts()  # a result from before there was such a key
