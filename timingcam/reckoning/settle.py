"""Which moves are worth making, with the blade that is at hand, in the order gaps, plates, slides.

In:  adjusters, `Aim`s, what was learned, the blades.
Out: `Plan`, and its `Move`s.
Not here: the least squares (`shares.py`), warnings (`adjust.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from timingcam.engine import Adjuster
from timingcam.reckoning import shares
from timingcam.reckoning.adjusters import (
    THOU_MM,
    change_from_gaps,
    crank_deg_per_shaft_deg,
    direction,
    gap_for_change,
    hand_sd_deg,
    rim_mm,
)
from timingcam.reckoning.aim import COVERAGE_95, SHAPE_SD_DEG, Aim
from timingcam.reckoning.blades import nearest_blade, stacks
from timingcam.reckoning.moves import Blade, Learned, Move

# Our choice, in units of chi-squared: a move must mend about two and a half standard deviations to be worth a spanner,
# which with usual doubt is half a degree. On simulated engines a smaller cost sent one move in some 3000 the wrong way,
# and hardly more engines came within half a degree. Gaps set the dwell: they serve for timing where nothing else can.
MOVE_COST = {"turn": 6.0, "slide": 6.5, "gap": 14.0}
POINT_DEG = 1e-6  # half-width of a range that stands for one value


@dataclass(frozen=True, slots=True)
class Scale:
    """What an adjuster does, over what the engine file says it does; and the crank degrees of a learned division."""

    ratio: float = 1.0
    sd: float = 0.0
    division_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Means:
    """What there is to work with: what was learned of each adjuster, and the feeler blades at hand."""

    scales: dict[str, Scale]
    gaps_thou: dict[float, tuple[float, ...]]  # gap: the blades that make it

    @classmethod
    def of(cls, learned: Sequence[Learned], blades_thou: Sequence[float]) -> Means:
        """From what earlier moves showed, and a set of blades."""
        return cls({one.adjuster: _scale(one) for one in learned}, stacks(blades_thou))

    def scale(self, adjuster: Adjuster) -> Scale:
        """1, exactly, where nothing was learned."""
        return self.scales.get(adjuster.name, Scale())


def _scale(learned: Learned) -> Scale:
    division = learned.deg_per_unit if learned.unit == "divisions" else None
    nominal = learned.nominal_deg_per_unit
    if nominal is None:
        return Scale(1.0, learned.sd_deg / learned.deg_per_unit, division)
    return Scale(learned.deg_per_unit / nominal, learned.sd_deg / nominal, division)


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Per adjuster: the change it makes, what would be exactly right, its doubt, whether it is bounded, why left."""

    change_deg: np.ndarray
    wanted_deg: np.ndarray
    sd_deg: np.ndarray
    at_limit: np.ndarray
    leave: tuple[str, ...]


def task_of(adjusters: Sequence[Adjuster], aims: Sequence[Aim], means: Means) -> shares.Task:
    """The least-squares task that the aims and the adjusters make.

    Parameters
    ----------
    adjusters : sequence of Adjuster
    aims : sequence of Aim
        Each with at least one target.
    means : Means

    Returns
    -------
    Task
    """
    rows = [(i, target) for i, aim in enumerate(aims) for target in aim.targets]
    bounds = [_bounds(adjuster, adjusters, means) for adjuster in adjusters]
    return shares.Task(
        coupling=np.array([[float(aim.cylinder in adjuster.moves) for adjuster in adjusters] for aim in aims]),
        row_cylinder=np.array([i for i, _ in rows]),
        wanted_deg=np.array([target.wanted_deg for _, target in rows]),
        row_sd_deg=np.array([math.hypot(target.random_sd_deg, SHAPE_SD_DEG) for _, target in rows]),
        random_sd_deg=np.array([target.random_sd_deg for _, target in rows]),
        common_sd_deg=np.array([aim.common_sd_deg for aim in aims]),
        room_deg=np.array([aim.full_limit_deg - aim.full.measured.value if aim.full else np.inf for aim in aims]),
        low_deg=np.array([low for low, _ in bounds]),
        high_deg=np.array([high for _, high in bounds]),
        cost=np.array([MOVE_COST[adjuster.kind] for adjuster in adjusters]),
        forced=np.array([gap_out_of_limits(adjuster) for adjuster in adjusters]),
    )


def gap_out_of_limits(adjuster: Adjuster) -> bool:
    """Whether the gap now is outside the limits that the engine file gives.

    Parameters
    ----------
    adjuster : Adjuster

    Returns
    -------
    bool
    """
    gaps = adjuster.gap_range_thou
    return gaps is not None and adjuster.gap_thou is not None and not gaps[0] <= adjuster.gap_thou <= gaps[1]


def _gap_limits(adjuster: Adjuster, gaps: Mapping[float, object]) -> tuple[float, float]:
    """The file's own limits as far as blades reach; where they do not meet, the file's."""
    if adjuster.gap_range_thou is None:
        return min(gaps), max(gaps)
    low, high = max(adjuster.gap_range_thou[0], min(gaps)), min(adjuster.gap_range_thou[1], max(gaps))
    return (low, high) if low < high else adjuster.gap_range_thou


def _bounds(adjuster: Adjuster, adjusters: Sequence[Adjuster], means: Means) -> tuple[float, float]:
    reach = math.inf if adjuster.range_crank_deg is None else adjuster.range_crank_deg
    if adjuster.kind == "turn" or adjuster.gap_thou is None:
        return -reach, reach
    ratio, now = means.scale(adjuster).ratio, adjuster.gap_thou
    limits = _gap_limits(adjuster, means.gaps_thou)
    ends = [ratio * change_from_gaps(adjuster, now, to) for to in limits]
    if not gap_out_of_limits(adjuster):
        return max(-reach, min(*ends, 0.0)), min(reach, max(*ends, 0.0))
    if adjuster.kind == "gap" and any(
        other.kind != "gap" and set(adjuster.moves) & set(other.moves) for other in adjusters
    ):
        # Something else can take the timing, so that the gap may be what is best for the dwell.
        middle = ratio * change_from_gaps(adjuster, now, sum(limits) / 2)
        return middle - POINT_DEG, middle + POINT_DEG
    return min(ends), max(ends)


def settle(adjusters: Sequence[Adjuster], task: shares.Task, means: Means) -> Plan:
    """Share out; drop what is too small to be worth a move; gaps at the nearest blade; the rest again for what is left.

    Parameters
    ----------
    adjusters : sequence of Adjuster
    task : Task
    means : Means

    Returns
    -------
    Plan
    """
    plan = _worth_moving(adjusters, task, means)
    gaps = np.array([adjuster.kind == "gap" for adjuster in adjusters])
    if (gaps & (plan.change_deg != 0)).any():
        # Contact breaker gaps are set before the plate, so that the plate can take what the blades leave.
        plan = _at_blades(adjusters, plan, gaps, means)
        done = np.where(gaps, plan.change_deg, 0.0)
        rest = _worth_moving(adjusters, shares.with_done(task, done, gaps), means)
        plan = Plan(
            np.where(gaps, plan.change_deg, rest.change_deg),
            np.where(gaps, plan.wanted_deg, rest.wanted_deg),
            np.where(gaps, plan.sd_deg, rest.sd_deg),
            np.where(gaps, plan.at_limit, rest.at_limit),
            tuple(one if gap else other for gap, one, other in zip(gaps, plan.leave, rest.leave, strict=True)),
        )
    slides = np.array([adjuster.kind == "slide" for adjuster in adjusters])
    return _at_blades(adjusters, plan, slides, means)


def _worth_moving(adjusters: Sequence[Adjuster], task: shares.Task, means: Means) -> Plan:
    using = shares.choose(task)
    leave = ["" if use else "moving it would mend too little to be worth it" for use in using]
    hand = np.array([hand_sd_deg(adjuster) for adjuster in adjusters])
    scale_sd = np.array([means.scale(adjuster).sd / means.scale(adjuster).ratio for adjuster in adjusters])
    while True:
        change = shares.share(task, using)
        measured = shares.doubt(task, using)
        least = np.maximum(COVERAGE_95 * measured, hand)
        size = np.where(using & ~task.forced, np.abs(change) / least, np.inf)
        smallest = int(np.argmin(size))
        if size[smallest] >= 1:
            at_limit = using & ~task.forced & ((change <= task.low_deg) | (change >= task.high_deg))
            return Plan(change, change, np.hypot(measured, change * scale_sd), at_limit, tuple(leave))
        using[smallest] = False
        by_hand = hand[smallest] > COVERAGE_95 * measured[smallest]
        leave[smallest] = (
            f"the {abs(change[smallest]):.2f} crank degrees wanted are less than "
            f"{'a hand can set' if by_hand else 'can be measured'}, {least[smallest]:.2f}"
        )


def _at_blades(adjusters: Sequence[Adjuster], plan: Plan, which: np.ndarray, means: Means) -> Plan:
    """The same plan with the gaps in question set to a blade; as it is where the present gap is not known."""
    change, leave = plan.change_deg.copy(), list(plan.leave)
    for i, adjuster in enumerate(adjusters):
        now = adjuster.gap_thou
        if which[i] and change[i] != 0 and now is not None:
            ratio = means.scale(adjuster).ratio
            wanted = gap_for_change(adjuster, now, change[i] / ratio)
            blade = nearest_blade(wanted, now, _gap_limits(adjuster, means.gaps_thou), means.gaps_thou)
            change[i] = 0.0 if blade is None else ratio * change_from_gaps(adjuster, now, blade)
            if blade is None:
                leave[i] = "no feeler blade comes nearer than the gap in it now"
    return replace(plan, change_deg=change, leave=tuple(leave))


def moves_of(adjusters: Sequence[Adjuster], plan: Plan, means: Means) -> tuple[Move, ...]:
    """The plan in the adjusters' own units, in the order of the engine file.

    Parameters
    ----------
    adjusters : sequence of Adjuster
    plan : Plan
    means : Means

    Returns
    -------
    tuple of Move
    """
    return tuple(_move(adjuster, plan, i, means) for i, adjuster in enumerate(adjusters))


def _move(adjuster: Adjuster, plan: Plan, i: int, means: Means) -> Move:
    change, wanted, scale = float(plan.change_deg[i]), float(plan.wanted_deg[i]), means.scale(adjuster)
    plain = Move(
        adjuster=adjuster.name,
        kind=adjuster.kind,
        cylinders=adjuster.moves,
        change_deg=change,
        wanted_deg=wanted,
        sd_deg=float(plan.sd_deg[i]),
        hand_sd_deg=hand_sd_deg(adjuster),
        at_limit=bool(plan.at_limit[i]),
        leave=plan.leave[i],
        direction=direction(adjuster, change) if adjuster.kind == "turn" and not plan.leave[i] else None,
    )
    if plain.leave:
        return plain
    by_file = change / scale.ratio  # what the engine file's own figures call this change
    return (
        _turned(plain, adjuster, by_file, scale)
        if adjuster.kind == "turn"
        else _gapped(plain, adjuster, by_file, means)
    )


def _turned(move: Move, adjuster: Adjuster, by_file_deg: float, scale: Scale) -> Move:
    division = scale.division_deg or _times(adjuster.division_crank_deg, scale.ratio)
    return replace(
        move,
        shaft_deg=abs(by_file_deg) / crank_deg_per_shaft_deg(adjuster),
        divisions=None if division is None else abs(move.change_deg) / division,
        rim_mm=rim_mm(adjuster, by_file_deg),
    )


def _gapped(move: Move, adjuster: Adjuster, by_file_deg: float, means: Means) -> Move:
    start = adjuster.gap_thou or 0.0
    to = gap_for_change(adjuster, start, by_file_deg)
    blade = None
    if adjuster.gap_thou is not None:
        nearest = min(means.gaps_thou, key=lambda one: abs(one - to))  # it is one, but for rounding
        blade = Blade(
            from_thou=start,
            exact_thou=gap_for_change(adjuster, start, move.wanted_deg / means.scale(adjuster).ratio),
            to_thou=nearest,
            blades_thou=means.gaps_thou[nearest],
            left_over_deg=move.wanted_deg - move.change_deg,
        )
    gap_thou = abs(to - start)
    return replace(
        move,
        gap=_wider_or_narrower(adjuster, move.change_deg),
        gap_change_thou=gap_thou,
        rim_mm=gap_thou * THOU_MM if adjuster.kind == "slide" else None,
        blade=blade,
    )


def _times(deg: float | None, ratio: float) -> float | None:
    return None if deg is None else deg * ratio


def _wider_or_narrower(adjuster: Adjuster, change_deg: float) -> Literal["wider", "narrower"]:
    return "wider" if (change_deg > 0) == (adjuster.wider_gap == "advances") else "narrower"
