"""Readings to the advance curve.

In:  `Readings`, advance and crank speed of every flash; `Doubts`, what is common to all of them.
Out: `Curve`, which readings it was fitted to, and sentences for a person.
Not here: the line's fit itself (`linefit.py`); whether the curve is good (`checks.py`).

A centrifugal advancer holds a low-speed advance, lets it rise between two speeds and holds the full advance from there
on. Only what the readings' speeds cover is fitted; where the three lines do not fit, a monotone curve stands in.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import fields, replace
from itertools import pairwise
from typing import Any

import numpy as np

from timingcam.engine import Spec
from timingcam.errors import CannotMeasure
from timingcam.reckoning.brokenline import Form, Points, line
from timingcam.reckoning.budget import UNKNOWN_LAG_SD_S
from timingcam.reckoning.figures import Doubts, curve_of_lines
from timingcam.reckoning.linefit import Fit, fit_line
from timingcam.reckoning.monotone import does_not_follow, fit_monotone, misfit_of_lines
from timingcam.reckoning.result import SMEARED, UNTOLD, Curve, Readings
from timingcam.reckoning.stages import second_stage_deg

__all__ = ["OFF_THE_CURVE", "Doubts", "fit_curve", "speed_direction"]

SMEARED_SHARE = 0.2  # our choice: so many that it is the strobe
MIN_READINGS = 20  # our choice: an sd from n readings is known to 1/sqrt(2(n − 1)), 16 % at 20
MIN_PART_RPM = 100.0  # our choice: a flat or a rise shorter than a hand's twitch of the throttle cannot be told
MIN_PART_SHARE = 0.03  # of the range of speeds, for the same reason
MIN_PART_READINGS = 3  # through two any line goes
CLEARLY_ASKED = 20.0  # our choice, of the Schwarz criterion: odds of 20,000 to 1
TOO_FEW = "too few flashes between the two corners, or beyond one of them, to tell where the corners are"
TILT_RANGE_RPM = 1500.0  # a top must cover this much before its slope means anything
OFF_THE_CURVE = "more than 6 sds off the curve that the other flashes follow"
STICKING_SD_RPM = 150.0  # our choice: what a sticking advancer lags; 2 degrees on a usual rise
ONE_WAY_SHARE = 0.15  # our choice: of the readings on the rise left out; stray sparks are fewer
STEADY_RPM_PER_S = 60.0  # below it the speed neither rises nor falls: a hand's wander at idle
DIRECTION_SPAN_S = 0.25  # over which rising and falling are told; an idle hunts faster than a throttle is moved

FORMS = {
    "level": Form((False,)),
    "rise": Form((True,)),
    "flat-rise": Form((False, True)),
    "rise-flat": Form((True, False)),
    "flat-rise-flat": Form((False, True, False)),
}


def fit_curve(
    readings: Readings, doubts: Doubts, rng: np.random.Generator, spec: Spec | None = None
) -> tuple[Curve, np.ndarray, tuple[str, ...]]:
    """Fit the advance curve.

    Parameters
    ----------
    readings : Readings
        Rows with `used` False are left out.
    doubts : Doubts
        Systematic parts.
    rng : numpy.random.Generator
        For the bootstrap of a curve that is no flat, rise, flat.
    spec : Spec, optional
        Only to tell whether a clip at one speed shows the low-speed or the full advance.

    Returns
    -------
    curve : Curve
    used : ndarray of bool, shape (n_flashes,)
        False also for readings that were found off the curve (`OFF_THE_CURVE`).
    warnings : tuple of str
        Why a figure is missing, and what does not fit.

    Raises
    ------
    CannotMeasure
        If too few readings have both a speed and an advance.
    """
    sound = readings.used & np.isfinite(readings.rpm) & np.isfinite(readings.advance_deg)
    sound &= np.isfinite(readings.rpm_sd) & np.isfinite(readings.advance_sd_deg)
    if sound.sum() < MIN_READINGS:
        raise _too_few(int(sound.sum()), readings)
    points = _points(readings, sound)
    fit, kept, sparse = _best_fit(points)
    used = np.zeros(len(readings), dtype=bool)
    misfit = TOO_FEW if sparse else misfit_of_lines(points, fit) or _two_stages(points, fit)
    if misfit and (fit.form.corners or sparse):
        curve, core, warnings = fit_monotone(points, doubts, rng, misfit)
        used[np.flatnonzero(sound)[core]] = True
        return curve, used, warnings
    curve, warnings = curve_of_lines(points, fit, kept, doubts, spec)
    used[np.flatnonzero(sound)[fit.used]] = True
    return curve, used, warnings


def _two_stages(points: Points, fit: Fit) -> str:
    """Why one rise does not do, or nothing."""
    apart_deg = second_stage_deg(points, fit, _part_rpm(points)) if fit.form.corners else 0.0
    return does_not_follow(f"{apart_deg:.1f} degrees rms") if apart_deg else ""


def _too_few(n: int, readings: Readings) -> CannotMeasure:
    """The refusal, with what most of the others lack."""
    do = "hold each speed longer, with the strobe nearer and the marks in the middle of the picture"
    why = Counter(reason for reason in readings.reason if reason).most_common()
    most = why[0][0] if why else ""
    if most == UNTOLD:
        do = "film with more of what stands still about the rotor in view, lit and sharp: it shows how the phone moved"
    if dict(why).get(SMEARED, 0) > SMEARED_SHARE * len(readings):
        # Long flashes also leave rotors that cannot be recognised.
        most, do = SMEARED, "use a strobe with a shorter flash; LED lamps that flash for 200 µs and more show a blur"
    return CannotMeasure(
        found=f"{n} flashes with both a speed and an advance" + (f" (of most others: {most})" if most else ""),
        expected=f"at least {MIN_READINGS}",
        do=do,
    )


def _points(readings: Readings, sound: np.ndarray) -> Points:
    time_s, rpm = readings.time_s[sound], readings.rpm[sound]
    return Points(
        readings.rpm[sound].astype(float),
        readings.advance_deg[sound].astype(float),
        readings.advance_sd_deg[sound].astype(float),
        readings.rpm_sd[sound].astype(float),
        speed_direction(time_s, rpm),
        speed_change(time_s, rpm),
    )


def speed_direction(time_s: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """+1 where the speed rises, −1 where it falls, 0 where it stands; shape (n,)."""
    slope = speed_change(time_s, rpm)
    return np.where(slope > STEADY_RPM_PER_S, 1.0, np.where(slope < -STEADY_RPM_PER_S, -1.0, 0.0))


def speed_change(time_s: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """How fast the speed changes, rpm a second; shape (n,).

    The slope of a line through the readings within `DIRECTION_SPAN_S` either way, so that no direction of time is
    preferred.
    """
    first = np.searchsorted(time_s, time_s - DIRECTION_SPAN_S)
    last = np.searchsorted(time_s, time_s + DIRECTION_SPAN_S, side="right")

    def over(values: np.ndarray) -> np.ndarray:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return total[last] - total[first]

    t, r = time_s - time_s.mean(), rpm - rpm.mean()
    n = (last - first).astype(float)
    spread = over(t * t) - over(t) ** 2 / n
    common = over(t * r) - over(t) * over(r) / n
    return np.where(spread > 1e-9, common / np.maximum(spread, 1e-9), 0.0)


def _best_fit(points: Points) -> tuple[Fit, str, bool]:
    """The simplest of the lines that the readings ask for; whether they clearly ask for one that they cannot carry."""
    low, high = _core_range(points.x)
    part = _part_rpm(points)
    fits: dict[str, Fit] = {"level": fit_line(points, FORMS["level"], part)}
    if high - low > 3 * part:
        for name in ("rise", "flat-rise", "rise-flat", "flat-rise-flat"):
            if name == "flat-rise-flat" and high - low < 4 * part:
                continue
            fits[name] = fit_line(points, FORMS[name], part)
    carried = {n: f for n, f in fits.items() if not f.form.corners or _parts_filled(points, f, part)}
    asked = _criteria(fits, len(points.x))
    kept = min(carried, key=lambda name: asked[name])
    best = min(asked, key=lambda name: asked[name])
    sparse = asked[best] < asked[kept] - CLEARLY_ASKED and _tell_apart(points, fits[best], fits[kept])
    return _with_nuisances(points, fits[kept], part), kept, sparse


def _tell_apart(points: Points, one: Fit, other: Fit) -> bool:
    """Whether two fits say different things about readings that both count."""
    both = one.used & other.used
    off = line(one.form, one.theta, points.x) - line(other.form, other.theta, points.x)
    return bool(both.any() and np.abs(off[both]).max() > 3.0 * float(np.median(one.sd)))


def _core_range(rpm: np.ndarray) -> tuple[float, float]:
    # The outermost readings may be misreadings; the third from either end is not.
    ordered = np.sort(rpm)
    return float(ordered[2]), float(ordered[-3])


def _part_rpm(points: Points) -> float:
    low, high = _core_range(points.x)
    return max(MIN_PART_RPM, MIN_PART_SHARE * (high - low))


def _parts_filled(points: Points, fit: Fit, part: float) -> bool:
    """Every segment holds readings and is long enough."""
    corners = fit.form.split(fit.theta).corners
    edges = np.concatenate([[points.x.min()], corners, [points.x.max()]])
    if np.any(np.diff(edges) < part):
        return False
    counts = [np.count_nonzero((points.x >= a) & (points.x <= b) & fit.used) for a, b in pairwise(edges)]
    return bool(min(counts) >= MIN_PART_READINGS)


def _criteria(fits: dict[str, Fit], n: int) -> dict[str, float]:
    """Schwarz criterion of each, in units of the noise of the best-fitting line, thinned for correlation."""
    best = min(fits.values(), key=lambda fit: float(np.median(fit.sd)))
    scale = float(np.median(best.sd)) ** 2

    def criterion(fit: Fit) -> float:
        u2 = np.minimum(fit.residual**2 / scale, 36.0)
        return float(np.sum(u2)) / best.inflation + fit.form.size * np.log(n / best.inflation)

    return {name: criterion(fit) for name, fit in fits.items()}


def _with_nuisances(points: Points, fit: Fit, part: float) -> Fit:
    """Fit again with what the clip allows: a lag between rising and falling, a tilt that a delay would make."""
    if fit.form.corners == 0:
        return fit
    parts = fit.form.split(fit.theta)
    sloped = parts.slopes[np.searchsorted(parts.corners, points.x)] != 0
    moving = bool(np.any(sloped & (points.direction != 0)))
    flat_top = not fit.form.slopes[-1] and points.x.max() - parts.corners[-1] >= TILT_RANGE_RPM
    if not moving and not flat_top:
        return fit
    tilt = 6.0 * UNKNOWN_LAG_SD_S if flat_top else 0.0
    middle = float(np.mean(points.x))
    form = Form(fit.form.slopes, lag=moving, lag_prior_sd=STICKING_SD_RPM, tilt_prior_sd=tilt, tilt_x0=middle)
    start = np.concatenate([fit.theta, np.zeros(form.size - fit.form.size)])
    found = [fit_line(points, form, part, start)]
    on_rise = sloped & (points.direction != 0)
    if moving and np.mean(~found[0].used[on_rise]) > ONE_WAY_SHARE:
        found += [fit_line(points, form, part, start) for start in _courses_apart(points, fit.form, form, part)]
    return _least_left(found)


def _courses_apart(points: Points, plain: Form, form: Form, part: float) -> list[np.ndarray]:
    """Where to start from if the advance is far apart on the way up and on the way down.

    One line through both would follow the one course and take the other's readings for stray ones.
    """
    ends = []
    for way in (1, -1):
        mine = points.direction != -way
        if np.count_nonzero(points.direction == way) < MIN_READINGS:
            return []
        columns: dict[str, Any] = {column.name: getattr(points, column.name) for column in fields(points)}
        own = replace(points, **{name: values[mine] for name, values in columns.items() if values is not None})
        ends.append(fit_line(own, plain, part).theta)
    middle = np.concatenate([(ends[0] + ends[1]) / 2.0, np.zeros(form.size - plain.size)])
    corners = slice(1 + sum(plain.slopes), 1 + sum(plain.slopes) + plain.corners)
    # Rising speed meets each corner later by the lag than falling speed does.
    middle[plain.size] = float(np.mean(ends[0][corners] - ends[1][corners]))
    return [middle]


def _least_left(fits: list[Fit]) -> Fit:
    """The fit that leaves least, a reading far off counting no more than any other far off."""
    scale = min(float(np.median(fit.sd)) for fit in fits)
    return min(fits, key=lambda fit: float(np.sum(np.minimum((fit.residual / scale) ** 2, 36.0))))
