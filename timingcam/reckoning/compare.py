"""Left with right, or before with after.

In:  two `Measurement`s of one engine.
Out: `Comparison`: their difference against speed with its 95 % band, held against the spec; in what they differ.
Not here: what to move (`adjust.py`); any drawing or file (`showing/compare_file.py`, `showing/compare_plot.py`).

What both clips share falls out of the difference, but only what they are known to share does (`shared_doubt.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from timingcam.errors import CannotUse
from timingcam.reckoning.budget import NOT_A_SHIFT
from timingcam.reckoning.checks import verdict
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.result import Check, Curve, Estimate, Measurement, Verdict, freeze, same_length
from timingcam.reckoning.shape_tests import SIGNIFICANT, ShapeTest, ShapeTests, changed_shape, shape_tests
from timingcam.reckoning.shared_doubt import Shared, shared_by, shares_delay, systematic_var

Kind = Literal["left-right", "before-after"]

GRID_POINTS = 121
MIN_COMMON_RPM = 100.0  # our choice: the shortest stretch of speed on which a difference may be called one
Z95 = 1.959964  # standard normal, two-sided 95 %


@dataclass(frozen=True, slots=True)
class At:
    """The difference at one speed."""

    rpm: float
    difference_deg: Estimate


@dataclass(frozen=True, slots=True)
class Side:
    """Which measurement one side of a comparison is."""

    name: str
    clip: str
    cylinder: str
    flashes_used: int


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two measurements, second less first: positive where the second has more advance.

    The grid has shape (n_grid,), rising in rpm over the speeds that both cover; it is empty where they have none in
    common.
    """

    kind: Kind
    first: Side
    second: Side
    rpm: np.ndarray
    difference_deg: np.ndarray
    random_sd_deg: np.ndarray
    sd_deg: np.ndarray
    at_idle: At | None
    at_full_advance: At | None
    shift_deg: Estimate | None  # of the whole curve, systematic doubt included
    shape: ShapeTests | None
    checks: tuple[Check, ...]
    finding: str
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        grid = (self.rpm, self.difference_deg, self.random_sd_deg, self.sd_deg)
        same_length("comparison", grid)
        freeze(*grid)


def compare(
    first: Measurement,
    second: Measurement,
    kind: Kind | None = None,
    *,
    same_setup: bool = False,
    same_strobe: bool = False,
) -> Comparison:
    """Compare two measurements of one engine.

    Parameters
    ----------
    first, second : Measurement
        Left and right, or before and after.
    kind : {"left-right", "before-after"}, optional
        Told from the cylinders where not given.
    same_setup : bool
        Whether phone and strobe were left as they were between both clips. Then tilt, height of the index and the
        strobe's delay are taken to be the same, and cancel.
    same_strobe : bool
        Whether it was the same strobe, wherever the phone was: its delay cancels.

    Returns
    -------
    Comparison
        Second less first.

    Raises
    ------
    CannotUse
        If they are not of one engine, `kind` contradicts the cylinders, or no figure and no speed is common to both.
    """
    kind = _kind(first, second, kind)
    warnings = _engine_warnings(first, second)
    same_strobe = same_strobe or same_setup
    shared = shared_by(first, second, same_setup, same_strobe)
    rpm = _common_grid(first.curve, second.curve)
    difference, random_sd, sd = _difference(first.curve, second.curve, shared, rpm)
    at_idle = _at_idle(first, second, shared)
    at_full = _at_full(first, second, shared)
    if len(rpm) == 0:
        if at_idle is None and at_full is None:
            raise CannotUse(
                found=f"no speed that both cover: {_range(first.curve)} and {_range(second.curve)}",
                expected=f"at least {MIN_COMMON_RPM:.0f} rpm in common",
                do="film both over the same speeds",
            )
        warnings.append("No difference against speed: the clips have no range of speed in common.")
    shape = _shape(first, second, rpm, same_strobe)
    if shape is None:
        warnings.append("Not tested whether shift or shape differs: the clips do not show the same parts of a curve.")
    shift = None if shape is None else _with_systematic(shape.shift, first, second, shared)
    sides = (_side(first, second, kind), _side(second, first, kind))
    compared = Comparison(
        kind=kind,
        first=sides[0],
        second=replace(sides[1], name="after") if kind == "before-after" else sides[1],
        rpm=rpm,
        difference_deg=difference,
        random_sd_deg=random_sd,
        sd_deg=sd,
        at_idle=at_idle,
        at_full_advance=at_full,
        shift_deg=shift,
        shape=shape,
        checks=(),
        finding="",
        warnings=tuple(warnings),
    )
    return replace(compared, checks=_checks(compared, first), finding=finding(compared))


def finding(comparison: Comparison) -> str:
    """In what the two differ, in words.

    Parameters
    ----------
    comparison : Comparison
        With its tests.

    Returns
    -------
    str
        One or two sentences: what was found by the tests, and what such a difference usually comes from.
    """
    shape, shift = comparison.shape, comparison.shift_deg
    if shape is None or shift is None:
        return "Nobody can tell from these clips whether the difference is a shift or a change of shape."
    changed = changed_shape(shape)
    if changed:
        names = ", ".join(test.what for test in changed)
        return (
            f"The curves differ in shape, not by a shift alone: {names}. Look first at the advancer; where only one "
            "cylinder's differs, at that cylinder's own trigger cam and the cam's bearing."
        )
    if shape.besides_shift_p is not None and shape.besides_shift_p < SIGNIFICANT:
        return (
            "The curves differ in shape, but no single figure of it can be named. Look first at the advancer, and film "
            "both again with more flashes on the rise."
        )
    if shift.low <= 0.0 <= shift.high:
        return "No difference that can be told from the doubt of the measurement, neither a shift nor one of shape."
    more, less = (comparison.second, comparison.first) if shift.value > 0 else (comparison.first, comparison.second)
    return (
        f"A constant shift and no change of shape: {more.name} has {abs(shift.value):.2f}° more advance than "
        f"{less.name} at all speeds. Such a shift is what an adjuster makes."
    )


def _kind(first: Measurement, second: Measurement, kind: Kind | None) -> Kind:
    a, b = first.engine, second.engine
    if (a.crank, a.cylinder, a.rotor.turns) != (b.crank, b.cylinder, b.rotor.turns):
        raise CannotUse(
            found=f"results of two engines, '{a.name}' and '{b.name}'",
            expected="two results of one engine: the same crank, cylinders and direction of turning",
            do="compare results that were measured with one engine file",
        )
    same = first.cylinder == second.cylinder
    told: Kind = "before-after" if same else "left-right"
    if kind is not None and kind != told:
        cylinders = f"both of cylinder {first.cylinder}" if same else f"of {first.cylinder} and {second.cylinder}"
        raise CannotUse(
            found=f"results {cylinders}, to be compared as {kind}",
            expected="two cylinders for left-right, one cylinder for before-after",
            do=f"leave --as out, or say --as {told}",
        )
    return told


def _side(one: Measurement, other: Measurement, kind: Kind) -> Side:
    name = "before" if kind == "before-after" else one.cylinder
    return Side(name, one.clip.path, one.cylinder, one.strobe.flashes_used)


def _engine_warnings(first: Measurement, second: Measurement) -> list[str]:
    warnings = []
    if first.engine.rotor != second.engine.rotor:
        warnings.append("The engine file's rotor was changed between both results: part of the difference may be that.")
    if first.engine.spec != second.engine.spec:
        warnings.append("The engine file's spec was changed between both results; the first one's is used.")
    if first.clip.sha256 == second.clip.sha256:
        warnings.append("Both results are of the very same clip.")
    for one in (first, second):
        if first.cylinder != second.cylinder and one.cylinder_identity == "assumed":
            warnings.append(f"That {one.clip.path} shows the {one.cylinder} cylinder was told, not seen.")
    return warnings


def _common_grid(a: Curve, b: Curve) -> np.ndarray:
    if len(a.grid_rpm) == 0 or len(b.grid_rpm) == 0:
        return np.empty(0)
    low, high = max(a.grid_rpm[0], b.grid_rpm[0]), min(a.grid_rpm[-1], b.grid_rpm[-1])
    return np.linspace(low, high, GRID_POINTS) if high - low >= MIN_COMMON_RPM else np.empty(0)


def _difference(a: Curve, b: Curve, shared: Shared, rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if len(rpm) == 0:
        return np.empty(0), np.empty(0), np.empty(0)

    def at(curve: Curve, column: np.ndarray) -> np.ndarray:
        return np.interp(rpm, curve.grid_rpm, column)

    difference = at(b, b.grid_advance_deg) - at(a, a.grid_advance_deg)
    random_var = at(a, a.grid_random_sd_deg) ** 2 + at(b, b.grid_random_sd_deg) ** 2
    own = [np.maximum(at(c, c.grid_sd_deg) ** 2 - at(c, c.grid_random_sd_deg) ** 2, 0.0) for c in (a, b)]
    systematic = systematic_var(own[0], own[1], shared, rpm)
    return difference, np.sqrt(random_var), np.sqrt(random_var + systematic)


def _figures_difference(
    first: Measurement, second: Measurement, figures: tuple[Estimate, Estimate], shared: Shared, rpm: float
) -> At:
    random_var, own = 0.0, []
    for figure, one in zip(figures, (first, second), strict=True):
        curve = one.curve
        random = min(float(np.interp(rpm, curve.grid_rpm, curve.grid_random_sd_deg)), figure.sd)
        random_var += random**2
        own.append(figure.sd**2 - random**2)
    systematic = float(systematic_var(own[0], own[1], shared, rpm))
    value = figures[1].value - figures[0].value
    return At(rpm, estimate(value, [Part(math.sqrt(random_var)), Part(math.sqrt(systematic))]))


def _at_idle(first: Measurement, second: Measurement, shared: Shared) -> At | None:
    low = (first.curve.low_speed_advance_deg, second.curve.low_speed_advance_deg)
    if low[0] is None or low[1] is None:
        return None
    rpm = max(first.engine.crank.idle_rpm or 0.0, first.curve.grid_rpm[0], second.curve.grid_rpm[0])
    return _figures_difference(first, second, (low[0], low[1]), shared, float(rpm))


def _at_full(first: Measurement, second: Measurement, shared: Shared) -> At | None:
    full = (first.curve.full_advance_deg, second.curve.full_advance_deg)
    if full[0] is None or full[1] is None:
        return None
    rpm = min(first.curve.grid_rpm[-1], second.curve.grid_rpm[-1])
    return _figures_difference(first, second, (full[0], full[1]), shared, float(rpm))


def _shape(first: Measurement, second: Measurement, rpm: np.ndarray, same_strobe: bool) -> ShapeTests | None:
    """Test over the speeds at which both show the same parts of the curve."""
    a, b = first.curve, second.curve
    if len(rpm) == 0 or "monotone" in (a.fit, b.fit):
        return None
    low, high = float(rpm[0]), float(rpm[-1])
    if a.fit == b.fit == "level":
        slopes: tuple[bool, ...] = (False,)
    elif "level" in (a.fit, b.fit):
        return None
    else:
        starts = [c.starts_rpm.value for c in (a, b) if c.starts_rpm is not None]
        ends = [c.full_rpm.value for c in (a, b) if c.full_rpm is not None]
        flat = len(starts) == 2 and min(starts) - low >= MIN_COMMON_RPM
        top = len(ends) == 2 and high - max(ends) >= MIN_COMMON_RPM
        # Where only one of both shows a flat, only the rise can be compared.
        low = low if flat else max([low, *starts])
        high = high if top else min([high, *ends])
        slopes = (False,) * flat + (True,) + (False,) * top
        if high - low < 3 * MIN_COMMON_RPM:
            return None
    same_delay = shares_delay(first, second, same_strobe)
    delay_sd_s = 0.0 if same_delay else math.hypot(first.strobe.delay_sd_s, second.strobe.delay_sd_s)
    return shape_tests(first.readings, second.readings, slopes, (low, high), delay_sd_s)


def _with_systematic(test: ShapeTest, first: Measurement, second: Measurement, shared: Shared) -> Estimate:
    """The shift with what is common to all readings of a clip; the delays' part is in the test already."""
    without_delay = replace(shared, delay_a_s=0.0, delay_b_s=0.0)
    own = []
    for one in (first, second):
        rows = [row for row in one.budget if row.kind == "systematic" and row.source not in NOT_A_SHIFT]
        own.append(sum(row.effect_deg**2 for row in rows))
    systematic = math.sqrt(float(systematic_var(own[0], own[1], without_delay, 0.0)))
    random = Part(test.difference.sd, test.residual_freedom)
    return estimate(test.difference.value, [random, Part(systematic)])


def _checks(comparison: Comparison, first: Measurement) -> tuple[Check, ...]:
    spec = first.engine.spec
    if comparison.kind != "left-right" or spec is None or spec.left_right_deg is None:
        return ()
    limit = spec.left_right_deg
    checks = []
    for name, at in (("difference at idle", comparison.at_idle), ("difference at full", comparison.at_full_advance)):
        if at is not None:
            d = at.difference_deg
            checks.append(Check(name, d.value, -limit, limit, verdict(d.low, d.high, -limit, limit)))
    if len(comparison.rpm):
        off, half = comparison.difference_deg, Z95 * comparison.sd_deg
        each = [verdict(x - h, x + h, -limit, limit) for x, h in zip(off, half, strict=True)]
        whole: Verdict = "out" if "out" in each else "unsure" if "unsure" in each else "in"
        checks.append(Check("largest difference", float(off[np.argmax(np.abs(off))]), -limit, limit, whole))
    return tuple(checks)


def _range(curve: Curve) -> str:
    if len(curve.grid_rpm) == 0:
        return "none"
    return f"{curve.grid_rpm[0]:.0f} to {curve.grid_rpm[-1]:.0f} rpm"
