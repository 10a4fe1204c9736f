"""The curve held against its limits.

In:  the engine file, the cylinder measured, its readings and curve.
Out: `Check`s with a verdict each; what to look at first where one is out.
Not here: comparing cylinders (`compare.py`); what to move (`adjust.py`).

A figure is in when its whole 95 % interval lies within the limits, out when all of it lies outside, else nobody can
tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.engine import Engine, Spec
from timingcam.reckoning.curve import OFF_THE_CURVE
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.result import Check, Curve, Estimate, Readings, Verdict
from timingcam.reckoning.returning import late_return
from timingcam.reckoning.scatter_parts import PARTS, scatter_parts
from timingcam.reckoning.top_lag import apparent_lag, top_from_rpm

US_PER_S = 1e6
# Common practice, no source; each gives way to the engine file's own figure where there is one.
SCATTER_DEG = 1.0
HYSTERESIS_DEG = 1.5
CORNER_RPM = 300.0  # how far a corner may stand from the spec's
RISES_DEG = 0.5  # our choice: over `CORNER_RPM`, a tenth of what an advancer does there; less is a flat's wander
OUTLYING_SHARE = 0.03
MISSING_SHARE = 0.10
RETARD_AT_TOP_DEG = 1.0  # over the flat top
Z95 = 1.959964  # standard normal, two-sided 95 %
NOT_REACHED = "full advance not reached by"
SCATTER_AT = {
    "low speed": "scatter at low speed",
    "rise": "scatter on the rise",
    "full advance": "scatter at full advance",
}

LOOK_FIRST: dict[str, str] = {
    "low-speed advance": "Position of the base plate or trigger, and its gap.",
    "full advance": "Stops and range of the advancer; too much full advance damages engines.",
    "full advance, largest allowed": "Do not ride it hard before this is right: retard it first.",
    "along the curve": "Base plate if all of it is shifted, advancer springs and stops if only part of it is.",
    "start of the advance": "Advancer springs: early when weak or stretched, late when too strong or dry.",
    "full advance reached at": "Advancer springs and stops; late or never where weights stick.",
    NOT_REACHED: "Weights that stick, a dry pivot, springs too strong, wrong stops.",
    "range of the advancer": "Stops, worn slots and pins of the advancer.",
    "scatter of single sparks": "Advancer and cam bearing for wear, chain slack, trigger gap.",
    "scatter at low speed": "Worn advancer pivots or cam bearing, chain slack, trigger or points gap.",
    "scatter on the rise": "Weights that stick and jump, a tired spring, worn slots of the advancer.",
    "scatter at full advance": "Chain slack, points that bounce, loose plate or trigger, the strobe's pickup.",
    "hysteresis": "Dirt or old grease in the advancer; dry pivots.",
    "late return to idle": "Dirt or old grease in the advancer, a tired return spring.",
    "retard at the top": "Delay in strobe or ignition; the clip cannot tell which.",
    "missing flashes": "The picture cannot tell a strobe that failed from a spark that did; where the clip's sound "
    "can, a warning says so. Else the strobe's pickup and lead first, then plug and ignition.",
    "outlying sparks": "Loose leads and connections, the strobe's pickup, a worn trigger.",
}


def checks(
    engine: Engine, cylinder: str, readings: Readings, curve: Curve, missing_s: np.ndarray | None = None
) -> tuple[Check, ...]:
    """Hold everything that was measured against the engine file's spec.

    Parameters
    ----------
    engine : Engine
        Without a spec only what is wrong on any engine is checked.
    cylinder : str
        The cylinder measured; one of the engine's.
    readings : Readings
        With `used` as the curve's fit left it.
    curve : Curve
        Of these readings.
    missing_s : ndarray, shape (n_missing,), optional
        When sparks in the camera's sight made no flash (`missing.py`); without it nobody can tell a missing flash from
        one between two frames.

    Returns
    -------
    tuple of Check
        In the order in which a mechanic reads them.

    Raises
    ------
    ValueError
        If the engine has no such cylinder.
    """
    if cylinder not in {one.name for one in engine.cylinder}:
        raise ValueError(f"no cylinder {cylinder!r} in {engine.name!r}")
    spec = engine.spec
    found = [*_against_spec(spec, curve)] if spec is not None else []
    scatter_limit = spec.scatter_deg if spec and spec.scatter_deg else SCATTER_DEG
    hysteresis_limit = spec.hysteresis_deg if spec and spec.hysteresis_deg else HYSTERESIS_DEG
    found += _limits("scatter of single sparks", curve.scatter_deg, None, scatter_limit)
    parts = scatter_parts(readings, curve)
    for part in PARTS:
        found += _limits(SCATTER_AT[part], parts.get(part), None, scatter_limit)
    found += _limits("hysteresis", curve.hysteresis_deg, -hysteresis_limit, hysteresis_limit)
    found += _limits("late return to idle", late_return(readings, curve), None, hysteresis_limit)
    found += _top(readings, curve)
    found += _shares(readings, missing_s)
    return tuple(found)


def verdict(low: float, high: float, low_limit: float | None, high_limit: float | None) -> Verdict:
    """In, out or unsure, of a 95 % interval against limits of which either may be missing."""
    floor = -np.inf if low_limit is None else low_limit
    ceiling = np.inf if high_limit is None else high_limit
    if low >= floor and high <= ceiling:
        return "in"
    if high < floor or low > ceiling:
        return "out"
    return "unsure"


def _limits(name: str, figure: Estimate | None, low: float | None, high: float | None) -> list[Check]:
    if figure is None:
        return []
    return [Check(name, figure.value, low, high, verdict(figure.low, figure.high, low, high))]


@dataclass(frozen=True, slots=True)
class _Corners:
    starts_rpm: float | None
    full_rpm: float | None


def _spec_corners(spec: Spec) -> _Corners:
    """Where the spec's curve leaves its first level and reaches its highest."""
    rpm, deg = (np.array(column, dtype=float) for column in zip(*spec.curve, strict=True))
    if np.ptp(deg) == 0:
        return _Corners(None, None)
    starts = np.flatnonzero(deg == deg[0])
    top = np.flatnonzero(deg == deg.max())
    first_flat = len(starts) > 1
    return _Corners(float(rpm[starts[-1]]) if first_flat else None, float(rpm[top[0]]) if len(top) > 1 else None)


def spec_at(spec: Spec, rpm: np.ndarray) -> np.ndarray:
    """The spec's advance, straight between its points; NaN beyond them; shape of `rpm`."""
    at, deg = (np.array(column, dtype=float) for column in zip(*spec.curve, strict=True))
    return np.interp(rpm, at, deg, left=np.nan, right=np.nan)


def level_limits(spec: Spec) -> tuple[tuple[float, float], tuple[float, float]]:
    """Between what low-speed and full advance may lie.

    Parameters
    ----------
    spec : Spec

    Returns
    -------
    low_speed, full : tuple of float
        Lowest and highest allowed, crank degrees.
    """
    low_aim, full_aim, tolerance = spec.curve[0][1], max(deg for _, deg in spec.curve), spec.tolerance_deg
    ceiling = full_aim + tolerance
    if spec.full_advance_max_deg is not None:
        ceiling = min(ceiling, spec.full_advance_max_deg)
    return (low_aim - tolerance, low_aim + tolerance), (full_aim - tolerance, ceiling)


def _against_spec(spec: Spec, curve: Curve) -> list[Check]:
    low_aim, full_aim = spec.curve[0][1], max(deg for _, deg in spec.curve)
    low_limits, full_limits = level_limits(spec)
    found = _limits("low-speed advance", curve.low_speed_advance_deg, *low_limits)
    found += _limits("full advance", curve.full_advance_deg, *full_limits)
    if spec.full_advance_max_deg is not None:
        found += _limits("full advance, largest allowed", curve.full_advance_deg, None, spec.full_advance_max_deg)
    found += _along(spec, curve)
    corners = _spec_corners(spec)
    if corners.starts_rpm is not None:
        found += _limits(
            "start of the advance", curve.starts_rpm, corners.starts_rpm - CORNER_RPM, corners.starts_rpm + CORNER_RPM
        )
    if corners.full_rpm is not None:
        found += _full_reached(curve, corners.full_rpm)
    found += _range(spec, curve, full_aim - low_aim)
    return found


def _along(spec: Spec, curve: Curve) -> list[Check]:
    """The worst deviation from the spec's curve over the speeds that both cover.

    Every point of the band is judged; the whole is out if any point is, in if all are.
    """
    off = curve.grid_advance_deg - spec_at(spec, curve.grid_rpm)
    known = np.isfinite(off)
    if not known.any():
        return []
    off, half = off[known], Z95 * curve.grid_sd_deg[known]
    tolerance = spec.tolerance_deg
    each = [verdict(o - h, o + h, -tolerance, tolerance) for o, h in zip(off, half, strict=True)]
    worst = int(np.argmax(np.abs(off)))
    whole: Verdict = "out" if "out" in each else "unsure" if "unsure" in each else "in"
    return [Check("along the curve", float(off[worst]), -tolerance, tolerance, whole)]


def _full_reached(curve: Curve, aim_rpm: float) -> list[Check]:
    name, low, high = "full advance reached at", aim_rpm - CORNER_RPM, aim_rpm + CORNER_RPM
    if curve.full_rpm is not None:
        return _limits(name, curve.full_rpm, low, high)
    fastest = float(curve.grid_rpm[-1])
    # Still rising well past where the spec is flat: late or never, whatever the clip did not show.
    if curve.full_advance_deg is None and fastest > high and _still_rising(curve):
        return [Check(NOT_REACHED, fastest, None, high, "out")]
    return []


def _still_rising(curve: Curve) -> bool:
    """At the fastest flashes, beyond all doubt of the curve."""
    rpm, deg = curve.grid_rpm, curve.grid_advance_deg
    before = float(np.interp(rpm[-1] - CORNER_RPM, rpm, deg))
    sd = float(np.hypot(curve.grid_random_sd_deg[-1], np.interp(rpm[-1] - CORNER_RPM, rpm, curve.grid_random_sd_deg)))
    return bool(deg[-1] - before > max(Z95 * sd, RISES_DEG))


def _range(spec: Spec, curve: Curve, aim_deg: float) -> list[Check]:
    """Full minus low: shifts common to all readings fall out of it."""
    low, full = curve.low_speed_advance_deg, curve.full_advance_deg
    if low is None or full is None:
        return []
    random_low, random_full = float(curve.grid_random_sd_deg[0]), float(curve.grid_random_sd_deg[-1])
    common = [max(est.sd**2 - r**2, 0.0) ** 0.5 for est, r in ((low, random_low), (full, random_full))]
    # A shift falls out of the difference. What grows with speed leaves full − low of it, which is no more than this.
    left = abs(common[1] ** 2 - common[0] ** 2) ** 0.5
    parts = [Part(random_low), Part(random_full), Part(left)]
    figure = estimate(full.value - low.value, parts)
    return _limits("range of the advancer", figure, aim_deg - spec.tolerance_deg, aim_deg + spec.tolerance_deg)


def _top(readings: Readings, curve: Curve) -> list[Check]:
    """Retard at the top, in degrees over the range of the flat."""
    lag, from_rpm = apparent_lag(readings, curve), top_from_rpm(curve)
    if lag is None or from_rpm is None:
        return []
    span = 6.0 * float(curve.grid_rpm[-1] - from_rpm)
    fall = Estimate(lag.value * span, lag.sd * span, lag.low * span, lag.high * span)
    return _limits("retard at the top", fall, -RETARD_AT_TOP_DEG, RETARD_AT_TOP_DEG)


def _shares(readings: Readings, missing_s: np.ndarray | None) -> list[Check]:
    n = len(readings)
    off = sum(reason == OFF_THE_CURVE for reason in readings.reason)
    found = _share_limits("outlying sparks", off, n, OUTLYING_SHARE) if n else []
    if missing_s is None:
        return found
    share = _share(len(missing_s), len(missing_s) + int(np.isfinite(readings.rpm).sum()))
    return [*found, *_limits("missing flashes", share, None, MISSING_SHARE)]


def _share_limits(name: str, part: int, whole: int, high: float) -> list[Check]:
    """Nothing where so few were seen that not even none of them could tell, and there is no fault."""
    found = _limits(name, _share(part, whole), None, high)
    too_few = _share(0, whole).high > high
    return [] if too_few and found[0].verdict != "out" else found


def _share(part: float, whole: float) -> Estimate:
    """A share with its 95 % interval.

    References
    ----------
    .. [1] Wilson, J. Am. Stat. Assoc. 22 (1927) 209–212.
    """
    p, z2 = part / whole, Z95**2
    middle = (p + z2 / (2 * whole)) / (1 + z2 / whole)
    half = Z95 * np.sqrt(p * (1 - p) / whole + z2 / (4 * whole**2)) / (1 + z2 / whole)
    return Estimate(p, float(half / Z95), float(min(middle - half, p)), float(max(middle + half, p)))
