"""What a move really did: curves before and after it, against what was moved.

In:  the `Curve`s of each cylinder before and after, and each `Made` move.
Out: `Learned`, the crank degrees of one unit of each adjuster moved, with its uncertainty.
Not here: how it is used (`settle.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from timingcam.engine import Adjuster, Engine, Spec
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.adjusters import hand_sd_deg, nominal_deg_per_unit
from timingcam.reckoning.aim import aim_of
from timingcam.reckoning.moves import Learned
from timingcam.reckoning.result import Curve
from timingcam.reckoning.shared_doubt import Shared, systematic_var

Unit = Literal["divisions", "mm", "degrees", "thou"]
# Our choice: what an engine file says of an adjuster is trusted to about a third. Scales are often unlabelled and radii
# taken with a rule; it only matters where what was measured leaves room.
NOMINAL_REL_SD = 0.3
SURE = 2.0  # standard uncertainties: an effect smaller than this is not told from none


@dataclass(frozen=True, slots=True)
class Made:
    """A move that was made, in the adjuster's own units, positive towards an earlier spark."""

    adjuster: str
    amount: float
    unit: Unit


def learn(
    engine: Engine,
    before: Mapping[str, Curve],
    after: Mapping[str, Curve],
    made: Sequence[Made],
    shared: Mapping[str, Shared] | None = None,
) -> tuple[tuple[Learned, ...], tuple[str, ...]]:
    """Crank degrees of one unit of each adjuster that was moved.

    Generalised least squares on the change of every cylinder. The doubt holds that of both measurements and the hand
    that made the move; the engine file's figure takes part with a doubt of 30 %.

    Parameters
    ----------
    engine : Engine
    before, after : mapping of str to Curve
        By cylinder; those in both are used.
    made : sequence of Made
        Each adjuster once.
    shared : mapping of str to Shared, optional
        By cylinder, the doubts that both its clips share and that a change does not have: the marks' own places.

    Returns
    -------
    learned : tuple of Learned
        One for each adjuster whose effect stands out from its doubt.
    warnings : tuple of str
        What could not be learned, and why; cylinders that changed though nothing moved them.

    Raises
    ------
    CannotUse
        If the moves cannot be told apart by what was measured, or there is nothing to compare.
    CannotMeasure
        If the timing went the other way than the move should have taken it.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.2: correlated inputs.
    """
    by_name = {adjuster.name: adjuster for adjuster in engine.adjuster}
    cylinders = [name for name in after if name in before]
    if engine.spec is None or not cylinders or not made:
        raise CannotUse(
            found="no cylinder measured both before and after a known move",
            expected="results before and after, and what was moved between them",
            do="give both with --since, and the moves with --moved",
        )
    falls_out = shared or {}
    changes = [_change(name, (before[name], after[name]), engine.spec, falls_out.get(name)) for name in cylinders]
    adjusters = [by_name[move.adjuster] for move in made]
    design = np.array(
        [[m.amount * (name in a.moves) for m, a in zip(made, adjusters, strict=True)] for name in cylinders]
    )
    value, covariance = _solve(design, adjusters, made, changes)
    warnings = _unmoved(cylinders, design, changes)
    learned = []
    for i, move in enumerate(made):
        sd = math.sqrt(covariance[i, i])
        if value[i] < -SURE * sd:
            raise CannotMeasure(
                found=f"a spark {'later' if move.amount > 0 else 'earlier'} than before, after {move.adjuster} was "
                f"moved to {'advance' if move.amount > 0 else 'retard'} it",
                expected="a change the way it was moved",
                do="check the note of what was moved, and which way the engine file says it advances, facing it",
            )
        if value[i] <= SURE * sd:
            warnings.append(f"{move.adjuster}: the move was too small to learn from; move it further next time.")
            continue
        nominal = nominal_deg_per_unit(adjusters[i], move.unit)
        learned.append(Learned(move.adjuster, move.unit, float(value[i]), sd, nominal))
        if nominal is not None and abs(value[i] - nominal) > max(SURE * sd, 0.5 * nominal):
            warnings.append(
                f"{move.adjuster}: the engine file says {nominal:.2f} crank degrees for one of its {move.unit}, "
                f"measured were {value[i]:.2f}: check the file and the note of the move."
            )
    return tuple(learned), tuple(warnings)


def _change(cylinder: str, curves: tuple[Curve, Curve], spec: Spec, shared: Shared | None) -> tuple[float, float]:
    """Change of the whole curve with its sd, from the figures that both clips show."""
    one, other = (aim_of(cylinder, curve, spec) for curve in curves)
    pairs = [(a, b) for a, b in ((one.low, other.low), (one.full, other.full)) if a is not None and b is not None]
    if not pairs:
        raise CannotUse(
            found=f"no figure of {cylinder} that both clips show",
            expected="low-speed or full advance in both",
            do="film both over the same speeds",
        )
    weights = [1 / max(a.random_sd_deg**2 + b.random_sd_deg**2, 1e-12) for a, b in pairs]
    steps = [b.measured.value - a.measured.value for a, b in pairs]
    value = float(np.average(steps, weights=weights))
    common = (one.common_sd_deg**2, other.common_sd_deg**2)
    # Delays are not taken to be shared: nothing says that it was the same strobe.
    common_var = sum(common) if shared is None else float(systematic_var(*common, shared, 0.0))
    return value, math.sqrt(1 / sum(weights) + common_var)


def _solve(
    design: np.ndarray, adjusters: Sequence[Adjuster], made: Sequence[Made], changes: Sequence[tuple[float, float]]
) -> tuple[np.ndarray, np.ndarray]:
    change = np.array([value for value, _ in changes])
    covariance = np.diag([sd**2 for _, sd in changes])
    for column, adjuster in zip(design.T, adjusters, strict=True):
        moved = (column != 0).astype(float)
        # A hand's error shifts all cylinders that the adjuster moves alike.
        covariance += hand_sd_deg(adjuster) ** 2 * np.outer(moved, moved)
    weight = np.linalg.inv(covariance)
    normal, right = design.T @ weight @ design, design.T @ weight @ change
    for i, (adjuster, move) in enumerate(zip(adjusters, made, strict=True)):
        nominal = nominal_deg_per_unit(adjuster, move.unit)
        if nominal is not None:
            normal[i, i] += 1 / (NOMINAL_REL_SD * nominal) ** 2
            right[i] += nominal / (NOMINAL_REL_SD * nominal) ** 2
    if np.linalg.matrix_rank(normal) < len(made):
        raise CannotUse(
            found="moves whose effects cannot be told apart",
            expected="no more moves than cylinders that show them",
            do="move one thing at a time, and measure every cylinder that it moves",
        )
    inverse = np.linalg.inv(normal)
    return inverse @ right, inverse


def _unmoved(cylinders: Sequence[str], design: np.ndarray, changes: Sequence[tuple[float, float]]) -> list[str]:
    return [
        f"{name} changed by {value:+.1f}° though nothing that was moved moves it: something else is loose or worn."
        for name, row, (value, sd) in zip(cylinders, design, changes, strict=True)
        if not row.any() and abs(value) > 3 * sd  # one in 400 by chance
    ]
