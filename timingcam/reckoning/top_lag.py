"""How the flat top of a curve falls with speed, as a time.

In:  readings as the curve's fit left them, and the curve.
Out: where the top begins; the apparent lag.
Not here: whether it is too much (`checks.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.linefit import MAD_TO_SD, variance_inflation
from timingcam.reckoning.result import Curve, Estimate, Readings

TOP_RANGE_RPM = 1500.0  # a top must cover this much before its slope means anything


def apparent_lag(readings: Readings, curve: Curve) -> Estimate | None:
    """Fall of the flat top with speed, as a time.

    The sum of strobe delay, ignition lag, advancer and error of the clock; no clip tells these apart.

    Parameters
    ----------
    readings : Readings
        With `used` as the fit left it.
    curve : Curve
        Of these readings.

    Returns
    -------
    Estimate or None
        Seconds, positive where the advance falls with speed; None where the flat top covers less than
        `TOP_RANGE_RPM`, or no corner says where it begins.
    """
    from_rpm = top_from_rpm(curve)
    if from_rpm is None:
        return None
    top = readings.used & (readings.rpm >= from_rpm)
    if top.sum() < 10 or np.ptp(readings.rpm[top]) < TOP_RANGE_RPM:
        return None
    x, y = readings.rpm[top], readings.advance_deg[top]
    x = x - x.mean()
    slope = float(np.sum(x * (y - y.mean())) / np.sum(x * x))
    for _ in range(5):
        residual = y - y.mean() - slope * x
        scale = max(MAD_TO_SD * float(np.median(np.abs(residual))), 1e-9)
        weight = np.maximum(1.0 - (residual / scale / 6.0) ** 2, 0.0) ** 2
        middle = np.average(x, weights=weight)
        slope = float(
            np.sum(weight * (x - middle) * (y - np.average(y, weights=weight))) / np.sum(weight * (x - middle) ** 2)
        )
    residual = y - np.average(y, weights=weight) - slope * (x - middle)
    inflation = variance_inflation(weight * residual)
    freedom = max(float(top.sum()) / inflation - 2.0, 1.0)
    spread = np.sum((weight * residual * (x - middle)) ** 2) ** 0.5 / np.sum(weight * (x - middle) ** 2)
    return estimate(-slope / 6.0, [Part(float(spread) * inflation**0.5 / 6.0, freedom)])


def top_from_rpm(curve: Curve) -> float | None:
    """Where the flat top begins for certain.

    Parameters
    ----------
    curve : Curve

    Returns
    -------
    float or None
        rpm; None where nobody can tell.
    """
    if curve.full_advance_deg is None:
        return None
    if curve.full_rpm is not None:
        return curve.full_rpm.high
    # A curve without corners may rise up to its very end: its slope is the advancer's.
    return float(curve.grid_rpm[0]) if curve.fit == "level" else None
