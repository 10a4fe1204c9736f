"""Courses of the speed through gaps between flashes, each of which may hold several numbers of turns.

In:  `Gap`s, the numbers that each may hold with the speed and the cost of each.
Out: the cheapest choice of all together; which of its numbers are certain.
Not here: where the candidates come from (`sparks.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

LONGEST_GAP_S = 0.6  # our choice: a spark every two turns at 200 rpm; a longer pause is a stop, not a gap to count in
IRREGULAR_REL = 0.02  # our choice: cycle-to-cycle irregularity of a rough idle, as a ratio of speeds
HARDEST_RPM_PER_S = 3000.0  # the fastest sweep that must be followed
# Our choice: how suddenly a throttle changes that, at a gap; as an sd with heavy tails.
JOLT_RPM_PER_S = 400.0
TAIL_DF = 3.0  # our choice: of Student's t for changes of speed; a kick of the throttle is ten sds
CERTAIN_MARGIN = 2.5  # our choice: e^2.5 = 12 times less likely is no longer taken for possible


@dataclass(frozen=True, slots=True, eq=False)
class Gap:
    """What one gap between two flashes may have been: arrays over the candidates."""

    turns: np.ndarray
    rpm: np.ndarray
    rel_sd: np.ndarray
    cost: np.ndarray
    middle_s: float
    length_s: float

    @property
    def counts(self) -> bool:
        """Short enough to count the turns in it."""
        return self.length_s <= LONGEST_GAP_S


def _swept(one: Gap, two: Gap) -> np.ndarray:
    """Cost of every pair of candidates: how hard the speed would have been swept, (n_one, n_two)."""
    if not (one.counts and two.counts):
        return np.zeros((len(one.turns), len(two.turns)))
    change = two.rpm[None, :] - one.rpm[:, None]
    slack = HARDEST_RPM_PER_S * (two.middle_s - one.middle_s)
    # Noise is judged at the mean speed: at each candidate's own, a wrong one would excuse itself by its height.
    mean = 0.5 * (two.rpm[None, :] + one.rpm[:, None])
    rel_var = one.rel_sd[:, None] ** 2 + two.rel_sd[None, :] ** 2 + IRREGULAR_REL**2
    return _heavy_tailed(change**2 / (slack**2 + rel_var * mean**2))


def _jolt(one: Gap, two: Gap, three: Gap) -> np.ndarray:
    """Cost of every triple: how suddenly the sweep would have changed, (n_one, n_two, n_three)."""
    if not (one.counts and two.counts and three.counts):
        return np.zeros((len(one.turns), len(two.turns), len(three.turns)))
    a, c = two.middle_s - one.middle_s, three.middle_s - two.middle_s
    share = c / (a + c)
    first, middle, last = one.rpm[:, None, None], two.rpm[None, :, None], three.rpm[None, None, :]
    off = middle - share * first - (1 - share) * last
    mean = (first + middle + last) / 3.0
    rel_var = (two.rel_sd**2 + IRREGULAR_REL**2)[None, :, None]
    rel_var = rel_var + (share * one.rel_sd[:, None, None]) ** 2 + ((1 - share) * three.rel_sd[None, None, :]) ** 2
    return _heavy_tailed(off**2 / (rel_var * mean**2 + (JOLT_RPM_PER_S * a * c / (a + c)) ** 2))


def _heavy_tailed(square: np.ndarray) -> np.ndarray:
    """Cost by Student's t rather than Gauss: a stall and a restart must remain possible."""
    return 0.5 * (TAIL_DF + 1.0) * np.log1p(square / TAIL_DF)


def course_cost(gaps: list[Gap], choice: list[int]) -> float:
    """Cost of one course, with what each of its counts costs."""
    chosen = [_only(gap, i) for gap, i in zip(gaps, choice, strict=True)]
    total = sum(float(gap.cost[0]) for gap in chosen)
    total += sum(float(_swept(one, two)[0, 0]) for one, two in pairwise(chosen))
    return total + sum(float(_jolt(*three)[0, 0, 0]) for three in zip(chosen, chosen[1:], chosen[2:], strict=False))


def _only(gap: Gap, i: int) -> Gap:
    at = slice(i, i + 1)
    return Gap(gap.turns[at], gap.rpm[at], gap.rel_sd[at], gap.cost[at], gap.middle_s, gap.length_s)


def best_path(gaps: list[Gap]) -> list[int]:
    """Index of the candidate to take in every gap, by dynamic programming over pairs of neighbouring gaps.

    The same gaps in the opposite order give the same choice.
    """
    if len(gaps) == 1:
        return [int(gaps[0].cost.argmin())]
    best = gaps[0].cost[:, None] + _swept(gaps[0], gaps[1]) + gaps[1].cost[None, :]
    came_from: list[np.ndarray] = []
    for k in range(2, len(gaps)):
        through = best[:, :, None] + _jolt(gaps[k - 2], gaps[k - 1], gaps[k])
        came_from.append(through.argmin(axis=0))
        best = through.min(axis=0) + _swept(gaps[k - 1], gaps[k]) + gaps[k].cost[None, :]
    last_two = np.unravel_index(int(best.argmin()), best.shape)
    choice = [int(last_two[1]), int(last_two[0])]
    for back in reversed(came_from):
        choice.append(int(back[choice[-1], choice[-2]]))
    choice.reverse()
    return choice


def certain_counts(gaps: list[Gap], choice: list[int]) -> np.ndarray:
    """Whether every other count of a gap, its neighbours free to follow, would be much less likely; (n_gaps,).

    Courses that differ from the chosen one in every gap (all at twice the speed, say) are left aside here: whether the
    clip can tell those apart is a question of its own (`evidence.py`).
    """
    near = [_nearby(gap, i) for gap, i in zip(gaps, choice, strict=True)]
    chosen = [
        int(np.flatnonzero(gap.turns == whole.turns[i])[0]) for gap, whole, i in zip(near, gaps, choice, strict=True)
    ]
    if len(near) < 3:
        return np.array([gap.counts for gap in near])
    ahead = _partial_costs(near, chosen)
    back = [_turned(pair) for pair in reversed(_partial_costs(near[::-1], chosen[::-1]))]
    certain = np.zeros(len(near), dtype=bool)
    for k, gap in enumerate(near):
        pair = min(k, len(near) - 2)
        own = _swept(near[pair], near[pair + 1]) + near[pair].cost[:, None] + near[pair + 1].cost[None, :]
        met = np.minimum(
            ahead[pair].met + np.minimum(back[pair].met, back[pair].free), ahead[pair].free + back[pair].met
        )
        by_count = (met - own).min(axis=1 if k == pair else 0)
        others = np.delete(by_count, chosen[k])
        certain[k] = gap.counts and (len(others) == 0 or others.min() - by_count[chosen[k]] >= CERTAIN_MARGIN)
    return certain


@dataclass(frozen=True, slots=True, eq=False)
class _Partial:
    """Least cost up to a pair of neighbouring gaps, of courses that met the chosen one and of those that never did."""

    met: np.ndarray
    free: np.ndarray


def _turned(partial: _Partial) -> _Partial:
    return _Partial(partial.met.T, partial.free.T)


def _partial_costs(gaps: list[Gap], chosen: list[int]) -> list[_Partial]:
    cost = gaps[0].cost[:, None] + _swept(gaps[0], gaps[1]) + gaps[1].cost[None, :]
    meets = np.zeros(cost.shape, dtype=bool)
    meets[chosen[0], :] = meets[:, chosen[1]] = True
    found = [_Partial(np.where(meets, cost, np.inf), np.where(meets, np.inf, cost))]
    for k in range(2, len(gaps)):
        jolt = _jolt(gaps[k - 2], gaps[k - 1], gaps[k])
        own = _swept(gaps[k - 1], gaps[k]) + gaps[k].cost[None, :]
        met = (found[-1].met[:, :, None] + jolt).min(axis=0) + own
        free = (found[-1].free[:, :, None] + jolt).min(axis=0) + own
        met[:, chosen[k]] = np.minimum(met, free)[:, chosen[k]]
        free[:, chosen[k]] = np.inf
        found.append(_Partial(met, free))
    return found


def _nearby(gap: Gap, i: int) -> Gap:
    """Candidates within a factor of the chosen one that holds twice, thrice half and half the speed."""
    kept = (gap.rpm <= 2.6 * gap.rpm[i]) & (gap.rpm >= gap.rpm[i] / 2.6)
    return Gap(gap.turns[kept], gap.rpm[kept], gap.rel_sd[kept], gap.cost[kept], gap.middle_s, gap.length_s)
