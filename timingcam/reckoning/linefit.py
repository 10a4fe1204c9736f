"""The robust fit of a line with corners.

In:  points with their sds; the form of the line.
Out: `Fit`, the parameters, their random covariance, each point's weight and the noise beyond the stated sds.
Not here: the line itself (`brokenline.py`); what the segments mean for an engine (`curve.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from timingcam.reckoning.brokenline import Form, Points, corner_pieces, jacobian, line, slope_at

# Tukey's biweight, zero beyond this many sds. Our choice: 6 keeps 0.98 of the efficiency on normal noise (4.685, the
# usual figure, keeps 0.95), and a spark that is 6 sds off is no spark of the same kind.
CUTOFF = 6.0
CORE = 4.0  # sds within which the scatter is taken: normal noise loses 0.1 % of its variance beyond
# Near what double precision holds; scipy's defaults of 1e-8 leave corners short of their place.
TOLERANCES = {"xtol": 1e-14, "ftol": 1e-14, "gtol": 1e-14}
# A corner that is sought takes up about two: with one, 400 simulated clips gave a scatter that was low by a tenth of
# its sd, with three one that was as much too high.
CORNER_COST = 2
AT_ONCE = 300  # sets of corners tried in one go, some megabytes
MIN_NEIGHBOURS = 40  # our choice: a variance from so many is known to 22 %
MAD_TO_SD = 1.4826  # normal distribution: 1/Φ⁻¹(3/4)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted line."""

    form: Form
    theta: np.ndarray
    bread: np.ndarray  # inverse of the weighted normal matrix, prior included
    covariance: np.ndarray  # random part, correlation in time included
    weight: np.ndarray  # (n,) 1/variance times the biweight; 0 is not used
    answer: np.ndarray  # (n,) 1/variance times what a small move of the point moves its pull; 0 where not used
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
    biweight, settled = np.ones(len(points.x)), form.corners == 0
    for _ in range(30):
        residual = points.y - line(form, theta, points.x, points.direction)
        own_var = points.y_sd**2 + (slope_at(form, theta, points.x) * points.x_sd) ** 2
        scatter_var = _scatter_var(residual, own_var, _cost(form), scatter_var)
        sd = np.sqrt(np.maximum(own_var + max(scatter_var, 0.0), 1e-12))
        biweight = np.maximum(1.0 - (residual / sd / CUTOFF) ** 2, 0.0) ** 2
        before, root_weight = theta, np.sqrt(biweight) / sd
        theta = weighted_fit(points, form, theta, root_weight, least_part)
        if np.all(np.abs(theta - before) <= 1e-7 * (np.abs(theta) + 1e-3)):
            if settled:
                break
            settled, theta = True, _out_of_dips(points, form, theta, root_weight)
    return _finish(points, form, theta, sd, float(scatter_var or 0.0))


def _finish(points: Points, form: Form, theta: np.ndarray, sd: np.ndarray, scatter_var: float) -> Fit:
    residual = points.y - line(form, theta, points.x, points.direction)
    u = residual / sd
    biweight = np.maximum(1.0 - (u / CUTOFF) ** 2, 0.0) ** 2
    used = biweight > 0
    inside = (u[used] / CUTOFF) ** 2
    # One number for all points, as in Huber's classical form: single ψ' and ψ² near a corner, where few points decide,
    # would make its sd a matter of chance.
    answer = np.where(used, float(np.mean((1 - inside) * (1 - 5 * inside))), 0.0) / sd**2
    jac = jacobian(form, theta, points.x, points.direction)
    bread = np.linalg.pinv((jac * answer[:, None]).T @ jac + _prior_matrix(form), hermitian=True)
    psi = biweight * u
    freedom = max(int(used.sum()) - _cost(form), 1)
    inflation = variance_inflation(psi[used])
    spread = _local_square(points.x, psi, used) / sd**2
    meat = (jac * spread[:, None]).T @ jac * inflation * used.sum() / freedom
    covariance = bread @ (meat + _prior_matrix(form)) @ bread
    rho = np.where(np.abs(u) < CUTOFF, 1.0 - (1.0 - (u / CUTOFF) ** 2) ** 3, 1.0) * CUTOFF**2 / 3.0
    return Fit(
        form, theta, bread, covariance, biweight / sd**2, answer, residual, sd, scatter_var, float(rho.sum()), inflation
    )


def _local_square(x: np.ndarray, psi: np.ndarray, used: np.ndarray) -> np.ndarray:
    """ψ² as it is about each point: the mean over its neighbours in x, drawn some way towards that of all."""
    order = np.flatnonzero(used)[np.argsort(x[used], kind="stable")]
    square = psi[order] ** 2
    reach = max(MIN_NEIGHBOURS, len(order) // 6) // 2
    total = np.concatenate([[0.0], np.cumsum(square)])
    first = np.maximum(np.arange(len(order)) - reach, 0)
    last = np.minimum(np.arange(len(order)) + reach + 1, len(order))
    count = last - first
    found = np.zeros(len(x))
    found[order] = (total[last] - total[first] + MIN_NEIGHBOURS / 2 * square.mean()) / (count + MIN_NEIGHBOURS / 2)
    return found


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


def _cost(form: Form) -> int:
    """Degrees of freedom that a fit takes up."""
    return form.size + (CORNER_COST - 1) * form.corners


def _prior_matrix(form: Form) -> np.ndarray:
    return np.diag(1.0 / form.prior_sds**2)


def weighted_fit(
    points: Points, form: Form, start: np.ndarray, root_weight: np.ndarray, least_part: float
) -> np.ndarray:
    """One weighted least-squares fit, priors included.

    Parameters
    ----------
    points : Points
        The sds in it are not looked at.
    form : Form
        The line to fit.
    start : ndarray, shape (form.size,)
        Parameters to start from.
    root_weight : ndarray, shape (n,)
        One over each point's sd.
    least_part : float
        How near a corner may come to the ends of the points.

    Returns
    -------
    ndarray, shape (form.size,)
    """
    low, high = _bounds(points, form, least_part)
    held = np.isfinite(form.prior_sds)
    prior = np.diag(1.0 / form.prior_sds)[held]

    def misfit(t: np.ndarray) -> np.ndarray:
        r = (points.y - line(form, t, points.x, points.direction)) * root_weight
        return np.concatenate([r, -prior @ t])

    def slopes(t: np.ndarray) -> np.ndarray:
        return np.vstack([-jacobian(form, t, points.x, points.direction) * root_weight[:, None], -prior])

    if form.corners == 0:
        jac = slopes(np.zeros(form.size))
        return np.linalg.lstsq(-jac, misfit(np.zeros(form.size)), rcond=None)[0]
    inside = np.clip(start, low + 1e-9, high - 1e-9)
    scale = np.maximum(np.sqrt(np.sum(slopes(inside) ** 2, axis=0)), 1e-12)
    return least_squares(misfit, inside, jac=slopes, bounds=(low, high), x_scale=1.0 / scale, **TOLERANCES).x


def _out_of_dips(points: Points, form: Form, theta: np.ndarray, root_weight: np.ndarray) -> np.ndarray:
    """Move corners that sit in a dip of the sum of squares between two points, where a lower one is near.

    With the corners given the rest is linear; so each corner in turn is tried at places around it.
    """
    best = theta.copy()
    first = 1 + sum(form.slopes)
    jac = jacobian(form, theta, points.x, points.direction) * root_weight[:, None]
    sd = np.sqrt(np.diag(np.linalg.pinv(jac.T @ jac + _prior_matrix(form), hermitian=True)))
    linear = [i for i in range(form.size) if not first <= i < first + form.corners + int(form.lag)]
    for j in range(first, first + form.corners):
        tried = []
        for place in best[j] + sd[j] * np.linspace(-4.0, 4.0, 33):
            theta_there = best.copy()
            theta_there[j] = place
            if np.any(np.diff(theta_there[first : first + form.corners]) <= 0):
                continue
            columns = jacobian(form, theta_there, points.x, points.direction)[:, linear] * root_weight[:, None]
            target = points.y * root_weight
            found, *_ = np.linalg.lstsq(columns, target, rcond=None)
            theta_there[linear] = found
            tried.append((float(np.sum((target - columns @ found) ** 2)), theta_there))
        if tried:
            best = min(tried, key=lambda one: one[0])[1]
    return best


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
    tried = np.array(list(combinations(nodes, form.corners)))
    tried = tried[np.all(np.diff(tried, axis=1) >= least_part, axis=1)]
    if not len(tried):
        raise ValueError(f"no room for {form.corners} corners {least_part} apart within the points")
    best = np.inf, np.zeros(form.size)
    for corners in np.array_split(tried, len(tried) // AT_ONCE + 1):
        pieces = np.stack([corner_pieces(base, each, x)[:, list(form.slopes)] for each in corners])
        basis = np.concatenate([np.ones((*pieces.shape[:2], 1)), pieces], axis=2) * root_weight[:, None]
        across = np.swapaxes(basis, 1, 2)
        linear = np.linalg.pinv(across @ basis, hermitian=True) @ (across @ (y * root_weight))[..., None]
        # Absolute deviations: a bin half full of another course must not decide.
        cost = np.sum(np.abs(y * root_weight - (basis @ linear)[..., 0]), axis=1)
        first = int(np.argmin(cost))
        if cost[first] < best[0]:
            best = float(cost[first]), np.concatenate([linear[first, :, 0], corners[first]])
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
