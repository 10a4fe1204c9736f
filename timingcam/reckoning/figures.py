"""The figures of a fitted advance curve, each with its interval.

In:  the fitted lines, the points they were fitted to, the systematic doubts.
Out: `Curve` and the reasons for figures that the clip does not give.
Not here: which lines fit (`curve.py`).

Random parts come from the fit's covariance. A systematic error moves all readings together; the fit's answer to such a
move is linear, and gives its effect on every figure, corners included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from timingcam.engine import Spec
from timingcam.reckoning.brokenline import Points, jacobian, line, slope_at
from timingcam.reckoning.corners import Spread, corner_spreads
from timingcam.reckoning.gum import Part, combine, coverage_factor, estimate, propagated_sd
from timingcam.reckoning.linefit import CORE, Fit, variance_inflation
from timingcam.reckoning.result import Curve, Estimate

GRID_POINTS = 121
EITHER = 2.0  # our choice: of a core that is seen too narrow by half
MIN_EITHER_WAY = 10  # our choice: a mean of ten is known to a third of the scatter
Z95 = coverage_factor(math.inf)
# An sd that a fit states for its own angles is itself known to about a tenth (our choice).
MEASUREMENT_SD_REL = 0.1
# Coding that carries faint detail over from the picture before draws readings together, and then their errors go
# against the sparks: of 60 coded clips of many makes the correlations had a root mean square of 0.2, from -0.4 to 0.5.
GOES_WITH_SPARKS_SD = 0.25
# Common practice, no source: advancers start by 2000 rpm at the latest and are full by 4000.
LOW_BELOW_RPM, FULL_ABOVE_RPM = 2000.0, 4000.0


@dataclass(frozen=True, slots=True)
class Doubts:
    """What is wrong with all readings alike, as standard uncertainties."""

    shift_sd_deg: float  # of every advance
    delay_sd_s: float  # from spark to flash: 6·rpm times it
    rpm_rel_sd: float = 0.0  # of the scale of all speeds
    rpm_time_sd_s: float = 0.0  # of the offset between the clip and a speed that is logged or heard


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    points: Points
    fit: Fit
    doubts: Doubts
    freedom: float
    moves: tuple[tuple[np.ndarray, float], ...]  # the parameters' answer to each systematic error of one unit; its sd


def curve_of_lines(
    points: Points, fit: Fit, kept: str, doubts: Doubts, spec: Spec | None
) -> tuple[Curve, tuple[str, ...]]:
    """Turn a fit into figures."""
    effective = fit.used.sum() / fit.inflation
    solved = _Solved(points, fit, doubts, max(effective - fit.form.size, 1.0), _moves(points, fit, doubts))
    parts = fit.form.split(fit.theta)
    flat = [not sloped for sloped in fit.form.slopes]
    warnings: list[str] = []
    low = full = starts = top = slope = None
    if kept == "level":
        low, full, why = _level(solved, spec)
        warnings.append(why)
    else:
        low = _flat(solved, points.x.min(), parts.corners[0]) if flat[0] else None
        full = _flat(solved, parts.corners[-1], points.x.max()) if flat[-1] else None
        spreads = corner_spreads(points, fit) if fit.form.corners else ()
        starts = _corner(solved, 0, spreads[0]) if flat[0] else None
        top = _corner(solved, len(parts.corners) - 1, spreads[-1]) if flat[-1] else None
        rise = fit.form.slopes.index(True)
        slope = _slope(solved, rise)
        warnings += _missing(points, flat)
    hysteresis = _hysteresis(solved) if _both_ways(points, fit) else None
    if hysteresis is None:
        warnings.append("No hysteresis: too few readings on the rise with rising speed, with falling speed, or both.")
    grid = np.linspace(points.x.min(), points.x.max(), GRID_POINTS)
    random_sd, sd = _band(solved, grid)
    curve = Curve(
        low_speed_advance_deg=low,
        full_advance_deg=full,
        starts_rpm=starts,
        full_rpm=top,
        slope_deg_per_1000rpm=slope,
        scatter_deg=scatter(fit, points),
        hysteresis_deg=hysteresis,
        grid_rpm=grid,
        grid_advance_deg=line(fit.form, fit.theta, grid),
        grid_random_sd_deg=random_sd,
        grid_sd_deg=sd,
        fit="level" if kept == "level" else "flat-rise-flat",
    )
    return curve, tuple(warnings)


def _moves(points: Points, fit: Fit, doubts: Doubts) -> tuple[tuple[np.ndarray, float], ...]:
    jac = jacobian(fit.form, fit.theta, points.x, points.direction)
    answer = fit.bread @ (jac * fit.answer[:, None]).T
    late = answer @ (-6.0 * points.x)
    scale = answer @ (-slope_at(fit.form, fit.theta, points.x) * points.x)
    shift = answer @ np.ones(len(points.x))
    moves = [(shift, doubts.shift_sd_deg), (late, doubts.delay_sd_s), (scale, doubts.rpm_rel_sd)]
    if points.change is not None and doubts.rpm_time_sd_s > 0:
        # A speed that is told too late is too low while it rises and too high while it falls.
        out_of_step = answer @ (slope_at(fit.form, fit.theta, points.x) * points.change)
        moves.append((out_of_step, doubts.rpm_time_sd_s))
    return tuple(moves)


def _figure(solved: _Solved, value: float, gradient: np.ndarray, factor: float = 1.0) -> Estimate:
    """A linear figure of the parameters."""
    random = propagated_sd(gradient, solved.fit.covariance)
    parts = [Part(random * abs(factor), solved.freedom)]
    parts += [Part(abs(float(gradient @ move) * sd * factor)) for move, sd in solved.moves]
    return estimate(value * factor, parts)


def _at(solved: _Solved, rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    fit = solved.fit
    return line(fit.form, fit.theta, rpm), jacobian(fit.form, fit.theta, rpm)


def _flat(solved: _Solved, low_rpm: float, high_rpm: float) -> Estimate:
    """Level of a flat at the mean speed of its readings: a tilt, where one was fitted, is not taken out."""
    x, used = solved.points.x, solved.fit.used
    inside = used & (x >= low_rpm) & (x <= high_rpm)
    rpm = np.array([float(np.mean(x[inside])) if inside.any() else 0.5 * (low_rpm + high_rpm)])
    value, gradient = _at(solved, rpm)
    return _figure(solved, float(value[0]), gradient[0])


def _corner(solved: _Solved, which: int, spread: Spread) -> Estimate:
    at = 1 + sum(solved.fit.form.slopes) + which
    value = float(solved.fit.theta[at])
    systematic = combine([Part(abs(float(move[at])) * sd) for move, sd in solved.moves]).sd
    half = Z95 * systematic
    # Each side's random and systematic part are put together for itself: the random part leans.
    low, high = math.hypot(value - spread.low, half), math.hypot(spread.high - value, half)
    return Estimate(value, math.hypot(spread.sd, systematic), value - low, value + high)


def _slope(solved: _Solved, segment: int) -> Estimate:
    form = solved.fit.form
    gradient = np.zeros(form.size)
    at = 1 + sum(form.slopes[:segment])
    gradient[at] = 1.0
    tilt = solved.fit.theta[-1] if form.tilt_prior_sd > 0 else 0.0
    if form.tilt_prior_sd > 0:
        gradient[-1] = 1.0
    return _figure(solved, float(solved.fit.theta[at] + tilt), gradient, 1000.0)


def _both_ways(points: Points, fit: Fit) -> bool:
    """Whether the rise was seen often enough with rising and with falling speed."""
    if not fit.form.lag:
        return False
    sloped = fit.used & (slope_at(fit.form, fit.theta, points.x) != 0)
    return all(np.count_nonzero(sloped & (points.direction == way)) >= MIN_EITHER_WAY for way in (1, -1))


def _hysteresis(solved: _Solved) -> Estimate:
    """How much higher the advance is on the way down than on the way up, between the corners."""
    fit = solved.fit
    parts = fit.form.split(fit.theta)
    rise = fit.form.slopes.index(True)
    gradient = np.zeros(fit.form.size)
    lag_at = 1 + sum(fit.form.slopes) + fit.form.corners
    gradient[lag_at] = parts.slopes[rise]
    gradient[1] = parts.lag
    return _figure(solved, float(parts.slopes[rise] * parts.lag), gradient)


def _band(solved: _Solved, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    _, jac = _at(solved, grid)
    random_var = np.einsum("ij,jk,ik->i", jac, solved.fit.covariance, jac)
    var = random_var + sum((jac @ move * sd) ** 2 for move, sd in solved.moves)
    return np.sqrt(np.maximum(random_var, 0.0)), np.sqrt(np.maximum(var, 0.0))


def scatter(fit: Fit, points: Points) -> Estimate:
    """Sd of single sparks about the curve, the measurement's own noise taken out.

    The interval is formed for the variance, whose distribution is chi-square with the degrees of freedom that its own
    spread shows, and reaches to 0 where the measurement's noise explains all.
    """
    own_var = points.y_sd**2 + (slope_at(fit.form, fit.theta, points.x) * points.x_sd) ** 2
    core = np.abs(fit.residual) <= CORE * fit.sd
    estimate = _scatter_within(fit, own_var, core, fit.scatter_var)
    either = np.abs(fit.residual) <= EITHER * CORE * fit.sd
    if either.sum() == core.sum():
        return estimate
    # Left out beyond the core, a few far ones make the core narrower still. From few readings nobody can tell whether
    # they belong to it: the interval holds both answers.
    high = max(estimate.high, _scatter_within(fit, own_var, either, None).high)
    return _within(estimate.value, estimate.low, high)


def _scatter_within(fit: Fit, own_var: np.ndarray, counted: np.ndarray, variance: float | None) -> Estimate:
    """The scatter of the readings that count, of which the variance may be known already.

    If it is not, far ones are among them, and are taken for normal noise: their fourth powers alone would say how much
    the squares spread.
    """
    weight = counted / fit.sd**4
    square = fit.residual**2 - own_var
    mean = float(np.sum(weight * square) / np.sum(weight)) if variance is None else variance
    n_counted = max(int(counted.sum()) - fit.form.size, 1)
    inflation = variance_inflation(square[counted])
    # The spread that the squares show is itself known to a tenth or two; it is not taken for less than that of normal
    # noise, 2σ⁴.
    shown = np.sum(weight**2 * (square - mean) ** 2) if variance is not None else 0.0
    normal = 2.0 * np.sum(weight**2 * (fit.sd**2 + mean - fit.scatter_var) ** 2)
    random_var = float(max(shown, normal) / np.sum(weight) ** 2) * inflation * counted.sum() / n_counted
    own_mean = float(np.sum(weight * own_var) / np.sum(weight))
    return scatter_estimate(mean, own_mean, random_var)


def scatter_estimate(variance: float, own_var: float, random_var: float) -> Estimate:
    """Sd of sparks and its interval, from their variance beyond the measurement's own.

    Parameters
    ----------
    variance : float
        Of the sparks, degrees squared; may have come out below 0.
    own_var : float
        Of the measurement itself, known to `MEASUREMENT_SD_REL` of its sd; its errors may go somewhat with or against
        the sparks' own deviations.
    random_var : float
        Variance of `variance` by the number of readings.

    References
    ----------
    .. [1] Satterthwaite, Biometrics Bulletin 2 (1946) 110–114: chi-square's degrees of freedom by its own spread.
    """
    total = max(variance + own_var, 1e-12)
    freedom = 2.0 * total**2 / max(random_var, 1e-24)
    below = total - freedom * total / chdtri(freedom, 0.025)
    above = freedom * total / chdtri(freedom, 0.975) - total
    own = Z95 * 2.0 * MEASUREMENT_SD_REL * own_var
    drawn = Z95 * 2.0 * GOES_WITH_SPARKS_SD * math.sqrt(max(variance, 0.0) * own_var)
    low = math.sqrt(max(variance - math.hypot(below, own, drawn), 0.0))
    high = math.sqrt(max(variance + math.hypot(above, own, drawn), 0.0))
    value = math.sqrt(max(variance, 0.0))
    return _within(value, min(low, value), max(high, value))


def _within(value: float, low: float, high: float) -> Estimate:
    """An estimate of what is never below 0, by its interval: where that is cut off at 0 its half is no sd of the value,
    which lies at its end, and the part above the value tells."""
    reach = 0.5 * (high - low)
    return Estimate(value, (max(reach, high - value) if low <= 0.0 else reach) / Z95, low, high)


def _level(solved: _Solved, spec: Spec | None) -> tuple[Estimate | None, Estimate | None, str]:
    rpm = float(np.median(solved.points.x))
    level = _flat(solved, -np.inf, np.inf)
    low_below, full_above = LOW_BELOW_RPM, FULL_ABOVE_RPM
    if spec is not None and len(spec.curve) >= 2:
        advances = [deg for _, deg in spec.curve]
        lowest = [r for r, deg in spec.curve if deg == advances[0]]
        highest = [r for r, deg in spec.curve if deg == max(advances)]
        low_below, full_above = 0.5 * (lowest[-1] + highest[0]), 0.5 * (lowest[-1] + highest[0])
    slowest, fastest = float(np.min(solved.points.x)), float(np.max(solved.points.x))
    where = f"The advance does not change over the {slowest:.0f} to {fastest:.0f} rpm filmed"
    if rpm <= low_below:
        return level, None, where + ": low-speed advance only; full advance and the corners were not seen."
    if rpm > full_above:
        return None, level, where + ": full advance only; low-speed advance and the corners were not seen."
    return None, None, where + ": neither the low-speed nor the full advance for certain; film from idle to full speed."


def _missing(points: Points, flat: list[bool]) -> list[str]:
    found = []
    if not flat[0]:
        found.append(
            f"No low-speed advance and no start: at the slowest flashes, {points.x.min():.0f} rpm, the advance was "
            "already rising. Film from idle."
        )
    if not flat[-1]:
        found.append(
            f"No full advance: up to the fastest flashes, {points.x.max():.0f} rpm, the advance was still rising. "
            "Film to higher speed; if it rises there too, the advancer does not reach its stop."
        )
    return found
