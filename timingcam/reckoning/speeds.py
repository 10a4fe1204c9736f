"""Crank speed at each flash, from wherever it is to be had.

In:  the flashes with what was seen in them, the clip's sound, or a number or a file that the user gives.
Out: `SpeedFound`: `Speed`, where it is from, what else speaks for or against it.
Not here: how each source is worked out (`tacho.py`, `sound.py`, `rpmtable.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.hearing import SYNC_SD_S, against_sound, contradiction, speed_by_sound
from timingcam.reckoning.logged import speed_by_log
from timingcam.reckoning.result import RpmSource, SpeedFacts
from timingcam.reckoning.sound import SoundSpeed
from timingcam.reckoning.tacho import FlashAngles, Speed, constant_speed, crank_speed

SOUND = "sound"  # given in place of a speed: take it from the clip's sound
DO_SOUND = "film with the phone's sound on, in real time and away from other engines, or give the speed with --rpm"


@dataclass(frozen=True, slots=True, eq=False)
class SpeedFound:
    """Crank speed at each flash, its source, what speaks for it, and how far clip and speed may be out of step."""

    speed: Speed
    source: RpmSource
    facts: SpeedFacts = field(default_factory=SpeedFacts)
    time_sd_s: float = 0.0


def speed_of(
    flashes: FlashAngles,
    engine: Engine,
    windows_s: np.ndarray | None,
    given: float | str | Path | None,
    sound: SoundSpeed | None = None,
) -> SpeedFound:
    """Crank speed at each flash.

    Parameters
    ----------
    flashes : FlashAngles
    engine : Engine
    windows_s : ndarray, shape (n_frames, 2), or None
        When each frame could see a flash.
    given : float, "sound" or path, optional
        A constant speed; or that the sound is to tell it; or a CSV file of time_s and rpm. Without it the flashes tell
        it, or the sound where they cannot be timed.
    sound : SoundSpeed, optional
        Speed by the engine's note, by the clip's clock.

    Returns
    -------
    SpeedFound
        A contradiction between two sources is in its warnings; no two are ever averaged.

    Raises
    ------
    CannotMeasure
        If no source tells the speed.
    """

    def by_flashes() -> Speed:
        return crank_speed(flashes, engine.crank.sparks_per_rev, windows_s, engine.crank.strokes)

    if isinstance(given, (int, float)):
        found = SpeedFound(constant_speed(float(given), len(flashes)), "given")
        return _held_against(sound, flashes, found)
    if given == SOUND:
        return _heard(sound, flashes, _or_none(by_flashes))
    if given is not None:
        logged = speed_by_log(given, flashes.time_s, _or_none(by_flashes), sound)
        found = SpeedFound(logged.speed, "file", SpeedFacts(log_offset_s=logged.offset_s), logged.time_sd_s)
        return _held_against(sound, flashes, found)
    try:
        speed = by_flashes()
    except CannotMeasure as fault:
        if sound is None:
            raise
        return _in_place_of_flashes(fault, sound, flashes)
    return _held_against(sound, flashes, SpeedFound(speed, "flashes"))


def _held_against(sound: SoundSpeed | None, flashes: FlashAngles, found: SpeedFound) -> SpeedFound:
    """The same with what the sound says of it."""
    check = None if sound is None else against_sound(sound, flashes.time_s, found.speed)
    facts = replace(found.facts, sound=check)
    return replace(found, speed=_warned(found.speed, contradiction(check, found.source)), facts=facts)


def _heard(sound: SoundSpeed | None, flashes: FlashAngles, by_flashes: Speed | None) -> SpeedFound:
    """The sound's speed, as asked for; the flashes' own, where they have one, is held against it."""
    if sound is None:
        raise CannotMeasure(found="a clip without sound that can be used", expected="the engine's note", do=DO_SOUND)
    speed = speed_by_sound(sound, flashes.time_s, flashes.time_sd_s)
    check = None if by_flashes is None else against_sound(sound, flashes.time_s, by_flashes)
    return SpeedFound(_warned(speed, contradiction(check)), "sound", SpeedFacts(sound=check), SYNC_SD_S)


def _in_place_of_flashes(fault: CannotMeasure, sound: SoundSpeed, flashes: FlashAngles) -> SpeedFound:
    """The sound's speed because the flashes tell none."""
    try:
        speed = speed_by_sound(sound, flashes.time_s, flashes.time_sd_s)
    except CannotMeasure as deaf:
        raise CannotMeasure(
            found=f"{fault.found}, and {deaf.found}", expected=f"{fault.expected}; or a clear note", do=fault.do
        ) from fault
    why = f"The speed is taken from the clip's sound, since the flashes do not tell it: {fault.found}."
    return SpeedFound(_warned(speed, why), "sound", SpeedFacts(), SYNC_SD_S)


def _warned(speed: Speed, sentence: str) -> Speed:
    # What contradicts every speed comes before what is doubtful about some.
    return replace(speed, warnings=(sentence, *speed.warnings)) if sentence else speed


def _or_none(by_flashes: Callable[[], Speed]) -> Speed | None:
    """What the flashes say, where another source was asked for; None where they say nothing."""
    try:
        return by_flashes()
    except CannotMeasure:
        return None
