"""An advance curve of any rising shape, where flat–rise–flat does not fit.

In:  points; the lines that were tried.
Out: whether those fit, and a monotone `Curve` without corners.
Not here: the lines (`brokenline.py`).
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression
from scipy.stats import chi2

from timingcam.reckoning.brokenline import Points
from timingcam.reckoning.figures import GRID_POINTS, Doubts, scatter_estimate
from timingcam.reckoning.linefit import CORE, MAD_TO_SD, Fit, variance_inflation
from timingcam.reckoning.result import Curve

BIN_READINGS = 12  # our choice: a bin's mean is then known to a third of the scatter
MAX_BINS = 30
# Both must hold, or a thousand flashes would condemn an advancer for a tenth of a degree that no corner suffers from:
CHANCE = 1e-4  # of so large a misfit by the noise alone
MISFIT_DEG = 0.25  # rms; our choice: a quarter of what anybody sets an advancer to


def misfit_of_lines(points: Points, fit: Fit) -> str:
    """Why the lines do not fit, or nothing.

    Means of the residuals in bins of speed are held against their standard errors by chi-square.
    """
    used = np.flatnonzero(fit.used)
    bins = _bins(points.x[used])
    if len(bins) <= fit.form.size + 1:
        return ""
    mean = np.array([fit.residual[used[members]].mean() for members in bins])
    var = np.array([np.mean(fit.sd[used[members]] ** 2) / len(members) for members in bins])
    # Lines that do not fit leave residuals that go together in time; those must not excuse the misfit. White noise is
    # assumed here, and the second condition keeps the test from being pedantic.
    chi_square = float(np.sum(mean**2 / var))
    chance = float(chi2.sf(chi_square, max(len(bins) - fit.form.size, 1)))
    size = float(np.sqrt(max(np.mean(mean**2) - np.mean(var), 0.0)))
    if chance > CHANCE or size < MISFIT_DEG:
        return ""
    return (
        f"The advance does not follow flat, rise, flat (off by {size:.1f} degrees rms): two stages or rounded corners. "
        "A smooth rising curve is given instead, without corners."
    )


def fit_monotone(points: Points, doubts: Doubts, why: str) -> tuple[Curve, np.ndarray, tuple[str, ...]]:
    """Isotonic regression of bin medians, joined without overshoot.

    Returns
    -------
    curve : Curve
        Corners, flats and slope None.
    core : ndarray of int
        Indices of the points that lie on it.
    warnings : tuple of str

    References
    ----------
    .. [1] Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980): monotone cubic interpolation.
    """
    bins = _bins(points.x)
    x = np.array([points.x[members].mean() for members in bins])
    middle = np.array([np.median(points.y[members]) for members in bins])
    count = np.array([len(members) for members in bins], dtype=float)
    level = isotonic_regression(middle, weights=count).x
    through = PchipInterpolator(x, level, extrapolate=True)
    residual = points.y - through(np.clip(points.x, x[0], x[-1]))
    sd = MAD_TO_SD * float(np.median(np.abs(residual)))
    core = np.flatnonzero(np.abs(residual) <= 1.5 * CORE * max(sd, 1e-6))
    inflation = variance_inflation(residual[core])
    # A median's variance is π/2 of the mean's.
    random_var = np.pi / 2.0 * sd**2 * inflation / count
    grid = np.linspace(x[0], x[-1], GRID_POINTS)
    random_sd = np.sqrt(np.interp(grid, x, random_var))
    slope = through.derivative()(grid)
    systematic = (
        doubts.shift_sd_deg**2 + (6.0 * grid * doubts.delay_sd_s) ** 2 + (slope * grid * doubts.rpm_rel_sd) ** 2
    )
    inner = residual[core]
    own = points.y_sd[core] ** 2
    variance = float(np.mean(inner**2 - own))
    variance_sd = float(np.std(inner**2) * np.sqrt(inflation / max(len(core), 1)))
    curve = Curve(
        None, None, None, None, None, scatter_estimate(variance, float(np.mean(own)), variance_sd**2), None,
        grid, through(grid), random_sd, np.sqrt(random_sd**2 + systematic), "monotone",
    )  # fmt: skip
    return curve, core, (why, "No corners, low-speed or full advance: the curve has no clear flats to read them from.")


def _bins(x: np.ndarray) -> list[np.ndarray]:
    """Indices by rising x, in bins of about equal numbers."""
    n_bins = int(np.clip(len(x) // BIN_READINGS, 1, MAX_BINS))
    return [members for members in np.array_split(np.argsort(x, kind="stable"), n_bins) if len(members)]
