"""Whether the advance is back at its idle figure once the speed is.

In:  readings, the curve.
Out: how much higher it is after than before; or why nobody can tell.
Not here: the limit (`checks.py`); rising against falling speed on the rise itself, which is hysteresis (`curve.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.linefit import variance_inflation
from timingcam.reckoning.result import Curve, Estimate, Readings

FEWEST = 10  # our choice: readings on either side, before their means are held against each other
WELL_ABOVE_RPM = 200.0  # our choice: beyond the start of the advance, where the weights have surely moved
NO_IDLE_AFTER = (
    "Whether the advance comes back late to its idle figure cannot be told: the clip holds too few flashes at idle "
    "{side} the fast run. Film some seconds of idle before opening the throttle and after closing it."
)


def late_return(readings: Readings, curve: Curve) -> Estimate | None:
    """How much higher the advance is after the speed has come down to idle than before it went up.

    Parameters
    ----------
    readings : Readings
        With `used` as the curve's fit left it.
    curve : Curve

    Returns
    -------
    Estimate or None
        Crank degrees; None where `cannot_tell_return` says why, or where the advance never left its idle figure.
    """
    groups = _idle(readings, curve)
    if groups is None or min(len(group) for group in groups) < FEWEST:
        return None
    parts = []
    for values in groups:
        inflation = variance_inflation(values)
        parts.append(Part(float(values.std(ddof=1)) * (inflation / len(values)) ** 0.5, len(values) / inflation - 1.0))
    before, after = groups
    return estimate(float(after.mean() - before.mean()), parts)


def cannot_tell_return(readings: Readings, curve: Curve) -> str:
    """Why a late return cannot be told; empty where it can, or where the advance never left its idle figure."""
    groups = _idle(readings, curve)
    if groups is None:
        return ""
    lacks = [side for side, group in zip(("before", "after"), groups, strict=True) if len(group) < FEWEST]
    return NO_IDLE_AFTER.format(side=" and ".join(lacks)) if lacks else ""


def _idle(readings: Readings, curve: Curve) -> tuple[np.ndarray, np.ndarray] | None:
    """Advance below the start of the rise before and after the fast run; None where there is none."""
    if curve.starts_rpm is None:
        return None
    slow = readings.used & (readings.rpm < curve.starts_rpm.value)
    fast = np.flatnonzero(readings.used & (readings.rpm > curve.starts_rpm.high + WELL_ABOVE_RPM))
    if len(fast) == 0:
        return None
    before = slow & (readings.time_s < readings.time_s[fast[0]])
    after = slow & (readings.time_s > readings.time_s[fast[-1]])
    return readings.advance_deg[before], readings.advance_deg[after]
