"""How far one cylinder is from what its maker asks for.

In:  `Curve` of one cylinder, `Spec`.
Out: `Aim`: its low-speed and full advance with what they should be, and which of them to go by.
Not here: which adjuster makes up for it (`adjust.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.engine import Spec
from timingcam.reckoning.moves import Figure
from timingcam.reckoning.result import Curve, Estimate

# Our choice: a maker's curve of straight lines and a healthy advancer part by some tenths of a degree, so that neither
# figure may outweigh the other merely because it was measured from more sparks.
SHAPE_SD_DEG = 0.3
COVERAGE_95 = 1.959964  # normal distribution, two-sided 95 %


@dataclass(frozen=True, slots=True)
class Target:
    """One figure of the curve and what it should be, crank degrees."""

    figure: Figure
    measured: Estimate
    random_sd_deg: float  # of the measured figure, without what is common to the whole clip
    aim_deg: float

    @property
    def wanted_deg(self) -> float:
        return self.aim_deg - self.measured.value


@dataclass(frozen=True, slots=True)
class Aim:
    """What one cylinder needs."""

    cylinder: str
    low: Target | None
    full: Target | None
    low_aim_deg: float
    full_aim_deg: float
    full_limit_deg: float
    common_sd_deg: float  # systematic doubt of this clip, the same at every speed
    targets: tuple[Target, ...]  # the figures to go by
    full_chosen: bool  # idle was given up for full advance


def aim_of(cylinder: str, curve: Curve, spec: Spec) -> Aim:
    """Compare a cylinder's figures with the spec, and say which of them to go by.

    Where putting idle right would take full advance beyond its limit, full advance is what counts: too much of it
    damages engines, a wrong idle does not.

    Parameters
    ----------
    cylinder : str
        Its name.
    curve : Curve
        As measured.
    spec : Spec
        Of the engine file.

    Returns
    -------
    Aim
        Without targets where the clip shows neither figure.
    """
    low_aim, full_aim = spec.curve[0][1], max(advance for _, advance in spec.curve)
    limit = full_limit_deg(spec)
    low = _target("low speed", curve.low_speed_advance_deg, curve, low_aim, _low_part(curve, spec))
    full = _target("full advance", curve.full_advance_deg, curve, full_aim, _full_part(curve, spec))
    chosen = low is not None and full is not None and full.measured.value + low.wanted_deg > limit
    targets = tuple(t for t in (None if chosen else low, full) if t is not None)
    return Aim(cylinder, low, full, low_aim, full_aim, limit, _common_sd(curve), targets, chosen)


def full_limit_deg(spec: Spec) -> float:
    """The advance that must never be passed, crank degrees.

    Parameters
    ----------
    spec : Spec

    Returns
    -------
    float
        The file's own limit, or the highest advance of its curve and the tolerance.
    """
    if spec.full_advance_max_deg is not None:
        return spec.full_advance_max_deg
    return max(advance for _, advance in spec.curve) + spec.tolerance_deg


def _target(figure: Figure, found: Estimate | None, curve: Curve, aim_deg: float, part: np.ndarray) -> Target | None:
    common = _common_sd(curve)
    if found is not None:
        return Target(figure, found, math.sqrt(max(found.sd**2 - common**2, 0.0)), aim_deg)
    if not part.any():
        return None
    # No corner was found, but the clip covers speeds at which the spec is level: their mean stands for the figure.
    # Neighbouring points of the fitted line move together, so that averaging does not shrink their doubt.
    value = float(curve.grid_advance_deg[part].mean())
    random = float(curve.grid_random_sd_deg[part].mean())
    sd = math.hypot(random, common)
    return Target(figure, Estimate(value, sd, value - COVERAGE_95 * sd, value + COVERAGE_95 * sd), random, aim_deg)


def _common_sd(curve: Curve) -> float:
    if len(curve.grid_rpm) == 0:
        return 0.0
    return math.sqrt(max(float(np.median(curve.grid_sd_deg**2 - curve.grid_random_sd_deg**2)), 0.0))


def _low_part(curve: Curve, spec: Spec) -> np.ndarray:
    """Grid points at which the spec is still at its first advance; the lower half, as an early start would show."""
    level_to = 0
    while level_to + 1 < len(spec.curve) and spec.curve[level_to + 1][1] == spec.curve[0][1]:
        level_to += 1
    if level_to == len(spec.curve) - 1:
        return np.ones(len(curve.grid_rpm), dtype=bool)
    if level_to == 0:
        return _none(curve)
    return curve.grid_rpm <= (spec.curve[0][0] + spec.curve[level_to][0]) / 2


def _full_part(curve: Curve, spec: Spec) -> np.ndarray:
    """Grid points at which the spec is at its highest advance, a little beyond the corner."""
    most = max(advance for _, advance in spec.curve)
    level = [rpm for rpm, advance in spec.curve if advance == most]
    if len(level) == len(spec.curve):
        return np.ones(len(curve.grid_rpm), dtype=bool)
    if len(level) < 2:
        return _none(curve)
    past_corner = level[0] + 0.1 * (level[-1] - level[0])  # our choice: late advancers are some hundred rpm late
    return (curve.grid_rpm >= past_corner) & (curve.grid_rpm <= level[-1])


def _none(curve: Curve) -> np.ndarray:
    return np.zeros(len(curve.grid_rpm), dtype=bool)
