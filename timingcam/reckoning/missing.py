"""Flashes that are missing: when, and whether the engine's sound lacks a firing there too.

In:  the readings, when the camera could see a flash, the clip's sound.
Out: times of the missing flashes; what the sound says of them, as a sentence.
Not here: how many of them are too many (`checks.py`).

The picture cannot tell a spark that failed from a strobe that did. A firing that failed is heard: the exhaust's pulse
is weaker. Each firing's loudness is held against its neighbours', a little after the spark, at whichever delay (of
air, exhaust and the phone) sets the missing ones apart most; whether that is more than chance is told by drawing as
many firings at random, again and again, and looking at whichever delay suits those.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from timingcam.reckoning.result import Readings
from timingcam.reckoning.sparks import in_sight
from timingcam.seeing.soundtrack import Soundtrack

FEWEST = 5  # our choice: missing flashes before the sound is asked
FEWEST_SEEN = 20
DELAYS_S = np.arange(-0.040, 0.081, 0.004)  # sound against picture, some 40 ms in phones; air and exhaust, up to 40 ms
LONGEST_S = 0.03  # our choice: of a pulse
OF_PERIOD = 0.2  # our choice: a pulse's part of the time between sparks, so that the other cylinder's is outside
NEIGHBOURS = 9  # firings, this one among them, that say how loud it should have been
QUIETEST = 1e-8  # our choice: of the sound's mean power, below which all is as silent; above it no phone reaches
DRAWS = 2000
CHANCE = 0.002  # our choice: of calling a failed strobe a failed spark
HALF_DB = 3.0  # a failed firing has lost more than half of its power
FIRES = (
    "The sound does not lack a firing where flashes are missing: the sparks came, look at the strobe's pickup and lead."
)
MISFIRES = (
    "Where flashes are missing the sound lacks a firing too: sparks that failed, not the strobe. Look at plug, cap, "
    "lead, coil and trigger."
)


def missing_flashes_s(readings: Readings, sparks_per_rev: float, windows_s: np.ndarray | None) -> np.ndarray | None:
    """When sparks in the camera's sight made no flash.

    Parameters
    ----------
    readings : Readings
        Of every flash that was seen.
    sparks_per_rev : float
        Of the strobe's cylinder, per turn of the crank.
    windows_s : ndarray, shape (n_frames, 2), or None
        When the camera could see a flash, in time order; None where that is not known.

    Returns
    -------
    ndarray, shape (n_missing,), or None
        Rising, seconds; None where the windows are not known, or too few flashes have a speed.
    """
    if windows_s is None:
        return None
    known = np.isfinite(readings.rpm)
    if known.sum() < FEWEST_SEEN:
        return None
    t, rpm = readings.time_s[known], readings.rpm[known]
    periods = np.diff(t) * 0.5 * (rpm[1:] + rpm[:-1]) / 60.0 * sparks_per_rev
    counted = np.maximum(np.rint(periods), 1).astype(int)
    gone = [a + (b - a) * np.arange(1, n) / n for a, b, n in zip(t[:-1], t[1:], counted, strict=True)]
    at = np.concatenate(gone)
    return at[in_sight(at, windows_s)]


def missing_by_sound(
    track: Soundtrack | None, readings: Readings, missing_s: np.ndarray | None, sparks_per_rev: float
) -> str:
    """What the clip's sound says of the missing flashes.

    Parameters
    ----------
    track : Soundtrack or None
    readings : Readings
    missing_s : ndarray, shape (n_missing,), or None
        Of `missing_flashes_s`.
    sparks_per_rev : float

    Returns
    -------
    str
        A sentence; empty where the sound cannot tell.

    References
    ----------
    .. [1] Good, Permutation, Parametric and Bootstrap Tests of Hypotheses, 3rd ed., Springer 2005, ch. 3.
    """
    if track is None or missing_s is None or len(missing_s) < FEWEST:
        return ""
    known = np.isfinite(readings.rpm)
    time_s = np.concatenate([readings.time_s[known], missing_s])
    rpm = np.interp(time_s, readings.time_s[known], readings.rpm[known])
    order = np.argsort(time_s, kind="stable")
    gone = np.concatenate([np.zeros(int(known.sum()), bool), np.ones(len(missing_s), bool)])[order]
    db = _loudness_db(track, time_s[order], 60.0 / rpm[order] / sparks_per_rev)
    heard = np.isfinite(db).all(axis=1)
    if gone[heard].sum() < FEWEST or (~gone[heard]).sum() < FEWEST_SEEN:
        return ""
    off_db, gone = _off_db(db[heard]), gone[heard]
    drop_db = -off_db[gone].mean(axis=0).min()
    rng = np.random.default_rng(0)
    chance_db = np.array([-off_db[rng.permutation(gone)].mean(axis=0).min() for _ in range(DRAWS)])
    if np.mean(chance_db >= drop_db) < CHANCE and drop_db > HALF_DB:
        return MISFIRES
    return FIRES if _pulse_is_there(db[heard], off_db, gone) else ""


def _pulse_is_there(db: np.ndarray, off_db: np.ndarray, gone: np.ndarray) -> bool:
    """Whether missing flashes have their pulse beyond doubt: it stands out of the lull, and is not weaker by half."""
    level = np.median(db[~gone], axis=0)
    loudest = int(np.argmax(level))
    stands_out_db = level[loudest] - level.min()
    at = off_db[gone, loudest]
    surest_db = at.mean() - 3.0 * max(float(at.std(ddof=1)), float(off_db[~gone, loudest].std())) / len(at) ** 0.5
    return bool(stands_out_db > 2.0 * HALF_DB and surest_db > -HALF_DB)


def _loudness_db(track: Soundtrack, at_s: np.ndarray, period_s: np.ndarray) -> np.ndarray:
    """Power about each firing at each delay, decibels; shape (n, n_delays); NaN outside the sound."""
    power = np.concatenate([[0.0], np.cumsum(track.samples.astype(float) ** 2)])
    first_s = at_s[:, None] + DELAYS_S[None, :] - track.start_s
    length_s = np.minimum(LONGEST_S, OF_PERIOD * period_s)[:, None]
    first, last = (np.rint(t * track.rate_hz).astype(int) for t in (first_s, first_s + length_s))
    inside = (first >= 0) & (last < len(power)) & (last > first)
    top = len(power) - 1
    mean = (power[np.clip(last, 0, top)] - power[np.clip(first, 0, top)]) / np.maximum(last - first, 1)
    return np.where(inside, 10.0 * np.log10(np.maximum(mean, QUIETEST * max(power[-1] / top, QUIETEST))), np.nan)


def _off_db(db: np.ndarray) -> np.ndarray:
    """Loudness against what is usual among the neighbours."""
    return db - median_filter(db, size=(NEIGHBOURS, 1), mode="nearest")
