"""Two sets of readings: one curve, one curve shifted, or two different curves?

In:  two `Readings` and the speeds over which both show the same parts of the curve.
Out: `ShapeTest`s, one a question, each a comparison of nested models by weighted least squares; the differences found.
Not here: what is common to all readings of a clip, and may differ from clip to clip (`compare.py` adds it).

Every model is the broken line of `brokenline.py` for each clip, with some parameters common to both. Its nuisances are
fitted in all models alike: how far rising and falling speed lie apart in each clip, a fall with speed that both share,
and one in which they may differ because the strobe's delay is not known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import fdtrc

from timingcam.reckoning.brokenline import Form, Points, jacobian, line
from timingcam.reckoning.budget import UNKNOWN_LAG_SD_S
from timingcam.reckoning.curve import MIN_PART_RPM, speed_direction
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.linefit import Fit, fit_line
from timingcam.reckoning.result import Estimate, Readings

DEG_PER_S_PER_RPM = 6.0  # definition: 360 degrees a turn, 60 s a minute
MIN_READINGS = 20  # as for a curve: an sd from n readings is known to 1/sqrt(2(n − 1)), 16 % at 20
DIRECTIONS = 10  # readings that each direction must have on the rise before the two are told apart
SIGNIFICANT = 0.05  # chance of finding a difference where there is none, over all single tests together
SHIFT, START, SLOPE, FULL = "shift", "start of the rise", "slope of the rise", "end of the rise"


@dataclass(frozen=True, slots=True)
class ShapeTest:
    """One question put to two sets of readings.

    Attributes
    ----------
    what : str
        The figure in which they may differ.
    difference : Estimate
        Second less first, random part only: degrees for a shift, degrees in 1000 rpm for a slope, rpm for a corner.
    f, freedom, residual_freedom : float
        The F statistic of leaving this difference out, and its degrees of freedom.
    p : float
        Chance of as large a statistic if there were no difference.
    """

    what: str
    difference: Estimate
    f: float
    freedom: int
    residual_freedom: float
    p: float


@dataclass(frozen=True, slots=True)
class ShapeTests:
    """All questions: whether a shift is there, whether anything besides it, and what."""

    shift: ShapeTest
    besides_shift_p: float | None  # None where the readings show one flat only: then nothing else can differ
    single: tuple[ShapeTest, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Both clips' points, the line that each follows, and the parameters of the model that has none in common."""

    points: tuple[Points, Points]
    weight: tuple[np.ndarray, np.ndarray]
    form: Form
    start: np.ndarray
    n_effective: float
    delay_sd_deg: float  # of the difference of both delays, in degrees for each rpm


def shape_tests(
    first: Readings, second: Readings, slopes: tuple[bool, ...], speeds_rpm: tuple[float, float], delay_sd_s: float
) -> ShapeTests | None:
    """Test in what two sets of readings differ.

    Parameters
    ----------
    first, second : Readings
        Those that are used, and whose speed lies within `speeds_rpm`, are taken.
    slopes : tuple of bool
        The parts of the curve that both show, in order of speed: True where it rises.
    speeds_rpm : tuple of float
        Lowest and highest speed that both cover.
    delay_sd_s : float
        Standard uncertainty of the difference of both strobe delays, seconds; 0 where they are the same.

    Returns
    -------
    ShapeTests or None
        None where either has too few readings there.

    References
    ----------
    .. [1] Seber & Wild, Nonlinear Regression (1989), 5.8: F test of nested models.
    """
    pair = _pair(first, second, slopes, speeds_rpm, delay_sd_s)
    if pair is None:
        return None
    names = _differences(pair.form)
    full = _Solved.of(pair, frozenset())
    shift_only = _Solved.of(pair, frozenset(names) - {SHIFT})
    same = _Solved.of(pair, frozenset(names))
    shift = _test(pair, SHIFT, shift_only, same)
    if len(names) == 1:
        return ShapeTests(shift, None, ())
    single = tuple(_test(pair, name, full, _Solved.of(pair, frozenset({name}))) for name in names if name != SHIFT)
    _, p = _f_test(full, shift_only, len(names) - 1)
    return ShapeTests(shift, p, single)


def changed_shape(shape: ShapeTests) -> list[ShapeTest]:
    """Which single figures of the shape differ.

    Parameters
    ----------
    shape : ShapeTests
        As tested.

    Returns
    -------
    list of ShapeTest
        Those whose p stays below its share of `SIGNIFICANT`, where the shape as a whole differs too.

    References
    ----------
    .. [1] Holm, Scandinavian Journal of Statistics 6 (1979) 65–70.
    """
    if shape.besides_shift_p is None or shape.besides_shift_p >= SIGNIFICANT:
        return []
    found: list[ShapeTest] = []
    ordered = sorted(shape.single, key=lambda test: test.p)
    for place, test in enumerate(ordered):
        if test.p >= SIGNIFICANT / (len(ordered) - place):
            break
        found.append(test)
    return found


def _pair(
    first: Readings, second: Readings, slopes: tuple[bool, ...], speeds_rpm: tuple[float, float], delay_sd_s: float
) -> _Pair | None:
    both = (_points(first, speeds_rpm), _points(second, speeds_rpm))
    if min(len(points.x) for points in both) < MIN_READINGS:
        return None
    middle = float(np.mean(speeds_rpm))
    lag = any(slopes) and len(slopes) > 1 and all(_both_directions(points) for points in both)
    form = Form(slopes, lag=lag, tilt_prior_sd=DEG_PER_S_PER_RPM * UNKNOWN_LAG_SD_S, tilt_x0=middle)
    fits = tuple(_fit(points, form) for points in both)
    weight = tuple(fit.weight / fit.inflation for fit in fits)
    start = np.concatenate([fits[0].theta, fits[1].theta])
    n_effective = float(sum(fit.used.sum() / fit.inflation for fit in fits))
    return _Pair(both, (weight[0], weight[1]), form, start, n_effective, DEG_PER_S_PER_RPM * delay_sd_s)


def _points(readings: Readings, speeds_rpm: tuple[float, float]) -> Points:
    low, high = speeds_rpm
    sound = readings.used & (readings.rpm >= low) & (readings.rpm <= high)
    for column in (readings.advance_deg, readings.advance_sd_deg, readings.rpm_sd):
        sound = sound & np.isfinite(column)
    known = readings.used & np.isfinite(readings.rpm)
    direction = np.zeros(len(readings))
    if known.any():
        direction[known] = speed_direction(readings.time_s[known], readings.rpm[known])
    return Points(
        readings.rpm[sound],
        readings.advance_deg[sound],
        readings.advance_sd_deg[sound],
        readings.rpm_sd[sound],
        direction[sound],
    )


def _both_directions(points: Points) -> bool:
    return all(np.count_nonzero(points.direction == way) >= DIRECTIONS for way in (1, -1))


def _fit(points: Points, form: Form) -> Fit:
    plain = fit_line(points, Form(form.slopes, tilt_x0=form.tilt_x0), MIN_PART_RPM)
    if not any(form.slopes):
        return fit_line(points, form, MIN_PART_RPM, np.append(plain.theta, 0.0))
    start = np.concatenate([plain.theta, np.zeros(form.size - plain.form.size)])
    return fit_line(points, form, MIN_PART_RPM, start)


def _differences(form: Form) -> list[str]:
    """What may differ, in the order of the line's parameters."""
    names = [SHIFT] + [SLOPE] * sum(form.slopes)
    if form.corners == 0:
        return names
    return names + ([START] if not form.slopes[0] else []) + ([FULL] if not form.slopes[-1] else [])


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """Both lines with some differences held at nought.

    Parameters, in order: the first clip's line with its lag and tilt; the differences kept; the second clip's own lag;
    the difference of tilt.
    """

    pair: _Pair
    keep: tuple[int, ...]  # which parameters of the line may differ

    @property
    def own(self) -> list[int]:
        """The lag's place, where there is one: each clip's own."""
        return list(range(len(_differences(self.pair.form)), self.pair.form.size - 1))

    def unpack(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        half, n_kept = self.pair.form.size, len(self.keep)
        first = p[:half]
        second = first.copy()
        second[list(self.keep)] += p[half : half + n_kept]
        second[self.own] = p[half + n_kept : -1]
        second[-1] += p[-1]
        return first, second

    def misfit(self, p: np.ndarray) -> np.ndarray:
        pair = self.pair
        parts = [
            (points.y - line(pair.form, theta, points.x, points.direction)) * np.sqrt(weight)
            for theta, points, weight in zip(self.unpack(p), pair.points, pair.weight, strict=True)
        ]
        tilt = p[pair.form.size - 1]
        return np.concatenate([*parts, [tilt / pair.form.tilt_prior_sd, p[-1] / _prior(pair)]])

    def slopes(self, p: np.ndarray) -> np.ndarray:
        pair, half, n_kept = self.pair, self.pair.form.size, len(self.keep)
        a, b = (
            -jacobian(pair.form, theta, points.x, points.direction) * np.sqrt(weight)[:, None]
            for theta, points, weight in zip(self.unpack(p), pair.points, pair.weight, strict=True)
        )
        jac = np.zeros((len(a) + len(b) + 2, len(p)))
        jac[: len(a), :half] = a
        shared = [i for i in range(half) if i not in self.own]
        jac[len(a) : -2, shared] = b[:, shared]
        jac[len(a) : -2, half : half + n_kept] = b[:, list(self.keep)]
        jac[len(a) : -2, half + n_kept : -1] = b[:, self.own]
        jac[len(a) : -2, -1] = b[:, -1]
        jac[-2, half - 1] = 1.0 / pair.form.tilt_prior_sd
        jac[-1, -1] = 1.0 / _prior(pair)
        return jac

    def starts(self) -> list[np.ndarray]:
        """From each clip's own line, and between: a corner held in common could stay on the wrong clip's side."""
        half = self.pair.form.size
        a, b = self.pair.start[:half], self.pair.start[half:]
        found = []
        for share in (0.0, 0.5, 1.0):
            line_of_first = a.copy()
            shape = [i for i in range(half - 1) if i not in self.own]
            line_of_first[shape] += share * (b - a)[shape]
            kept = (1.0 - share) * (b - a)[list(self.keep)]
            found.append(np.concatenate([line_of_first, kept, b[self.own], [0.0]]))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """One model, fitted: its sum of squares, the differences, their variance before scaling by it."""

    sum_of_squares: float
    difference: dict[str, float]
    variance: dict[str, float]
    residual_freedom: float

    @classmethod
    def of(cls, pair: _Pair, without: frozenset[str]) -> _Solved:
        """Fit the model in which the named differences are nought."""
        names = _differences(pair.form)
        keep = tuple(i for i, name in enumerate(names) if name not in without)
        model = _Model(pair, keep)
        starts = model.starts() if without else model.starts()[:1]
        # Speeds are some thousands, slopes some thousandths: steps are taken in shares of each parameter.
        scale = np.maximum(np.abs(starts[0]), 1e-3)
        fits = [
            least_squares(model.misfit, s, jac=model.slopes, x_scale=scale, xtol=1e-12, ftol=1e-12, gtol=1e-12)
            for s in starts
        ]
        best = min(fits, key=lambda fit: fit.cost)
        covariance = _inverse(best.jac)
        place = {names[i]: pair.form.size + k for k, i in enumerate(keep)}
        return cls(
            sum_of_squares=2.0 * float(best.cost),
            difference={name: float(best.x[at]) for name, at in place.items()},
            variance={name: float(covariance[at, at]) for name, at in place.items()},
            residual_freedom=max(pair.n_effective - (len(best.x) - 2), 1.0),  # both tilts are held by their priors
        )


def _inverse(jac: np.ndarray) -> np.ndarray:
    """Inverse of the normal matrix, columns scaled alike first.

    A corner moves by hundreds of rpm where a tilt is held to 1e-9: unscaled, the pseudo-inverse would take all that is
    known but for the tilt for rounding, and its variance for nought.
    """
    size = np.maximum(np.linalg.norm(jac, axis=0), 1e-300)
    scaled = jac / size
    return np.asarray(np.linalg.pinv(scaled.T @ scaled, hermitian=True) / np.outer(size, size))


def _prior(pair: _Pair) -> float:
    # Never quite nought, or the difference of tilt could not be held there.
    return max(pair.delay_sd_deg, 1e-9)


def _f_test(full: _Solved, restricted: _Solved, freedom: int) -> tuple[float, float]:
    gain = max(restricted.sum_of_squares - full.sum_of_squares, 0.0) / freedom
    f = gain / (full.sum_of_squares / full.residual_freedom)
    return f, float(fdtrc(freedom, full.residual_freedom, f))


def _test(pair: _Pair, name: str, full: _Solved, restricted: _Solved) -> ShapeTest:
    f, p = _f_test(full, restricted, 1)
    scale = full.sum_of_squares / full.residual_freedom
    factor = 1000.0 if name == SLOPE else 1.0
    sd = float(np.sqrt(full.variance[name] * scale)) * factor
    found = estimate(full.difference[name] * factor, [Part(sd, full.residual_freedom)])
    return ShapeTest(name, found, f, 1, full.residual_freedom, p)
