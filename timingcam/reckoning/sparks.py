"""How many turns the crank made between one flash and the next.

In:  flash times and the rotor's angle in each, with their sds; gaps may hold missed flashes.
Out: `Counted`, the turns since the first flash, which flashes are second flashes of one spark or out of turn, and
     across which gaps the count is not certain.
Not here: the speed itself (`tacho.py`).

At every flash the crank stands at 360 turns − seen, whatever the strobe's delay: only the whole turns are unknown.
The speed changes smoothly in both directions of time, so the counts of all gaps are chosen together, by dynamic
programming over pairs of neighbouring gaps.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from timingcam.reckoning.result import freeze

# Our choice: no engine that is timed with a strobe turns slower or faster; cranking is at about 200.
SLOWEST_RPM, FASTEST_RPM = 150.0, 20_000.0
LONGEST_GAP_S = 0.6  # our choice: a spark every two turns at 200 rpm; a longer pause is a stop, not a gap to count in
IRREGULAR_REL = 0.02  # our choice: cycle-to-cycle irregularity of a rough idle, as a ratio of speeds
HARDEST_RPM_PER_S = 3000.0  # the fastest sweep that must be followed
# Our choice: how suddenly a throttle changes that, at a gap; as an sd with heavy tails.
JOLT_RPM_PER_S = 400.0
# Our choice: a flash that comes a turn out of step is explained so only if nothing milder does. Natural logarithms.
OUT_OF_TURN_COST = 9.0  # once in e^9 = 8000 flashes
# Without knowing when the camera could not see, a missed flash must cost next to nothing: a camera that reads out
# slowly loses half of them regularly. Only of two counts that explain the times alike the lower is taken (Occam).
MISSED_COST = 0.03
RARE_MISSED_COST = 0.7  # ln 2: every other one
SEEN_MISSED_COST = 1.2  # -ln(0.3): a strobe may miss a fifth of its sparks, or a few more, while the camera looked
CERTAIN_MARGIN = 2.5  # our choice: e^2.5 = 12 times less likely is no longer taken for possible
TAIL_DF = 3.0  # our choice: of Student's t for changes of speed; a kick of the throttle is ten sds
CEILING = 3.5  # our choice: a third of all flashes is seen at the very least
MARGIN_S = 0.5e-3  # our choice: a spark so near the edge of what the camera saw may have been dark


@dataclass(frozen=True, slots=True, eq=False)
class Train:
    """Flashes in time order with usable times; arrays of shape (n,)."""

    time_s: np.ndarray
    time_sd_s: np.ndarray
    seen_deg: np.ndarray  # finite
    seen_sd_deg: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """Whole turns of the crank since the first flash; arrays of shape (n,), and (n − 1,) for gaps."""

    crank_deg: np.ndarray  # 360 turns − seen, from the first flash on
    turns: np.ndarray  # int, (n − 1,), of each gap
    spark: np.ndarray  # int, spark periods since the first flash
    double: np.ndarray  # bool, a second flash of the spark before
    stray: np.ndarray  # bool, neither on a spark period nor a second flash
    certain: np.ndarray  # bool, (n − 1,), whether the turns within that gap are known

    def __post_init__(self) -> None:
        freeze(self.crank_deg, self.turns, self.spark, self.double, self.stray, self.certain)


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
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


def count_turns(train: Train, sparks_per_rev: float, windows_s: np.ndarray | None = None) -> Counted:
    """Choose the turns of all gaps together.

    Parameters
    ----------
    train : Train
        At least three flashes.
    sparks_per_rev : float
        Of the cylinder whose lead the strobe is on: 0.5 or 1.
    windows_s : ndarray, shape (n_windows, 2), optional
        When the camera could see a flash, from and to, in time order. A spark outside them is no missed flash.

    Returns
    -------
    Counted
        With `certain` False where another count explains the gap nearly as well.
    """
    step = wrapped(np.diff(train.seen_deg))
    turns_per_spark = round(1.0 / sparks_per_rev)
    usual_s = float(np.quantile(np.diff(train.time_s), 0.1))
    ceiling_rpm = min(FASTEST_RPM, CEILING * 60.0 * turns_per_spark / usual_s)
    gaps = [_candidates(train, k, float(step[k]), turns_per_spark, ceiling_rpm) for k in range(len(step))]
    if windows_s is not None:
        gaps = [_with_sight(gap, turns_per_spark, windows_s) for gap in gaps]
        choice = _best_path(gaps)
    else:
        gaps, choice = _shortest_account(gaps, turns_per_spark)
    turns = np.array([gap.turns[i] for gap, i in zip(gaps, choice, strict=True)])
    return tally(train, turns, _certain(gaps, choice), turns_per_spark)


def tally(train: Train, turns: np.ndarray, certain: np.ndarray, turns_per_spark: int) -> Counted:
    """Add up the turns of all gaps.

    Parameters
    ----------
    train : Train
        The flashes, n of them.
    turns : ndarray of int, shape (n − 1,)
        Turns within each gap, by the change of the wrapped angle.
    certain : ndarray of bool, shape (n − 1,)
        Whether those are known.
    turns_per_spark : int
        1 or 2.
    """
    step = wrapped(np.diff(train.seen_deg))
    total = np.concatenate([[0], np.cumsum(turns)])
    crank_deg = 360.0 * total - np.concatenate([[0.0], np.cumsum(step)])
    in_step = total % turns_per_spark == int(np.bincount(total % turns_per_spark).argmax())
    spark = np.floor_divide(total, turns_per_spark)
    double = np.concatenate([[False], turns == 0])
    return Counted(crank_deg, turns.copy(), spark, double, ~in_step & ~double, certain.copy())


def in_sight(time_s: np.ndarray, windows_s: np.ndarray) -> np.ndarray:
    """Whether the camera could have seen a flash at these times; windows in time order, shape (n_windows, 2)."""
    at = np.searchsorted(windows_s[:, 0], time_s, side="right") - 1
    near = np.maximum(at, 0)
    return (at >= 0) & (time_s >= windows_s[near, 0] + MARGIN_S) & (time_s <= windows_s[near, 1] - MARGIN_S)


def wrapped(angle_deg: np.ndarray) -> np.ndarray:
    """Angle within −180 ≤ x < 180 degrees."""
    return np.mod(angle_deg + 180.0, 360.0) - 180.0


def _candidates(train: Train, k: int, step_deg: float, turns_per_spark: int, ceiling_rpm: float) -> _Gap:
    start_s, end_s = float(train.time_s[k]), float(train.time_s[k + 1])
    length_s = end_s - start_s
    least = int(np.floor((6.0 * SLOWEST_RPM * length_s + step_deg) / 360.0))
    most = int(np.ceil((6.0 * ceiling_rpm * length_s + step_deg) / 360.0))
    turns = np.arange(max(least, 0), max(most, 1) + 1)
    turned = 360.0 * turns - step_deg
    rpm = turned / length_s / 6.0
    allowed = (rpm >= SLOWEST_RPM) & (rpm <= ceiling_rpm)
    if length_s > LONGEST_GAP_S or not allowed.any():
        # No more than a placeholder: such a gap is never certain.
        allowed = np.abs(np.log(np.maximum(rpm, 1.0) / SLOWEST_RPM)) == np.min(
            np.abs(np.log(np.maximum(rpm, 1.0) / SLOWEST_RPM))
        )
    turns, rpm = turns[allowed], np.maximum(rpm[allowed], 1.0)
    angle_var = train.seen_sd_deg[k] ** 2 + train.seen_sd_deg[k + 1] ** 2
    time_var = train.time_sd_s[k] ** 2 + train.time_sd_s[k + 1] ** 2
    rel_sd = np.sqrt(angle_var / 36.0 / rpm**2 + time_var) / length_s
    missed = np.maximum(turns // turns_per_spark - 1, 0)
    cost = np.where(turns % turns_per_spark == 0, 0.0, OUT_OF_TURN_COST) + MISSED_COST * missed
    return _Gap(turns, rpm, rel_sd, cost, 0.5 * (start_s + end_s), length_s)


def _with_sight(gap: _Gap, turns_per_spark: int, windows_s: np.ndarray) -> _Gap:
    """Add the cost of the flashes that the camera would have seen."""
    cost, start_s = gap.cost.copy(), gap.middle_s - gap.length_s / 2.0
    for i, turns in enumerate(gap.turns):
        sparks = max(int(turns) // turns_per_spark, 1)
        times = start_s + gap.length_s * np.arange(1, sparks) / sparks
        cost[i] += SEEN_MISSED_COST * np.count_nonzero(in_sight(times, windows_s))
    return _Gap(gap.turns, gap.rpm, gap.rel_sd, cost, gap.middle_s, gap.length_s)


def _swept(one: _Gap, two: _Gap) -> np.ndarray:
    """Cost of every pair of candidates: how hard the speed would have been swept, (n_one, n_two)."""
    if not (one.counts and two.counts):
        return np.zeros((len(one.turns), len(two.turns)))
    change = two.rpm[None, :] - one.rpm[:, None]
    slack = HARDEST_RPM_PER_S * (two.middle_s - one.middle_s)
    # Noise is judged at the mean speed: at each candidate's own, a wrong one would excuse itself by its height.
    mean = 0.5 * (two.rpm[None, :] + one.rpm[:, None])
    rel_var = one.rel_sd[:, None] ** 2 + two.rel_sd[None, :] ** 2 + IRREGULAR_REL**2
    return _heavy_tailed(change**2 / (slack**2 + rel_var * mean**2))


def _jolt(one: _Gap, two: _Gap, three: _Gap) -> np.ndarray:
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


def _shortest_account(gaps: list[_Gap], turns_per_spark: int) -> tuple[list[_Gap], list[int]]:
    """The course that takes least to tell where nobody knows what the camera missed.

    Missed flashes are either rare or regular. Both are tried, and each course pays for how uneven its own counts are
    (their entropy), so that times which are known badly are not explained by counts that jump about.

    References
    ----------
    .. [1] Rissanen, Automatica 14 (1978) 465–471: shortest data description.
    """
    accounts = []
    for cost_of_missed in (MISSED_COST, RARE_MISSED_COST):
        tried = [_charged(gap, cost_of_missed * np.maximum(gap.turns // turns_per_spark - 1, 0)) for gap in gaps]
        choice = _best_path(tried)
        for _ in range(2):
            used = [gap.turns[i] for gap, i in zip(gaps, choice, strict=True)]
            counts = np.bincount(used).astype(float)
            # The cost of every missed flash, small as it is, settles what is alike at all multiples of the speed.
            tried = [_charged(gap, _surprise(gap.turns, counts)) for gap in gaps]
            choice = _best_path(tried)
        accounts.append((_length(tried, choice), tried, choice))
    _, tried, choice = min(accounts, key=lambda account: account[0])
    return tried, choice


def _charged(gap: _Gap, cost: np.ndarray) -> _Gap:
    return _Gap(gap.turns, gap.rpm, gap.rel_sd, gap.cost + cost, gap.middle_s, gap.length_s)


def _surprise(turns: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """−ln of how often such a count occurs; one that never did counts as half a time."""
    often = np.where(turns < len(counts), counts[np.minimum(turns, len(counts) - 1)], 0.0)
    return -np.log(np.maximum(often, 0.5) / counts.sum())


def _length(gaps: list[_Gap], choice: list[int]) -> float:
    chosen = [_only(gap, i) for gap, i in zip(gaps, choice, strict=True)]
    total = sum(float(gap.cost[0]) for gap in chosen)
    total += sum(float(_swept(one, two)[0, 0]) for one, two in pairwise(chosen))
    return total + sum(float(_jolt(*three)[0, 0, 0]) for three in zip(chosen, chosen[1:], chosen[2:], strict=False))


def _only(gap: _Gap, i: int) -> _Gap:
    at = slice(i, i + 1)
    return _Gap(gap.turns[at], gap.rpm[at], gap.rel_sd[at], gap.cost[at], gap.middle_s, gap.length_s)


def _best_path(gaps: list[_Gap]) -> list[int]:
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


def _certain(gaps: list[_Gap], choice: list[int]) -> np.ndarray:
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


def _partial_costs(gaps: list[_Gap], chosen: list[int]) -> list[_Partial]:
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


def _nearby(gap: _Gap, i: int) -> _Gap:
    """Candidates within a factor of the chosen one that holds twice, thrice half and half the speed."""
    kept = (gap.rpm <= 2.6 * gap.rpm[i]) & (gap.rpm >= gap.rpm[i] / 2.6)
    return _Gap(gap.turns[kept], gap.rpm[kept], gap.rel_sd[kept], gap.cost[kept], gap.middle_s, gap.length_s)
