"""Continuous lines with corners, and their robust fit.

In:  points with their sds; which segments slope and which are flat.
Out: `Fit`, the parameters, their random covariance, each point's weight and the noise beyond the stated sds.
Not here: what the segments mean for an engine (`curve.py`).

The line is A + Σ sᵢ·hᵢ(x), hᵢ being the part of x − (first corner) that lies in segment i. Two nuisances may be
fitted along: a lag between the two directions of x, and a tilt c·x held by a normal prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from timingcam.reckoning.result import freeze

# Tukey's biweight, zero beyond this many sds. Our choice: 6 keeps 0.98 of the efficiency on normal noise (4.685, the
# usual figure, keeps 0.95), and a spark that is 6 sds off is no spark of the same kind.
CUTOFF = 6.0
CORE = 4.0  # sds within which the scatter is taken: normal noise loses 0.1 % of its variance beyond
MAD_TO_SD = 1.4826  # normal distribution: 1/Φ⁻¹(3/4)


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points to fit, in time order; arrays of shape (n,)."""

    x: np.ndarray
    y: np.ndarray
    y_sd: np.ndarray  # the measurement's own, without the scatter of what is measured
    x_sd: np.ndarray
    direction: np.ndarray  # +1 x rises, −1 falls, 0 stands

    def __post_init__(self) -> None:
        freeze(self.x, self.y, self.y_sd, self.x_sd, self.direction)


@dataclass(frozen=True, slots=True)
class Form:
    """Which line: one entry a segment, True where it slopes; and which nuisances go with it."""

    slopes: tuple[bool, ...]
    lag: bool = False
    tilt_prior_sd: float = 0.0  # of c in the term c·x; 0: no tilt
    tilt_x0: float = 0.0  # where the tilt is zero

    @property
    def corners(self) -> int:
        return len(self.slopes) - 1

    @property
    def size(self) -> int:
        """Number of parameters: level, slopes, corners, lag, tilt."""
        return 1 + sum(self.slopes) + self.corners + int(self.lag) + int(self.tilt_prior_sd > 0)

    def split(self, theta: np.ndarray) -> _Parts:
        n_slopes = sum(self.slopes)
        given = iter(theta[1 : 1 + n_slopes])
        slopes = np.array([next(given) if sloped else 0.0 for sloped in self.slopes])
        at = 1 + n_slopes
        corners = theta[at : at + self.corners]
        at += self.corners
        lag = theta[at] if self.lag else 0.0
        tilt = theta[-1] if self.tilt_prior_sd > 0 else 0.0
        return _Parts(float(theta[0]), slopes, corners, float(lag), float(tilt))


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    level: float
    slopes: np.ndarray
    corners: np.ndarray
    lag: float
    tilt: float


def line(form: Form, theta: np.ndarray, x: np.ndarray, direction: np.ndarray | float = 0.0) -> np.ndarray:
    """The line's value at x."""
    parts = form.split(theta)
    shifted = x - parts.lag * direction / 2.0
    pieces = _pieces(form, parts.corners, shifted)
    return parts.level + pieces @ parts.slopes + parts.tilt * (x - form.tilt_x0)


def jacobian(form: Form, theta: np.ndarray, x: np.ndarray, direction: np.ndarray | float = 0.0) -> np.ndarray:
    """Derivatives of `line` by its parameters, shape (n, size)."""
    parts = form.split(theta)
    x = np.atleast_1d(x)
    shifted = x - parts.lag * direction / 2.0
    pieces = _pieces(form, parts.corners, shifted)
    columns = [np.ones(len(x))] + [pieces[:, i] for i, sloped in enumerate(form.slopes) if sloped]
    for j, corner in enumerate(parts.corners):
        past = shifted > corner
        if j == 0:
            columns.append(np.where(past, -parts.slopes[1], -parts.slopes[0]))
        else:
            columns.append(np.where(past, parts.slopes[j] - parts.slopes[j + 1], 0.0))
    if form.lag:
        columns.append(-_slope_at(form, parts, shifted) * direction / 2.0)
    if form.tilt_prior_sd > 0:
        columns.append(x - form.tilt_x0)
    return np.stack(columns, axis=1)


def slope_at(form: Form, theta: np.ndarray, x: np.ndarray) -> np.ndarray:
    """The line's slope at x, without the tilt."""
    return _slope_at(form, form.split(theta), x)


def _slope_at(form: Form, parts: _Parts, x: np.ndarray) -> np.ndarray:
    return parts.slopes[np.searchsorted(parts.corners, x, side="left")]


def _pieces(form: Form, corners: np.ndarray, x: np.ndarray) -> np.ndarray:
    if form.corners == 0:
        return (np.asarray(x) - form.tilt_x0)[..., None]
    edges = np.concatenate([[-np.inf], corners, [np.inf]])
    first = corners[0]
    return np.stack(
        [
            np.minimum(x - first, 0.0) if i == 0 else np.clip(x, edges[i], edges[i + 1]) - edges[i]
            for i in range(len(form.slopes))
        ],
        axis=-1,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted line."""

    form: Form
    theta: np.ndarray
    bread: np.ndarray  # inverse of the weighted normal matrix, prior included
    covariance: np.ndarray  # random part, correlation in time included
    weight: np.ndarray  # (n,) 1/variance times the biweight; 0 is not used
    residual: np.ndarray  # (n,) y less the line
    sd: np.ndarray  # (n,) of one point about the line, measurement and scatter
    scatter_var: float  # of what is measured, beyond the stated sds; may come out negative
    badness: float  # robust sum of squares in units of `sd`
    inflation: float  # of the variance of a mean by correlation in time; 1 for white noise

    @property
    def used(self) -> np.ndarray:
        return self.weight > 0


def fit_line(points: Points, form: Form, least_part: float, start: np.ndarray | None = None) -> Fit:
    """Fit robustly: many starts over the corners, then reweighted least squares with Tukey's biweight.

    Parameters
    ----------
    points : Points
        More than `form.size`.
    form : Form
        The line to fit.
    least_part : float
        No segment is shorter than this in x, within the points' range.
    start : ndarray, optional
        Parameters to start from, instead of the search.

    Returns
    -------
    Fit
        With the sandwich covariance, inflated for correlation of neighbouring residuals.

    References
    ----------
    .. [1] Huber & Ronchetti, Robust Statistics (2009), 7: M-estimates of regression and their covariance.
    """
    theta = _search(points, form, least_part) if start is None else start
    scatter_var = None
    biweight = np.ones(len(points.x))
    for _ in range(30):
        residual = points.y - line(form, theta, points.x, points.direction)
        own_var = points.y_sd**2 + (slope_at(form, theta, points.x) * points.x_sd) ** 2
        scatter_var = _scatter_var(residual, own_var, form.size, scatter_var)
        sd = np.sqrt(np.maximum(own_var + max(scatter_var, 0.0), 1e-12))
        biweight = np.maximum(1.0 - (residual / sd / CUTOFF) ** 2, 0.0) ** 2
        before = theta
        theta = _weighted(points, form, theta, np.sqrt(biweight) / sd, least_part)
        if np.all(np.abs(theta - before) <= 1e-7 * (np.abs(theta) + 1e-3)):
            break
    return _finish(points, form, theta, sd, float(scatter_var or 0.0))


def _finish(points: Points, form: Form, theta: np.ndarray, sd: np.ndarray, scatter_var: float) -> Fit:
    residual = points.y - line(form, theta, points.x, points.direction)
    u = residual / sd
    biweight = np.maximum(1.0 - (u / CUTOFF) ** 2, 0.0) ** 2
    slope_of_psi = np.where(np.abs(u) < CUTOFF, (1 - (u / CUTOFF) ** 2) * (1 - 5 * (u / CUTOFF) ** 2), 0.0)
    jac = jacobian(form, theta, points.x, points.direction)
    normal = (jac * (slope_of_psi / sd**2)[:, None]).T @ jac
    bread = np.linalg.pinv(normal + _prior_matrix(form), hermitian=True)
    psi = biweight * u
    used = biweight > 0
    freedom = max(int(used.sum()) - form.size, 1)
    inflation = variance_inflation(psi[used])
    meat = (jac * (psi**2 / sd**2)[:, None]).T @ jac * inflation * used.sum() / freedom
    covariance = bread @ (meat + _prior_matrix(form)) @ bread
    rho = np.where(np.abs(u) < CUTOFF, 1.0 - (1.0 - (u / CUTOFF) ** 2) ** 3, 1.0) * CUTOFF**2 / 3.0
    return Fit(form, theta, bread, covariance, biweight / sd**2, residual, sd, scatter_var, float(rho.sum()), inflation)


def variance_inflation(series: np.ndarray) -> float:
    """How much larger the variance of a mean of this series is than for white noise; at least 1.

    Autocorrelations are summed for as long as pairs of them stay clearly above zero.

    References
    ----------
    .. [1] Geyer, Statistical Science 7 (1992) 473–483, initial positive sequence.
    """
    n = len(series)
    centred = series - series.mean()
    power = float(np.mean(centred**2))
    if n < 20 or power == 0:
        return 1.0
    longest = min(n // 4, 200)
    auto = np.array([np.mean(centred[:-lag] * centred[lag:]) for lag in range(1, longest + 1)]) / power
    noise = 2.0 / np.sqrt(n)  # our choice: two sds of an autocorrelation of white noise
    total = 0.0
    for lag in range(0, longest - 1, 2):
        if auto[lag] + auto[lag + 1] < noise * (1.0 if lag else np.sqrt(2.0)):
            break
        total += float(auto[lag] + auto[lag + 1])
    return 1.0 + 2.0 * total


def _scatter_var(residual: np.ndarray, own_var: np.ndarray, size: int, before: float | None) -> float:
    """Variance beyond the stated one, from the core of the residuals."""
    if before is None:
        total = (MAD_TO_SD * float(np.median(np.abs(residual)))) ** 2
        return total - float(np.median(own_var))
    scatter = before
    for _ in range(5):
        var = own_var + max(scatter, 0.0)
        core = residual**2 <= CORE**2 * var
        weight = core / var**2
        lost = len(residual) / max(len(residual) - size, 1)
        scatter = float(np.sum(weight * (residual**2 * lost - own_var)) / max(np.sum(weight), 1e-300))
    return scatter


def _prior_matrix(form: Form) -> np.ndarray:
    matrix = np.zeros((form.size, form.size))
    if form.tilt_prior_sd > 0:
        matrix[-1, -1] = 1.0 / form.tilt_prior_sd**2
    return matrix


def _weighted(points: Points, form: Form, theta: np.ndarray, root_weight: np.ndarray, least_part: float) -> np.ndarray:
    """One weighted least-squares fit from `theta`."""
    low, high = _bounds(points, form, least_part)
    prior = form.tilt_prior_sd > 0

    def misfit(t: np.ndarray) -> np.ndarray:
        r = (points.y - line(form, t, points.x, points.direction)) * root_weight
        return np.append(r, -t[-1] / form.tilt_prior_sd) if prior else r

    def slopes(t: np.ndarray) -> np.ndarray:
        jac = -jacobian(form, t, points.x, points.direction) * root_weight[:, None]
        if not prior:
            return jac
        last = np.zeros(form.size)
        last[-1] = -1.0 / form.tilt_prior_sd
        return np.vstack([jac, last])

    if form.corners == 0:
        jac = slopes(np.zeros(form.size))
        return np.linalg.lstsq(-jac, misfit(np.zeros(form.size)), rcond=None)[0]
    inside = np.clip(theta, low + 1e-9, high - 1e-9)
    scale = np.maximum(np.sqrt(np.sum(slopes(inside) ** 2, axis=0)), 1e-12)
    found = least_squares(
        misfit, inside, jac=slopes, bounds=(low, high), x_scale=1.0 / scale, xtol=1e-12, ftol=1e-12, gtol=1e-12
    )
    return found.x


def _bounds(points: Points, form: Form, least_part: float) -> tuple[np.ndarray, np.ndarray]:
    low, high = np.full(form.size, -np.inf), np.full(form.size, np.inf)
    at = 1 + sum(form.slopes)
    low[at : at + form.corners] = points.x.min() + least_part
    high[at : at + form.corners] = points.x.max() - least_part
    return low, high


def _search(points: Points, form: Form, least_part: float) -> np.ndarray:
    """Best start over a grid of corners, on medians of bins so that stray points do not pull."""
    x, y, root_weight = _bins(points)
    base = Form(form.slopes, tilt_x0=form.tilt_x0)
    nodes = np.linspace(points.x.min() + least_part, points.x.max() - least_part, 25)
    grids: dict[int, list[tuple[float, ...]]] = {
        0: [()],
        1: [(a,) for a in nodes],
        2: [(a, b) for i, a in enumerate(nodes) for b in nodes[i:] if b - a >= least_part],
    }
    best: tuple[float, np.ndarray] | None = None
    for corners in grids[form.corners]:
        basis = _pieces(base, np.array(corners), x)[:, list(form.slopes)]
        basis = np.column_stack([np.ones(len(x)), basis]) * root_weight[:, None]
        linear, *_ = np.linalg.lstsq(basis, y * root_weight, rcond=None)
        # Absolute deviations: a bin half full of another course must not decide.
        cost = float(np.sum(np.abs(y * root_weight - basis @ linear)))
        if best is None or cost < best[0]:
            best = cost, np.concatenate([linear, corners])
    if best is None:
        raise ValueError(f"no room for {form.corners} corners {least_part} apart within the points")
    return np.concatenate([best[1], np.zeros(form.size - len(best[1]))])


def _bins(points: Points) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    order = np.argsort(points.x, kind="stable")
    edges = np.linspace(points.x.min(), points.x.max(), 61)
    which = np.clip(np.searchsorted(edges, points.x[order], side="right") - 1, 0, 59)
    found = [order[which == b] for b in range(60)]
    found = [members for members in found if len(members)]
    x = np.array([points.x[m].mean() for m in found])
    y = np.array([np.median(points.y[m]) for m in found])
    return x, y, np.sqrt(np.array([min(len(m), 20) for m in found], dtype=float))
