"""What the engine's note says at the flashes: as a check of their speed, or in its place.

In:  `SoundSpeed`, the flashes' times, their own speed where they have one.
Out: `Speed` by sound; a sentence where sound and flashes contradict each other.
Not here: the note itself (`sound.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.reckoning.sound import TRUSTED_SHARE, SoundSpeed
from timingcam.reckoning.tacho import Speed

LEAST_COMMON_S = 1.0  # our choice: of trusted sound under the flashes, before the two are held against each other
APART_REL = 0.03  # our choice: five times what sound alone is good for in a sweep


def speed_by_sound(sound: SoundSpeed, at_s: np.ndarray) -> Speed:
    """Speed at the flashes from the note alone, where the flashes cannot be timed.

    Parameters
    ----------
    sound : SoundSpeed
        By the clip's clock.
    at_s : ndarray, shape (n_flashes,)
        Times of the flashes.

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
    sd = np.where(heard, np.interp(at_s, sound.time_s, sound.rpm_sd), np.nan)
    n = len(at_s)
    return Speed(rpm, sd, np.zeros(n, dtype=int), np.zeros(n, dtype=bool))


def contradiction(sound: SoundSpeed, at_s: np.ndarray, speed: Speed) -> str:
    """What to say where the note and the flashes do not agree; empty where they do, or where nothing can be told.

    Parameters
    ----------
    sound : SoundSpeed
        By the clip's clock.
    at_s : ndarray, shape (n_flashes,)
        Times of the flashes, rising.
    speed : Speed
        By the flashes.
    """
    known = np.isfinite(speed.rpm)
    if known.sum() < 2:
        return ""
    inside = (sound.trust >= 0.5) & (sound.time_s >= at_s[known][0]) & (sound.time_s <= at_s[known][-1])
    if len(sound.time_s) < 2 or inside.sum() * np.median(np.diff(sound.time_s)) < LEAST_COMMON_S:
        return ""
    ratio = float(np.median(sound.rpm[inside] / np.interp(sound.time_s[inside], at_s[known], speed.rpm[known])))
    if abs(ratio - 1.0) < APART_REL:
        return ""
    for factor, word in ((2.0, "twice"), (0.5, "half"), (3.0, "three times"), (1.0 / 3.0, "a third")):
        if abs(ratio / factor - 1.0) < APART_REL:
            return (
                f"By its sound the engine turns {word} as fast as the flashes say: check `sparks_per_rev` and the "
                "cylinders' `tdc_deg` in the engine file, and whether the strobe flashes at every spark."
            )
    return (
        f"By its sound the engine turns {ratio:.2f} times as fast as the flashes say: another engine may be running "
        "nearby, or the strobe does not follow this engine."
    )
