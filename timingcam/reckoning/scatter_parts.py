"""Scatter of single sparks for itself at low speed, on the rise and at full advance.

In:  readings as the curve's fit left them, and the curve.
Out: an sd with its interval for each part that holds enough readings.
Not here: the scatter over all of the curve (`figures.py`); whether it is too large (`checks.py`).

A worn advancer or cam bearing shows at low speed first, where its springs hold the weights least.
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.curve import speed_direction
from timingcam.reckoning.figures import scatter_estimate
from timingcam.reckoning.linefit import CORE, MAD_TO_SD, variance_inflation
from timingcam.reckoning.result import Curve, Estimate, Readings

MIN_READINGS = 20  # our choice: an sd from n readings is known to 1/sqrt(2(n − 1)), 16 % at 20
FLAT_SHARE = 0.03  # our choice: of the advancer's range; a curve this near its end is on that flat
LEAST_RISE_DEG = 2.0  # our choice: a curve that rises by less has no parts
PARTS = ("low speed", "rise", "full advance")


def scatter_parts(readings: Readings, curve: Curve) -> dict[str, Estimate]:
    """Sd of single sparks about the curve in each of its parts, the measurement's own noise taken out.

    Parameters
    ----------
    readings : Readings
        With `used` as the fit left it.
    curve : Curve
        Of these readings.

    Returns
    -------
    dict of str to Estimate
        Crank degrees by part, of `PARTS`; without those that hold fewer than `MIN_READINGS`.
    """
    if curve.fit == "level" or np.ptp(curve.grid_advance_deg) < LEAST_RISE_DEG:
        return {}
    used = readings.used & np.isfinite(readings.rpm) & np.isfinite(readings.advance_deg)
    if not used.any():
        return {}
    rpm = readings.rpm[used]
    fitted = np.interp(rpm, curve.grid_rpm, curve.grid_advance_deg)
    slope = np.interp(rpm, curve.grid_rpm, np.gradient(curve.grid_advance_deg, curve.grid_rpm))
    own_var = readings.advance_sd_deg[used] ** 2 + (slope * readings.rpm_sd[used]) ** 2
    residual = readings.advance_deg[used] - fitted
    way = speed_direction(readings.time_s[used], rpm)
    found = {}
    for name, inside in _parts(curve, rpm, fitted).items():
        if inside.sum() >= MIN_READINGS:
            found[name] = _scatter(residual[inside], own_var[inside], way[inside])
    return found


def _parts(curve: Curve, rpm: np.ndarray, fitted: np.ndarray) -> dict[str, np.ndarray]:
    """Which readings lie on each part; a flat that the clip does not show has none."""
    bottom, top = float(curve.grid_advance_deg.min()), float(curve.grid_advance_deg.max())
    near = FLAT_SHARE * (top - bottom)
    low = (fitted <= bottom + near) & (curve.low_speed_advance_deg is not None)
    full = (fitted >= top - near) & (curve.full_advance_deg is not None)
    rise = ~low & ~full
    # An advancer that sticks leaves its flats at one speed on the way up and at another on the way down.
    if curve.hysteresis_deg is not None and curve.slope_deg_per_1000rpm is not None:
        between_rpm = abs(curve.hysteresis_deg.value / curve.slope_deg_per_1000rpm.value) * 500.0
        if curve.starts_rpm is not None:
            low = low & (rpm < curve.starts_rpm.value - between_rpm)
        if curve.full_rpm is not None:
            full = full & (rpm > curve.full_rpm.value + between_rpm)
    return dict(zip(PARTS, (low, rise, full), strict=True))


def _scatter(residual: np.ndarray, own_var: np.ndarray, way: np.ndarray) -> Estimate:
    # An advancer that sticks stands apart on the way up and on the way down: that is hysteresis, no scatter.
    centred = residual.copy()
    groups = 0
    for one in np.unique(way):
        centred[way == one] -= residual[way == one].mean()
        groups += 1
    # Beside a corner the two ways part as well; the curve's own scatter leaves such readings out, too.
    core = np.abs(centred) <= CORE * MAD_TO_SD * float(np.median(np.abs(centred)))
    centred, own_var = centred[core], own_var[core]
    n, freedom = len(centred), max(len(centred) - groups, 1)
    square = centred**2 * n / freedom
    total, own = float(square.mean()), float(own_var.mean())
    shown = max(float(square.var()), 2.0 * total**2)
    return scatter_estimate(total - own, own, shown * variance_inflation(square) / n)
