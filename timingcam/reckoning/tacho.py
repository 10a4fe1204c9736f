"""Flash times and the rotor's angle in each flash to crank speed.

In:  `FlashAngles`, when each flash was and where the rotor stood in it; or a constant speed; or a logged table.
Out: `Speed`, rpm and its sd at each flash, the mean over the engine cycle centred on it.
Not here: whether a flash is good enough for the curve (`curve.py`); speed from the engine's note (`sound.py`).

At every flash the crank stands exactly at n·P − seen (P degrees between sparks), whatever the strobe's delay and the
spark's jitter. So a change of the advance between two flashes cannot pass for a change of speed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.reckoning.evidence import contradictions
from timingcam.reckoning.gaps import LONGEST_GAP_S
from timingcam.reckoning.interference import out_of_place, without
from timingcam.reckoning.links import close_gaps
from timingcam.reckoning.result import freeze, same_length
from timingcam.reckoning.rpmtable import RpmTable, align, read_rpm_csv, rpm_at
from timingcam.reckoning.smoothing import Course, Samples, angle_between, smooth
from timingcam.reckoning.sparks import FASTEST_RPM, SLOWEST_RPM, Counted, Train, count_cost, count_turns, wrapped

__all__ = [
    "FlashAngles",
    "RpmTable",
    "Speed",
    "align",
    "constant_speed",
    "crank_speed",
    "read_rpm_csv",
    "speed_from_table",
]

MIN_FLASHES = 4  # our choice: speed, its change and one left over to see whether they fit
# Our choice: a flash whose time is known no better than half a frame of the slowest camera says nothing of the speed.
LOOSEST_TIME_SD_S = 0.016
DOUBLE_SHARE = 0.3  # of the shortest spark period possible: what follows sooner is the same spark again
WORST_TIME_SHARE = 0.12  # our choice: four sds are then half a period, where one flash and two become alike
LOOSEST_SPEED = 0.1  # our choice: a speed known no better than to a tenth is not given at all
MOST_ROUNDS = 4  # of leaving out flashes out of place: two near each other hide each other
MOST_LEFT_OUT = 0.1  # of all flashes: more are no odd ones, but something to be told of
ONE_LEFT_OUT = "One flash fits no spark and was left out."
LEAST_ANGLE_SD_DEG = 1e-3  # far below any reading; keeps an sd of 0 from claiming infinite weight


@dataclass(frozen=True, slots=True, eq=False)
class FlashAngles:
    """Every flash seen, in time order; arrays of shape (n_flashes,), read-only."""

    time_s: np.ndarray  # of the flash's light centre, from the first frame
    time_sd_s: np.ndarray  # may be inf where the flash had no edge
    seen_deg: np.ndarray  # advance as seen, before delay and dial; NaN where the rotor could not be read
    seen_sd_deg: np.ndarray  # random part

    def __post_init__(self) -> None:
        columns = (self.time_s, self.time_sd_s, self.seen_deg, self.seen_sd_deg)
        same_length("flashes", columns)
        if np.any(np.diff(self.time_s) < 0):
            raise ValueError("flashes are not in time order")
        freeze(*columns)

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, eq=False)
class Speed:
    """Crank speed at each flash; arrays of shape (n_flashes,), read-only; NaN where it could not be had."""

    rpm: np.ndarray
    rpm_sd: np.ndarray
    spark: np.ndarray  # int, spark periods since the first flash
    double: np.ndarray  # bool, a further flash of the spark before
    warnings: tuple[str, ...] = ()
    stray: np.ndarray | None = None  # bool, a flash that was not on a spark period: another spark, or interference

    def __post_init__(self) -> None:
        columns = tuple(c for c in (self.rpm, self.rpm_sd, self.spark, self.double, self.stray) if c is not None)
        same_length("speed", columns)
        freeze(*columns)


def crank_speed(
    flashes: FlashAngles, sparks_per_rev: float, windows_s: np.ndarray | None = None, strokes: int = 4
) -> Speed:
    """Crank speed at each flash, from the flashes alone.

    Parameters
    ----------
    flashes : FlashAngles
        At least `MIN_FLASHES` with a time.
    sparks_per_rev : float
        0.5 or 1, of the cylinder that triggers the strobe.
    windows_s : ndarray, shape (n_frames, 2), optional
        From when to when a flash would have been seen in each frame. With it, counts of missed flashes that the
        camera would have seen are held unlikely, and an ambiguity of half and double speed is recognised.
    strokes : int
        2 or 4: the engine cycle over which the speed is meant, one turn or two.

    Returns
    -------
    Speed
        With a sentence in `warnings` for everything that the flashes leave open.

    Raises
    ------
    CannotMeasure
        If too few flashes have a usable time.
    """
    timed = np.isfinite(flashes.time_s) & (flashes.time_sd_s <= LOOSEST_TIME_SD_S)
    again = _immediate_doubles(flashes.time_s, timed, sparks_per_rev)
    kept = np.flatnonzero(timed & ~again)
    if len(kept) < MIN_FLASHES:
        raise CannotMeasure(
            found=f"{len(kept)} flashes whose time could be told",
            expected=f"at least {MIN_FLASHES}",
            do="film longer, with a shorter exposure (a brighter strobe or less ambient light)",
        )
    whole = _train(flashes, kept)
    _times_good_enough(whole)

    def cost_of(some: Train) -> float:
        return count_cost(some, whole, sparks_per_rev, windows_s)

    train, alone = whole, np.zeros(len(kept), dtype=bool)
    counted = count_turns(train, sparks_per_rev, windows_s)
    for _ in range(MOST_ROUNDS):
        odd = out_of_place(train, counted, cost_of)
        if not odd.any() or alone.sum() + odd.sum() > MOST_LEFT_OUT * len(flashes):
            break
        alone[np.flatnonzero(~alone)[odd]] = True
        train = without(whole, alone)
        counted = count_turns(train, sparks_per_rev, windows_s)
    left_out, kept = kept[alone], kept[~alone]
    course, counted = _course(train, counted, round(1.0 / sparks_per_rev))
    warnings = contradictions(train, counted, course, sparks_per_rev, windows_s)
    found = _Found(train, counted, course, _cycle_mean_rpm(course, 180.0 * strokes))
    speed = _at_every_flash(flashes, kept, again, found, warnings)
    return _with_stray(speed, left_out)


def _with_stray(speed: Speed, left_out: np.ndarray) -> Speed:
    if not len(left_out) or speed.stray is None:
        return speed
    stray = speed.stray.copy()
    stray[left_out] = True
    told = f"{len(left_out)} flashes fit no spark and were left out." if len(left_out) > 1 else ONE_LEFT_OUT
    return replace(speed, stray=stray, warnings=(*speed.warnings, told))


def constant_speed(rpm: float, n: int) -> Speed:
    """Speed that the user knows and that does not change: `n` times the same, its sd 0.

    Its doubt is a systematic one (`Doubts.rpm_rel_sd`).
    """
    zeros = np.zeros(n)
    return Speed(np.full(n, float(rpm)), zeros.copy(), np.zeros(n, dtype=int), np.zeros(n, dtype=bool))


def speed_from_table(time_s: np.ndarray, rpm: np.ndarray, at_s: np.ndarray) -> Speed:
    """Speed at the flashes from a logged tachometer.

    Parameters
    ----------
    time_s, rpm : ndarray, shape (n_rows,)
        The log, by the clip's clock, times rising.
    at_s : ndarray, shape (n_flashes,)
        Times of the flashes.

    Returns
    -------
    Speed
        NaN outside the log; `rpm_sd` from how far the log strays from a straight line between its rows.
    """
    table = RpmTable(np.array(time_s, dtype=float), np.array(rpm, dtype=float))
    at = rpm_at(table, at_s)
    bend = np.zeros(len(table.rpm))
    if len(bend) > 2:
        left = np.diff(table.time_s)[:-1] / (table.time_s[2:] - table.time_s[:-2])
        bend[1:-1] = table.rpm[1:-1] - (1 - left) * table.rpm[:-2] - left * table.rpm[2:]
    # How far rows stray from a line through their neighbours: 1.5 times the variance of one row's noise.
    sd = float(np.sqrt(np.mean(bend**2) / 1.5)) if len(bend) > 2 else 0.0
    outside = int(np.count_nonzero(np.isnan(at)))
    warnings = (f"{outside} of {len(at)} flashes fall outside the logged speed.",) if outside else ()
    n = len(at)
    return Speed(at, np.where(np.isnan(at), np.nan, sd), np.zeros(n, dtype=int), np.zeros(n, dtype=bool), warnings)


def _times_good_enough(train: Train) -> None:
    share = float(np.median(np.hypot(train.time_sd_s[1:], train.time_sd_s[:-1]) / np.diff(train.time_s)))
    if share > WORST_TIME_SHARE:
        raise CannotMeasure(
            found=f"flash times that are known to {share:.0%} of the time between flashes",
            expected=f"at most {WORST_TIME_SHARE:.0%}, so that missed flashes can be counted",
            do="film with a shorter exposure, or give the speed with --rpm",
        )


def _immediate_doubles(time_s: np.ndarray, timed: np.ndarray, sparks_per_rev: float) -> np.ndarray:
    """Flashes that follow another sooner than any spark could."""
    shortest_s = DOUBLE_SHARE * 60.0 / FASTEST_RPM / sparks_per_rev
    again = np.zeros(len(time_s), dtype=bool)
    last_s = -np.inf
    for i in np.flatnonzero(timed):
        again[i] = time_s[i] - last_s < shortest_s
        if not again[i]:
            last_s = time_s[i]
    return again


def _train(flashes: FlashAngles, kept: np.ndarray) -> Train:
    """Usable flashes, with the advance filled in where the rotor could not be read."""
    time_s, seen, seen_sd = flashes.time_s[kept], flashes.seen_deg[kept].copy(), flashes.seen_sd_deg[kept].copy()
    read = np.isfinite(seen) & np.isfinite(seen_sd)
    if not read.any():
        # No angle at all: the spark's jitter is unknown here, so the fit scales this sd to what it finds.
        return Train(time_s, flashes.time_sd_s[kept], np.zeros(len(kept)), np.full(len(kept), 0.3))
    # Unwrapped along time, so that interpolation does not run through half a turn.
    course = np.unwrap(seen[read], period=360.0)
    jumps = np.abs(np.diff(course))
    jitter = 1.4826 * float(np.median(jumps)) / np.sqrt(2.0) if len(jumps) else 0.5
    filled = np.interp(time_s, time_s[read], course)
    sd = np.where(read, np.maximum(np.nan_to_num(seen_sd, nan=0.0), LEAST_ANGLE_SD_DEG), max(jitter, 0.1))
    return Train(time_s, flashes.time_sd_s[kept], np.where(read, seen, wrapped(filled)), sd)


def _course(train: Train, counted: Counted, turns_per_spark: int) -> tuple[Course, Counted]:
    """Smooth course of the crank through the flashes, and the count with what the course could settle."""
    rough = np.gradient(counted.crank_deg, train.time_s)
    rough = np.clip(np.abs(rough), 60.0, 6.0 * FASTEST_RPM)
    sd = np.sqrt(train.seen_sd_deg**2 + (rough * train.time_sd_s) ** 2)
    counted = _evened(train, counted)
    first = smooth(Samples(train.time_s, counted.crank_deg, sd, counted.certain))
    # Once more with the speed that was found: time errors weigh by it.
    sd = np.sqrt(train.seen_sd_deg**2 + (first.speed_deg_s * train.time_sd_s) ** 2)
    samples = Samples(train.time_s, counted.crank_deg, np.maximum(sd, LEAST_ANGLE_SD_DEG), counted.certain)
    if counted.certain.all():
        return smooth(samples), counted
    settled = _evened(train, close_gaps(train, counted, first, samples.sd_deg, turns_per_spark))
    samples = replace(samples, angle_deg=settled.crank_deg, linked=settled.certain)
    return smooth(samples), settled


def _evened(train: Train, counted: Counted) -> Counted:
    """Take out what the crank runs ahead at every other spark where there is one in every turn of a four-stroke.

    Within a cycle the crank is faster after the combustion. A spark every other turn always meets the same part of the
    cycle; one in every turn meets two, by turns ahead and behind.
    """
    k = np.flatnonzero((np.diff(counted.spark)[:-1] == 1) & (np.diff(counted.spark)[1:] == 1)) + 1
    if len(k) < 20:
        return counted
    t, crank = train.time_s, counted.crank_deg
    share = (t[k] - t[k - 1]) / (t[k + 1] - t[k - 1])
    bend = crank[k] - (1 - share) * crank[k - 1] - share * crank[k + 1]
    bend = np.where(counted.spark[k] % 2 == 0, bend, -bend)
    ahead = float(np.median(bend)) / 2.0
    spread = 1.4826 * float(np.median(np.abs(bend - np.median(bend))))
    if abs(ahead) < 4.0 * spread / np.sqrt(len(k)):
        return counted
    return replace(counted, crank_deg=crank - np.where(counted.spark % 2 == 0, ahead, -ahead))


def _cycle_mean_rpm(course: Course, cycle_deg: float) -> np.ndarray:
    """Mean speed over the cycle centred, by crank angle, on each flash."""
    half = cycle_deg / 2.0
    speed = np.maximum(course.speed_deg_s, 6.0 * SLOWEST_RPM)
    edges = []
    for way in (-half, half):
        at_s = course.time_s + way / speed
        for _ in range(4):  # Newton; speed changes by a third within a cycle at the very most
            angle, there = angle_between(course, at_s)
            step = (course.angle_deg + way - angle) / np.maximum(there, 6.0 * SLOWEST_RPM)
            at_s = at_s + np.clip(step, -half / speed / 2.0, half / speed / 2.0)
        edges.append(at_s)
    length_s = np.maximum(edges[1] - edges[0], 1e-6)
    mean = cycle_deg / 6.0 / length_s
    # Where nothing holds the course (next to a long pause) its bends are not to be believed.
    return np.where(np.abs(mean * 6.0 / speed - 1.0) < 0.2, mean, speed / 6.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    train: Train
    counted: Counted
    course: Course
    mean_rpm: np.ndarray


def _at_every_flash(
    flashes: FlashAngles, kept: np.ndarray, again: np.ndarray, found: _Found, warnings: tuple[str, ...]
) -> Speed:
    """Carry speed and spark number over to the flashes that did not take part."""
    n, train, course = len(flashes), found.train, found.course
    rpm, rpm_sd = np.full(n, np.nan), np.full(n, np.nan)
    rpm[kept], rpm_sd[kept] = found.mean_rpm, course.speed_sd_deg_s / 6.0
    spark, double, stray = np.zeros(n, dtype=int), again.copy(), np.zeros(n, dtype=bool)
    spark[kept], double[kept], stray[kept] = found.counted.spark, found.counted.double, found.counted.stray
    others = np.setdiff1d(np.arange(n), kept)
    if len(others):
        at_s = flashes.time_s[others]
        rpm[others] = np.interp(at_s, train.time_s, rpm[kept])
        away = np.where(np.isfinite(flashes.time_sd_s[others]), flashes.time_sd_s[others], LOOSEST_TIME_SD_S)
        near = np.clip(np.searchsorted(train.time_s, at_s), 1, len(kept) - 1)
        step = np.abs(np.diff(rpm[kept]))[near - 1]
        accel = np.abs(np.interp(at_s, train.time_s, course.accel_deg_s2)) / 6.0
        rpm_sd[others] = np.sqrt(np.interp(at_s, train.time_s, rpm_sd[kept]) ** 2 + (accel * away) ** 2 + step**2 / 12)
        spark[others] = found.counted.spark[np.clip(np.searchsorted(train.time_s, at_s, side="right") - 1, 0, None)]
    with np.errstate(invalid="ignore"):
        lost = ~(rpm > SLOWEST_RPM) | ~(rpm_sd < LOOSEST_SPEED * rpm)
    # Next to a stop the cycle centred on the flash runs into it.
    stops = np.flatnonzero(np.diff(train.time_s) > LONGEST_GAP_S)
    lost[kept[stops]] = lost[kept[stops + 1]] = True
    rpm[lost] = rpm_sd[lost] = np.nan
    return replace(Speed(rpm, rpm_sd, spark, double, warnings), stray=stray)
