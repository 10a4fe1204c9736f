"""Which adjuster to move, which way, how far.

In:  `Engine` with spec and adjusters, the `Curve` of each cylinder measured, what was learned of the adjusters before.
Out: `Moves`.
Not here: a cylinder's aim (`aim.py`), the sharing out (`shares.py`), what is worth moving (`settle.py`), words
(`showing/moves_words.py`).

Gaps that must come back within the maker's limits first, as they set the dwell and shift the timing; then plates, the
one that moves most cylinders before the others; then the cylinders' own slides for what is left.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from timingcam.engine import Engine, Spec
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.aim import COVERAGE_95, SHAPE_SD_DEG, Aim, aim_of
from timingcam.reckoning.blades import COMMON_BLADES_THOU
from timingcam.reckoning.moves import Learned, Move, Moves, Outlook
from timingcam.reckoning.outlook import outlooks
from timingcam.reckoning.result import Curve
from timingcam.reckoning.settle import Means, gap_out_of_limits, moves_of, settle, task_of

CHECK_FIRST = (
    "Engine at working temperature, idle as the manual says.",
    "Contact breaker or trigger gaps as the manual says: they shift the timing.",
    "Cam chain or drive tensioned: slack makes the timing wander.",
    "Valve clearances right.",
    "Battery charged, connections clean and tight.",
    "Advancer moves freely by hand and springs back, its pivot greased.",
)


def advise(
    engine: Engine,
    measurements: Mapping[str, Curve],
    learned: Sequence[Learned] = (),
    blades_thou: Sequence[float] = COMMON_BLADES_THOU,
) -> Moves:
    """The moves that bring all measured cylinders nearest to the spec.

    Parameters
    ----------
    engine : Engine
        With a spec and at least one adjuster.
    measurements : mapping of str to Curve
        The curve of each cylinder that was measured, by its name.
    learned : sequence of Learned
        What moves made before really did; the engine file's figures where there is nothing.
    blades_thou : sequence of float
        Feeler blades to choose from.

    Returns
    -------
    Moves

    Raises
    ------
    CannotUse
        If the engine file has no spec or no adjuster, or a cylinder is not of this engine.
    CannotMeasure
        If a curve shows neither low-speed nor full advance.
    """
    spec = _check(engine, measurements)
    aims = [aim_of(cylinder, curve, spec) for cylinder, curve in measurements.items()]
    for aim in aims:
        if not aim.targets:
            raise CannotMeasure(
                found=f"neither low-speed nor full advance in the clip of {aim.cylinder}",
                expected="at least one of the speeds at which the spec is level",
                do="film a clip that goes from idle to beyond full advance, or holds one of the two",
            )
    means = Means.of(learned, blades_thou)
    task = task_of(engine.adjuster, aims, means)
    plan = settle(engine.adjuster, task, means)
    moves = moves_of(engine.adjuster, plan, means)
    order = sorted((move for move in moves if not move.leave), key=_turn_to_come)
    outlook = outlooks(task, aims, list(measurements.values()), moves)
    return Moves(
        engine_name=engine.name,
        steps=tuple(order),
        left=tuple(move for move in moves if move.leave),
        outlook=outlook,
        check_first=CHECK_FIRST,
        warnings=tuple(_warnings(engine, spec, aims, outlook, moves)),
        learned=tuple(learned),
    )


def _check(engine: Engine, measurements: Mapping[str, Curve]) -> Spec:
    if engine.spec is None:
        raise CannotUse(
            found=f"no spec in the engine file of {engine.name}",
            expected="a [spec] table to aim at",
            do="put the maker's curve into the engine file",
        )
    if not engine.adjuster:
        raise CannotUse(
            found=f"no adjuster in the engine file of {engine.name}",
            expected="an [[adjuster]] for each thing that can be moved",
            do="add them to the engine file",
        )
    known = [cylinder.name for cylinder in engine.cylinder]
    for name in measurements:
        if name not in known:
            raise CannotUse(
                found=f"a result for cylinder {name}",
                expected=f"one of {', '.join(known)}",
                do="give results of one engine",
            )
    if not measurements:
        raise CannotUse(found="no result", expected="a result of each cylinder", do="measure the cylinders first")
    return engine.spec


def _turn_to_come(move: Move) -> tuple[int, int]:
    return {"gap": 0, "turn": 1, "slide": 2}[move.kind], -len(move.cylinders)


def _warnings(
    engine: Engine, spec: Spec, aims: Sequence[Aim], outlook: Sequence[Outlook], moves: Sequence[Move]
) -> Iterator[str]:
    for aim, after in zip(aims, outlook, strict=True):
        yield from _advancer_warnings(aim, spec)
        yield from _limit_warnings(after)
        if abs(after.left_over_deg) > spec.tolerance_deg:
            yield (
                f"Even after these moves, {aim.cylinder} stays {abs(after.left_over_deg):.1f}° "
                f"{'short of' if after.left_over_deg > 0 else 'beyond'} its aim."
            )
    measured = {aim.cylinder for aim in aims}
    for move in moves:
        others = [name for name in move.cylinders if name not in measured]
        if others and not move.leave:
            yield f"{move.adjuster} moves {' and '.join(others)} too, which was not measured. Measure it before moving."
        short = max((abs(o.left_over_deg) for o in outlook if o.cylinder in move.cylinders), default=0.0)
        if move.at_limit and short > SHAPE_SD_DEG:
            yield f"{move.adjuster} cannot go as far as it should within its limits{_the_rest(move, moves)}"
    for adjuster in engine.adjuster:
        if gap_out_of_limits(adjuster) and adjuster.gap_range_thou is not None:
            low, high = adjuster.gap_range_thou
            yield f"{adjuster.name}: {adjuster.gap_thou:g} thou is outside its limits, {low:g} to {high:g} thou."


def _the_rest(move: Move, moves: Sequence[Move]) -> str:
    """Who takes what a bounded adjuster cannot, and who else feels it."""
    helpers = [m for m in moves if m is not move and not m.leave and set(m.cylinders) & set(move.cylinders)]
    if not helpers:
        return ", and nothing else that moves its cylinder can take the rest."
    others = sorted({name for m in helpers for name in m.cylinders} - set(move.cylinders))
    names = " and ".join(m.adjuster for m in helpers)
    felt = f" That moves {' and '.join(others)} too, so what stays wrong is shared between them." if others else ""
    return f", so {names} {'are' if len(helpers) > 1 else 'is'} moved for the rest.{felt}"


def _advancer_warnings(aim: Aim, spec: Spec) -> Iterator[str]:
    if aim.low is None or aim.full is None:
        return
    found = aim.full.measured.value - aim.low.measured.value
    wanted = aim.full_aim_deg - aim.low_aim_deg
    sd = math.hypot(aim.low.random_sd_deg, aim.full.random_sd_deg)
    if abs(found - wanted) > max(spec.tolerance_deg, COVERAGE_95 * sd):
        yield (
            f"{aim.cylinder}: the advance grows by {found:.1f}°, the spec's by {wanted:.1f}°. No adjuster mends that: "
            "look at the advancer first (weights, springs, stops, pivot)."
        )
    if aim.full_chosen:
        yield (
            f"{aim.cylinder}: with idle put right, full advance would be "
            f"{aim.full.measured.value + aim.low.wanted_deg:.1f}°, beyond {aim.full_limit_deg:g}°. Full advance was "
            "chosen instead: too much of it damages engines."
        )


def _limit_warnings(after: Outlook) -> Iterator[str]:
    limit = after.full_limit_deg
    if after.ride_hard == "no" and after.full_now is not None:
        yield (
            f"Do not ride it hard as it is: full advance of {after.cylinder} may be {after.full_now.high:.1f}° "
            f"(upper end of 95 %), beyond {limit:g}°."
        )
    if after.ride_hard == "not seen":
        yield f"Full advance of {after.cylinder} was not seen: do not ride it hard before it has been measured."
    if after.full_after is not None and after.full_after.high > limit and after.shift_deg != 0:
        yield (
            f"After these moves, full advance of {after.cylinder} may still be {after.full_after.high:.1f}° (upper end "
            f"of 95 %), beyond {limit:g}°: measure again before riding it hard."
        )
