"""What the engine's note says at the flashes: as a check of their speed, or in its place.

In:  `SoundSpeed`, the flashes' times, their own speed where they have one.
Out: `Speed` by sound; `SoundCheck`, and a sentence where sound and speed contradict each other.
Not here: the note itself (`sound.py`).

The two are never averaged: where they agree the sound adds little, and where they do not one of them is wrong.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.result import SoundCheck
from timingcam.reckoning.sound import HOP_S, LEAST_REL_SD, TRUSTED_SHARE, WINDOW_S, SoundSpeed, speed_from_sound
from timingcam.reckoning.tacho import Speed
from timingcam.seeing.soundtrack import Soundtrack

SHORTEST_S = 1.5  # of sound, before anything is looked for in it
LEAST_COMMON_S = 1.0  # our choice: of trusted sound under the flashes, before the two are held against each other
LEAST_APART_REL = 0.01  # our choice: twice what sound alone is good for in a sweep
APART_SDS = 4.0  # our choice: a contradiction is told when chance would make it once in 16,000 clips
FACTOR_REL = 0.03  # our choice: so near to a whole ratio the sparks were counted wrong, not the time
SMALL_REL = 0.15  # our choice: clocks that are set wrong by hand are off by more, rates of one camera by less
SYNC_SD_S = 0.02  # our choice: sound and picture of a phone's clip run apart by less than anybody notices, some 40 ms
LOOSEST_REL = 0.025  # our choice: a ratio that is less sure than this tells nothing
WHOLE_FRAME_SD_S = 0.02  # our choice: of a flash without any edge, in frames of 1/30 to 1/60 s
_FACTORS = ((2.0, "twice"), (0.5, "half"), (3.0, "three times"), (1.0 / 3.0, "a third"))
_BY = {"flashes": "as the flashes say", "file": "as the logged speed says", "given": "as the speed given says"}


def note_of(track: Soundtrack | None, engine: Engine) -> SoundSpeed | None:
    """Speed by the engine's note, by the clip's clock; None where the clip has too little sound, or only silence.

    Parameters
    ----------
    track : Soundtrack or None
        Of the clip.
    engine : Engine
        Whose cylinders fire when.
    """
    if track is None or len(track.samples) < SHORTEST_S * track.rate_hz or np.ptp(track.samples) == 0:
        return None
    firing_deg = tuple(one.tdc_deg for one in engine.cylinder)
    found = speed_from_sound(track.samples, track.rate_hz, firing_deg, engine.crank.strokes)
    return replace(found, time_s=found.time_s + track.start_s)


def speed_by_sound(sound: SoundSpeed, at_s: np.ndarray, at_sd_s: np.ndarray | None = None) -> Speed:
    """Speed at the flashes from the note alone, where the flashes cannot be timed.

    Parameters
    ----------
    sound : SoundSpeed
        By the clip's clock.
    at_s, at_sd_s : ndarray, shape (n_flashes,)
        Times of the flashes, and their sds where known; infinite for a flash without an edge.

    Returns
    -------
    Speed
        NaN where the sound is not trusted.

    Raises
    ------
    CannotMeasure
        If most of the sound cannot be trusted.
    """
    if not sound.trusted:
        raise CannotMeasure(
            found=f"an engine's note that stands out clearly in {np.mean(sound.trust >= 0.5):.0%} of the clip's sound",
            expected=f"in at least {TRUSTED_SHARE:.0%}",
            do="film away from other engines, wind and voices, or give the speed with --rpm",
        )
    near = np.clip(np.searchsorted(sound.time_s, at_s), 1, len(sound.time_s) - 1)
    heard = np.minimum(sound.trust[near - 1], sound.trust[near]) >= 0.5
    heard &= (at_s >= sound.time_s[0] - 0.3) & (at_s <= sound.time_s[-1] + 0.3)
    rpm = np.where(heard, np.interp(at_s, sound.time_s, sound.rpm), np.nan)
    sd = np.interp(at_s, sound.time_s, sound.rpm_sd)
    if at_sd_s is not None:
        late_s = np.where(np.isfinite(at_sd_s), at_sd_s, WHOLE_FRAME_SD_S)
        sd = np.hypot(sd, np.interp(at_s, sound.time_s, np.abs(_change(sound))) * late_s)
    n = len(at_s)
    return Speed(rpm, np.where(heard, sd, np.nan), np.zeros(n, dtype=int), np.zeros(n, dtype=bool))


def against_sound(sound: SoundSpeed, at_s: np.ndarray, speed: Speed) -> SoundCheck | None:
    """Hold a speed against the engine's note.

    Parameters
    ----------
    sound : SoundSpeed
        By the clip's clock.
    at_s : ndarray, shape (n_flashes,)
        Times of the flashes, rising.
    speed : Speed
        At these times, from elsewhere.

    Returns
    -------
    SoundCheck or None
        None where too little of the sound is trusted, or too few flashes have a speed.
    """
    known = np.isfinite(speed.rpm)
    if known.sum() < 2 or len(sound.time_s) < 2:
        return None
    inside = (sound.trust >= 0.5) & (sound.time_s >= at_s[known][0]) & (sound.time_s <= at_s[known][-1])
    heard_s = float(inside.sum()) * HOP_S
    if heard_s < LEAST_COMMON_S:
        return None
    t, rpm = sound.time_s[inside], sound.rpm[inside]
    ratios = rpm / np.interp(t, at_s[known], speed.rpm[known])
    ratio = float(np.median(ratios))
    # Windows overlap: so many of them are independent. A median is a quarter less sure than a mean.
    independent = max(heard_s / WINDOW_S, 1.0)
    spread = 1.4826 * float(np.median(np.abs(ratios - ratio)))
    stated = float(np.median(np.hypot(sound.rpm_sd[inside] / rpm, _relative_sd(speed, known))))
    random = 1.25 * max(spread, stated) / math.sqrt(independent)
    # Speeding up and slowing down, sound and picture that run apart err in opposite ways: what is left is their mean.
    late = abs(float(np.mean(_change(sound)[inside] / rpm))) * SYNC_SD_S
    found = estimate(ratio, [Part(random, max(independent - 1.0, 1.0)), Part(late), Part(LEAST_REL_SD * ratio)])
    if found.sd > LOOSEST_REL:
        return None
    return SoundCheck(found, abs(ratio - 1.0) <= max(APART_SDS * found.sd, LEAST_APART_REL), heard_s)


def contradiction(check: SoundCheck | None, source: str = "flashes") -> str:
    """What to say where the note and the speed do not agree; empty where they do, or where nothing can be told.

    Parameters
    ----------
    check : SoundCheck or None
        Of the two.
    source : str
        Where the speed is from, as in `Measurement.rpm_source`.
    """
    if check is None or check.agrees:
        return ""
    ratio, said = check.ratio.value, _BY[source]
    for factor, word in _FACTORS:
        if abs(ratio / factor - 1.0) < FACTOR_REL:
            start = f"By its sound the engine turns {word} as fast {said}"
            what = "check whether every cylinder fires, and the cylinders' `tdc_deg` in the engine file"
            if source != "flashes":
                return f"{start}: {what}, and where that speed is from."
            return (
                f"{start}, which contradicts the sparks in a turn and leaves every speed here in doubt: {what}, its "
                "`sparks_per_rev`, and whether the strobe flashes at every spark."
            )
    start = f"By its sound the engine turns {ratio:.{3 if abs(ratio - 1) < 0.1 else 2}f} times as fast {said}: "
    if abs(ratio - 1.0) < SMALL_REL:
        return start + "the frames' rate as filmed (--capture-fps) or the line time may be wrong, or the log's scale."
    return start + "another engine may be running nearby, or the strobe does not follow this engine."


def _relative_sd(speed: Speed, known: np.ndarray) -> float:
    sd = speed.rpm_sd[known] / speed.rpm[known]
    return float(np.median(sd[np.isfinite(sd)])) if np.isfinite(sd).any() else 0.0


def _change(sound: SoundSpeed) -> np.ndarray:
    """How fast the speed changes, rpm a second; shape (n_frames,)."""
    if len(sound.time_s) < 2:
        return np.zeros(len(sound.time_s))
    return np.asarray(np.gradient(sound.rpm, sound.time_s))
