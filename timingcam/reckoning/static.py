"""Static timing: the crank angle at which the trigger lamp switches while the engine is turned by hand.

In:  a clip with rotor, index and lamp in view; the engine file; a cylinder; which way the lamp switches at the spark.
Out: `StaticTiming`: the angle at each pass, their mean with its doubt, what the spec says.
Not here: pictures and files (`showing/`); finding the rotor (`hand_turned.py`) or the lamp (`seeing/lamp.py`).

Only passes in the running direction count, and only after the slack of chain and gears has been taken up.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.checks import verdict
from timingcam.reckoning.hand_turned import (
    HandTurned,
    Named,
    Progress,
    Watched,
    advance_at,
    clip_facts,
    follow_clip,
    in_reference,
    name_marks,
    place_rows,
)
from timingcam.reckoning.passes import BACKWARDS, FEW_PASSES, Pass, SparkAt, Stand, judge_passes, mean_of_passes
from timingcam.reckoning.result import BudgetRow, Check, ClipFacts, Estimate
from timingcam.reckoning.scenery import Scenery, scenery_of
from timingcam.seeing.lamp import LampLight, find_lamp, watch_lamp
from timingcam.seeing.slow import FineTurns, in_step, near, read_frames
from timingcam.seeing.switching import Switching, switchings

NEAR_FRAMES = 4  # to either side of a switching, through whose turns a curve is laid
ALIKE_DEG = 5.0  # our choice: a trigger that differs by more from pass to pass is none, or not this engine's
DO_TURN = (
    "turn the engine slowly in its running direction only, past the point where the lamp switches, three times or "
    "more; go back well beyond it each time before coming forwards again"
)
STROKE = (
    "The picture cannot show the stroke: whether this is the compression or the exhaust stroke of this cylinder has to "
    "be checked at the plug hole or the valves."
)


@dataclass(frozen=True, slots=True, eq=False)
class StaticTiming:
    """Static timing of one cylinder. `repeatability_deg` is the sd of single passes, None with fewer than three."""

    clip: ClipFacts
    engine: Engine
    cylinder: str
    spark_at: SparkAt
    passes: tuple[Pass, ...]
    advance_deg: Estimate
    repeatability_deg: float | None
    check: Check | None
    budget: tuple[BudgetRow, ...]
    warnings: tuple[str, ...]
    scenery: Scenery


def static_timing(
    clip: str | Path,
    engine: Engine,
    cylinder: str,
    spark_at: SparkAt = "lamp-on",
    watched: Watched | None = None,
    progress: Progress | None = None,
) -> StaticTiming:
    """Measure static timing.

    Parameters
    ----------
    clip : path
        A video in steady light of the engine turned slowly by hand, a trigger lamp in view.
    engine : Engine
    cylinder : str
    spark_at : {"lamp-on", "lamp-off"}
        Which way the lamp switches where the spark would be, turning forwards.
    watched : Watched, optional
        Places that the user points at.
    progress : callable, optional

    Returns
    -------
    StaticTiming

    Raises
    ------
    CannotUse
        If a file or a value given cannot be used.
    CannotMeasure
        If no pass can be measured honestly.
    """
    watched = watched or Watched()
    turned = follow_clip(clip, engine, cylinder, watched, progress)
    lamp_at = find_lamp(turned.turning) if watched.lamp_px is None else in_reference(turned, watched.lamp_px)
    lamp = watch_lamp(turned.turning, lamp_at)
    events = switchings(lamp, turned.turning.track.time_s)
    stands = _stands(turned, lamp, events)
    judged = judge_passes(events, stands, turned.forward_deg, turned.turning.track.time_s, spark_at)
    used = [stand for stand, (_, reason) in zip(stands, judged, strict=True) if stand is not None and reason == ""]
    if not used:
        raise _no_pass(events, judged)
    named = name_marks(turned, np.array([stand.turn_deg for stand in used]), _do_names(spark_at))
    passes = tuple(_passes(turned, named, (events, stands, judged)))
    return _reckoned(turned, (named, lamp, passes), _common_doubts(turned, used), spark_at, watched)


def _stands(turned: HandTurned, lamp: LampLight, events: list[Switching]) -> list[Stand | None]:
    """The rotor at each switching."""
    turning = turned.turning
    last = len(turning.track.time_s) - 1
    middles = [int(np.argmin(np.abs(turning.track.time_s - event.time_s))) for event in events]
    reach = [range(max(0, middle - NEAR_FRAMES), min(last, middle + NEAR_FRAMES) + 1) for middle in middles]
    fine = read_frames(turning, {number for numbers in reach for number in numbers})
    return [_stand_at(turned, lamp, event, near(fine, numbers)) for event, numbers in zip(events, reach, strict=True)]


def _stand_at(turned: HandTurned, lamp: LampLight, event: Switching, fine: FineTurns) -> Stand | None:
    """The rotor at a switching, from a curve through the frames about it."""
    turning = turned.turning
    if len(fine.frame) < NEAR_FRAMES:
        return None
    centre_row = float(turning.view.pose.centre_px[1])
    # The lamp's row is read later than the centre's by the rows between them.
    at_s = event.time_s + (lamp.row - centre_row) * turning.line_time.line_time_s
    turn_deg, sd_deg, slope = _through(turning.track.time_s[fine.frame] - at_s, in_step(turning, fine), fine)
    rows = float(np.average(fine.row)) - lamp.row
    return Stand(turn_deg, sd_deg, abs(slope) * event.sd_s, turned.sense * slope, rows, event.lag_sd_s)


def _through(since_s: np.ndarray, turn_deg: np.ndarray, fine: FineTurns) -> tuple[float, float, float]:
    """Value, its sd and slope at 0 of a parabola (a line through few) by least squares."""
    order = 2 if len(since_s) > 5 else 1
    # Light of texture errs alike in neighbouring frames: no reading counts for better than this.
    sd = np.hypot(fine.sd_deg, 0.02)
    design = np.vander(since_s / max(float(np.ptp(since_s)), 1e-9), order + 1, increasing=True) / sd[:, None]
    covariance = np.linalg.inv(design.T @ design)
    fit = covariance @ (design.T @ (turn_deg / sd))
    left = design @ fit - turn_deg / sd
    ratio = max(1.0, float((left**2).sum()) / max(len(since_s) - order - 1, 1))
    own = float(np.sqrt(covariance[0, 0] * ratio))
    return (
        float(fit[0]),
        max(own, 0.5 * float(np.median(fine.sd_deg))),
        float(fit[1]) / max(float(np.ptp(since_s)), 1e-9),
    )


def _passes(
    turned: HandTurned, named: Named, seen: tuple[list[Switching], list[Stand | None], list[tuple[bool, str]]]
) -> list[Pass]:
    found = []
    for event, stand, (of_spark, reason) in zip(*seen, strict=True):
        if not of_spark:
            continue
        if stand is None:
            found.append(Pass(event.time_s, float("nan"), float("nan"), float("nan"), False, reason))
            continue
        advance = float(advance_at(turned, named, np.array([stand.turn_deg]))[0])
        sd = float(np.hypot(stand.sd_deg, stand.time_sd_deg))
        found.append(Pass(event.time_s, advance, sd, stand.speed_deg_s, reason == "", reason))
    return found


def _common_doubts(turned: HandTurned, used: list[Stand]) -> list[BudgetRow]:
    """Doubts by the camera's rows and the lamp's slowness, alike in all passes."""
    line = turned.turning.line_time
    speed = float(np.mean([stand.speed_deg_s for stand in used]))
    rows = float(np.mean([abs(stand.rows) for stand in used]))
    lag_sd_s = float(np.mean([stand.lag_sd_s for stand in used]))
    return [
        BudgetRow("rows read one after another", line.sd_s * 1e6, "us", "systematic", speed * rows * line.sd_s),
        BudgetRow("how fast the lamp lights or dies", lag_sd_s * 1e3, "ms", "systematic", speed * lag_sd_s),
    ]


def _reckoned(
    turned: HandTurned,
    found: tuple[Named, LampLight, tuple[Pass, ...]],
    common: list[BudgetRow],
    spark_at: SparkAt,
    watched: Watched,
) -> StaticTiming:
    named, lamp, passes = found
    used = [p for p in passes if p.used]
    common = [*place_rows(turned, named), *common]
    advance, repeats, random = mean_of_passes(used, common)
    _refuse_scatter(used)
    return StaticTiming(
        clip=clip_facts(turned, watched.capture_fps),
        engine=turned.engine,
        cylinder=turned.cylinder,
        spark_at=spark_at,
        passes=passes,
        advance_deg=advance,
        repeatability_deg=repeats,
        check=low_speed_check(turned.engine, advance),
        budget=(random, *common),
        warnings=tuple(_warnings(turned, named, lamp, passes)),
        scenery=scenery_of(turned, named, lamp),
    )


def low_speed_check(engine: Engine, advance: Estimate) -> Check | None:
    """The static advance against the spec's advance at the lowest speed of its curve; None without a spec."""
    if engine.spec is None:
        return None
    aim, tolerance = engine.spec.curve[0][1], engine.spec.tolerance_deg
    low, high = aim - tolerance, aim + tolerance
    return Check("static advance", advance.value, low, high, verdict(advance.low, advance.high, low, high))


def _no_pass(events: list[Switching], judged: list[tuple[bool, str]]) -> CannotMeasure:
    reasons = sorted({reason for of_spark, reason in judged if of_spark})
    if not events:
        found = "a lamp that never switches while the rotor can be seen"
    elif reasons == [BACKWARDS]:
        found = "passes turned backwards only"
    elif reasons:
        found = "no pass that counts (" + "; ".join(reasons) + ")"
    else:
        found = "only the lamp's other switching"
    return CannotMeasure(
        found=found, expected="the lamp's switching passed in the running direction",
        do=DO_TURN + "; check rotor.turns in the engine file and --spark-at",
    )  # fmt: skip


def _refuse_scatter(used: list[Pass]) -> None:
    each = np.array([p.advance_deg for p in used])
    spread = float(np.ptp((each - each[0] + 180.0) % 360.0 - 180.0))
    if spread > ALIKE_DEG:
        raise CannotMeasure(
            found=f"passes that differ by {spread:.1f} degrees",
            expected="a lamp that switches at the same angle each time",
            do="check the lamp's leads and the trigger, turn more slowly, or point at the lamp with --lamp X,Y",
        )


def _do_names(spark_at: SparkAt) -> str:
    other = "lamp-off" if spark_at == "lamp-on" else "lamp-on"
    return (
        f"check that the spark is at {spark_at} and not --spark-at {other}, that the cylinder is the right one, paint "
        "the marks, or point at them with --index X,Y and --mark NAME@X,Y"
    )


def _warnings(turned: HandTurned, named: Named, lamp: LampLight, passes: tuple[Pass, ...]) -> list[str]:
    used = [p for p in passes if p.used]
    words = [STROKE]
    backwards = sum(p.reason == BACKWARDS for p in passes)
    if backwards:
        words.append(f"Passes turned backwards, left out: {backwards}. Slack in chain and gears makes them read wrong.")
    others = sorted({p.reason for p in passes if p.reason and p.reason != BACKWARDS})
    words += [f"Left out: {reason}." for reason in others]
    if len(used) < FEW_PASSES:
        words.append(
            f"Passes that count: {len(used)}. How well they repeat cannot be told from so few; turn three or more."
        )
    if lamp.clipped:
        words.append("The lamp is so bright that it fills the picture's range: dim it, or film with less exposure.")
    if not turned.turning.line_time.seen:
        words.append("How fast the camera reads its rows could not be told from the clip; the usual range was taken.")
    return words + list(named.marks.warnings)
