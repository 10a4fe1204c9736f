"""A smooth course of an angle that turns on, from noisy samples of it at uneven times.

In:  angle samples (degrees) with their sds at rising times.
Out: `Course`, angle and speed at those times with their sds.
Not here: what the angle is of.

The angle is taken for an integral of a speed that is kicked at random (a combustion pushes more or less) and whose
acceleration drifts (the throttle moves); how strongly is found by maximum likelihood from the samples themselves, so
that nothing is smoothed more than its noise asks for. The model knows no direction of time: run backwards it gives the
same answer, and nothing lags.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.optimize import minimize

from timingcam.reckoning.result import freeze

# Student's t with few degrees of freedom holds off single misread angles; 4 is the usual choice (Lange, Little &
# Taylor, J. Am. Stat. Assoc. 84, 1989, from memory).
TAIL_DF = 4.0
# Our choice: across a pause of more than this many usual gaps neither speed nor acceleration is carried on.
LONGEST_GAPS = 15.0
# Precision of a loose prior on speed and acceleration, in degrees and usual gaps (an sd of 10,000), so that a lone
# flash between two pauses stays solvable; its speed then comes out with that sd.
LOOSE = 1e-8
# Weak normal priors on the logarithms of (kick variance, drift variance, noise scale), in degrees and usual gaps. They
# only matter for a handful of flashes: a kick of 0.1 % of the speed a cycle, give or take a factor of 20.
PRIOR_MEAN = np.array([np.log(0.5), np.log(0.1), 0.0])
PRIOR_SD = np.array([3.0, 4.0, 0.5])
# Sds that are added to each step's, in degrees and usual gaps: of angle, speed and acceleration. Far below what any
# sample tells, they keep the matrix solvable in double precision where hardly any kicks are found or two samples nearly
# coincide.
STEP_FLOOR = np.diag(np.array([1e-4, 1e-5, 1e-6]) ** 2)
LOWEST, HIGHEST = np.array([-18.0, -18.0, -1.5]), np.array([14.0, 12.0, 2.5])


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Samples in rising time; arrays of shape (n,), and (n − 1,) for `linked`."""

    time_s: np.ndarray
    angle_deg: np.ndarray
    sd_deg: np.ndarray
    linked: np.ndarray  # bool: False where the angle turned through an unknown whole number of turns in the gap


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Angle, speed and acceleration at the samples' times; arrays of shape (n,)."""

    time_s: np.ndarray
    linked: np.ndarray  # (n − 1,)
    theta: np.ndarray  # logarithms of kick variance, drift variance (degrees, usual gaps) and noise scale
    angle_deg: np.ndarray
    speed_deg_s: np.ndarray
    speed_sd_deg_s: np.ndarray
    accel_deg_s2: np.ndarray
    residual_sd: np.ndarray  # how many of its own sds each sample is off
    unit_s: float  # the usual gap, their median

    def __post_init__(self) -> None:
        freeze(
            self.time_s,
            self.linked,
            self.theta,
            self.angle_deg,
            self.speed_deg_s,
            self.speed_sd_deg_s,
            self.accel_deg_s2,
            self.residual_sd,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    gap: np.ndarray  # in usual gaps
    y: np.ndarray  # less the mean course
    var: np.ndarray
    linked: np.ndarray


def smooth(samples: Samples) -> Course:
    """Fit the course.

    Parameters
    ----------
    samples : Samples
        At least two, times strictly rising, sds above 0.

    Returns
    -------
    Course
        Speeds in degrees a second.

    References
    ----------
    .. [1] Wecker & Ansley, J. Am. Stat. Assoc. 78 (1983): smoothing splines as integrated random walks.
    .. [2] Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 5.4.1: marginal likelihood.
    """
    unit_s = float(np.median(np.diff(samples.time_s)))
    u = (samples.time_s - samples.time_s[0]) / unit_s
    counted = samples.linked if samples.linked.any() else np.ones(len(u) - 1, dtype=bool)
    trend = float(np.median(np.diff(samples.angle_deg)[counted] / np.diff(u)[counted]))
    problem = _Problem(np.diff(u), samples.angle_deg - trend * u, samples.sd_deg**2, samples.linked)
    start = np.array([np.log(1.0), np.log(0.1), 0.0])
    weight = np.ones(len(u))
    for _ in range(2):
        weight = _settle_weights(problem, start, weight)
        start = _likeliest(problem, start, weight)
    weight = _settle_weights(problem, start, weight)
    state, precision, _ = _solve(problem, start, weight)
    sd = _speed_sd(precision)
    z = (problem.y - state[:, 0]) / np.sqrt(problem.var) / np.exp(start[2])
    return Course(
        time_s=samples.time_s.copy(),
        linked=samples.linked.copy(),
        theta=start,
        angle_deg=state[:, 0] + trend * u,
        speed_deg_s=(state[:, 1] + trend) / unit_s,
        speed_sd_deg_s=sd / unit_s,
        accel_deg_s2=state[:, 2] / unit_s**2,
        residual_sd=z,
        unit_s=unit_s,
    )


def angle_between(course: Course, at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Likeliest angle and speed at any time, shape of `at_s`; degrees and degrees a second.

    Between two samples the model's own bridge; beyond the outermost, and next to a gap whose turns are unknown, on from
    the nearest sample with its speed and acceleration.
    """
    u = (course.time_s - course.time_s[0]) / course.unit_s
    at = (np.asarray(at_s, dtype=float) - course.time_s[0]) / course.unit_s
    state = np.stack([course.angle_deg, course.speed_deg_s * course.unit_s, course.accel_deg_s2 * course.unit_s**2], 1)
    k = np.clip(np.searchsorted(u, at, side="right") - 1, 0, len(u) - 2)
    near = np.where(at - u[k] <= u[k + 1] - at, k, k + 1)
    away = at - u[near]
    angle = state[near, 0] + away * state[near, 1] + away**2 / 2 * state[near, 2]
    speed = state[near, 1] + away * state[near, 2]
    carried = course.linked & (np.diff(u) <= LONGEST_GAPS)
    inside = np.flatnonzero(carried[k] & (at > u[0]) & (at < u[-1]))
    k, at = k[inside], at[inside]
    move_a, cov_a = _steps(at - u[k], course.theta)
    move_b, _ = _steps(u[k + 1] - at, course.theta)
    move, cov = _steps(u[k + 1] - u[k], course.theta)
    surprise = state[k + 1, :, None] - move @ state[k, :, None]
    bridged = move_a @ state[k, :, None] + cov_a @ np.swapaxes(move_b, 1, 2) @ np.linalg.solve(
        cov + STEP_FLOOR, surprise
    )
    angle[inside], speed[inside] = bridged[:, 0, 0], bridged[:, 1, 0]
    return angle, speed / course.unit_s


def likelihoods(tries: Sequence[Samples], course: Course, near: slice) -> np.ndarray:
    """Log-likelihood of each of several readings of the same samples, under the kicks and noise of a fitted course.

    Parameters
    ----------
    tries : sequence of Samples
        Differing in their angles only.
    course : Course
        Whose parameters and weights are used.
    near : slice
        Which of the course's samples the tries hold.
    """
    weight = (TAIL_DF + 1.0) / (TAIL_DF + course.residual_sd[near] ** 2)
    found = []
    for samples in tries:
        u = (samples.time_s - samples.time_s[0]) / course.unit_s
        trend = float(np.median(course.speed_deg_s[near])) * course.unit_s
        problem = _Problem(np.diff(u), samples.angle_deg - trend * u, samples.sd_deg**2, samples.linked)
        found.append(-0.5 * _minus_two_log_likelihood(problem, course.theta, weight))
    return np.array(found)


def _settle_weights(problem: _Problem, theta: np.ndarray, weight: np.ndarray) -> np.ndarray:
    for _ in range(3):
        state, _, _ = _solve(problem, theta, weight)
        z2 = (problem.y - state[:, 0]) ** 2 / problem.var / np.exp(2 * theta[2])
        weight = (TAIL_DF + 1.0) / (TAIL_DF + z2)
    return weight


def _likeliest(problem: _Problem, start: np.ndarray, weight: np.ndarray) -> np.ndarray:
    def badness(theta: np.ndarray) -> float:
        held = np.clip(theta, LOWEST, HIGHEST)
        outside = float(np.sum((theta - held) ** 2))
        prior = float(np.sum(((held - PRIOR_MEAN) / PRIOR_SD) ** 2))
        return _minus_two_log_likelihood(problem, held, weight) + prior + 1e3 * outside

    # A simplex: the likelihood is smooth but its derivatives would triple the code, and three parameters are few.
    simplex = start + np.vstack([np.zeros(3), np.diag([2.0, 2.0, 0.3])])
    found = minimize(
        badness, start, method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 0.05, "fatol": 0.02}
    )
    return np.clip(found.x, LOWEST, HIGHEST)


@dataclass(frozen=True, slots=True, eq=False)
class _Precision:
    diagonal: np.ndarray  # (n, 3, 3)
    upper: np.ndarray  # (n - 1, 3, 3), block k: from k to k + 1
    log_det_steps: float  # of the inverse step covariances


def _steps(gap: np.ndarray, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Transition matrices and covariances of the steps, each (n − 1, 3, 3)."""
    one, zero = np.ones_like(gap), np.zeros_like(gap)
    move = np.stack([one, gap, gap**2 / 2, zero, one, gap, zero, zero, one], axis=-1).reshape(-1, 3, 3)
    kick = np.stack([gap**3 / 3, gap**2 / 2, zero, gap**2 / 2, gap, zero, zero, zero, zero], axis=-1)
    drift = np.stack(
        [gap**5 / 20, gap**4 / 8, gap**3 / 6, gap**4 / 8, gap**3 / 3, gap**2 / 2, gap**3 / 6, gap**2 / 2, gap], axis=-1
    )
    cov = np.exp(theta[0]) * kick + np.exp(theta[1]) * drift
    return move, cov.reshape(-1, 3, 3)


def _assemble(problem: _Problem, theta: np.ndarray, weight: np.ndarray) -> _Precision:
    move, cov = _steps(problem.gap, theta)
    cov += STEP_FLOOR
    inverse = np.linalg.inv(cov)
    cut = problem.gap > LONGEST_GAPS
    linked, loose = problem.linked & ~cut, ~problem.linked & ~cut
    inverse[~linked] = 0.0
    inverse[loose, 1:, 1:] = np.linalg.inv(cov[loose, 1:, 1:])
    log_det = -float(np.sum(np.linalg.slogdet(cov[linked])[1]))
    log_det -= float(np.sum(np.linalg.slogdet(cov[loose, 1:, 1:])[1]))
    back = np.swapaxes(move, 1, 2) @ inverse
    diagonal = np.zeros((len(problem.y), 3, 3))
    diagonal[:-1] += back @ move
    diagonal[1:] += inverse
    diagonal[:, 0, 0] += weight / problem.var / np.exp(2 * theta[2])
    diagonal[np.flatnonzero(np.concatenate([[True], cut]))] += np.diag([0.0, LOOSE, LOOSE])
    return _Precision(diagonal, -back, log_det)


def _banded(precision: _Precision) -> np.ndarray:
    n = len(precision.diagonal)
    band = np.zeros((6, 3 * n))
    for i in range(3):
        for j in range(i, 3):
            band[5 - (j - i), j::3] = precision.diagonal[:, i, j]
        for j in range(3):
            band[5 - (3 + j - i), 3 + j :: 3] = precision.upper[:, i, j]
    return band


def _solve(problem: _Problem, theta: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, _Precision, np.ndarray]:
    precision = _assemble(problem, theta, weight)
    factor = cholesky_banded(_banded(precision))
    rhs = np.zeros((len(problem.y), 3))
    rhs[:, 0] = problem.y * weight / problem.var / np.exp(2 * theta[2])
    state = cho_solve_banded((factor, False), rhs.ravel()).reshape(-1, 3)
    return state, precision, factor


def _minus_two_log_likelihood(problem: _Problem, theta: np.ndarray, weight: np.ndarray) -> float:
    try:
        state, precision, factor = _solve(problem, theta, weight)
    except np.linalg.LinAlgError:
        return 1e12  # the corner of the search where the matrix is singular in double precision
    noise = problem.var * np.exp(2 * theta[2]) / weight
    # At the optimum the two sums of squares add up to y'R⁻¹(y − Hx).
    squares = float(np.sum(problem.y * (problem.y - state[:, 0]) / noise))
    log_det_post = 2.0 * float(np.sum(np.log(factor[-1])))
    return squares + float(np.sum(np.log(noise))) + log_det_post - precision.log_det_steps


def _speed_sd(precision: _Precision) -> np.ndarray:
    """Sd of the speeds: the middle elements of the inverse's diagonal blocks, by block elimination."""
    n = len(precision.diagonal)
    inverse = np.empty((n, 3, 3))
    gain = np.empty((n - 1, 3, 3))
    left = precision.diagonal[0]
    for k in range(n):
        inverse[k] = np.linalg.inv(left)
        if k < n - 1:
            gain[k] = inverse[k] @ precision.upper[k]
            left = precision.diagonal[k + 1] - precision.upper[k].T @ gain[k]
    for k in range(n - 2, -1, -1):
        inverse[k] += gain[k] @ inverse[k + 1] @ gain[k].T
    return np.sqrt(np.maximum(inverse[:, 1, 1], 0.0))
