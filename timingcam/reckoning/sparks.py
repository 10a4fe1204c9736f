"""How many turns the crank made between one flash and the next.

In:  flash times and the rotor's angle in each, with their sds; gaps may hold missed flashes.
Out: `Counted`, the turns since the first flash, which flashes are second flashes of one spark or out of turn, and
     across which gaps the count is not certain.
Not here: the choice among candidates (`gaps.py`); the speed itself (`tacho.py`).

At every flash the crank stands at 360 turns − seen, whatever the strobe's delay: only the whole turns are unknown.
The speed changes smoothly in both directions of time, so the counts of all gaps are chosen together (`gaps.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.gaps import LONGEST_GAP_S, Gap, best_path, certain_counts, course_cost
from timingcam.reckoning.result import freeze

# Our choice: no engine that is timed with a strobe turns slower or faster; cranking is at about 200.
SLOWEST_RPM, FASTEST_RPM = 150.0, 20_000.0
# Our choice: a flash that comes a turn out of step is explained so only if nothing milder does. Natural logarithms.
OUT_OF_TURN_COST = 9.0  # once in e^9 = 8000 flashes
# Without knowing when the camera could not see, a missed flash must cost next to nothing: a camera that reads out
# slowly loses half of them regularly. Only of two counts that explain the times alike the lower is taken (Occam).
MISSED_COST = 0.03
RARE_MISSED_COST = 0.7  # ln 2: every other one
SEEN_MISSED_COST = 1.2  # -ln(0.3): a strobe may miss a fifth of its sparks, or a few more, while the camera looked
# Our choice: where flashes are timed worse than to 4 % of a gap, a count that is a quarter of a period off the median
# of four gaps either way is looked at again.
NOISY_REL, ODD_SHARE, ODD_REACH = 0.04, 0.25, 4
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
    turns_per_spark = round(1.0 / sparks_per_rev)
    gaps = _gaps_of(train, turns_per_spark, _ceiling_rpm(train, turns_per_spark), windows_s)
    choice = best_path(gaps)
    turns = np.array([gap.turns[i] for gap, i in zip(gaps, choice, strict=True)])
    certain = certain_counts(gaps, choice) & ~_odd_ones_out(gaps, turns, turns_per_spark)
    return tally(train, turns, certain, turns_per_spark)


def count_cost(some: Train, whole: Train, sparks_per_rev: float, windows_s: np.ndarray | None = None) -> float:
    """What the likeliest count of some of the flashes costs, in natural logarithms.

    Parameters
    ----------
    some : Train
    whole : Train
        All flashes, which tell how fast the engine may have turned.
    sparks_per_rev, windows_s
        As for `count_turns`.
    """
    turns_per_spark = round(1.0 / sparks_per_rev)
    gaps = _gaps_of(some, turns_per_spark, _ceiling_rpm(whole, turns_per_spark), windows_s)
    return course_cost(gaps, best_path(gaps))


def _ceiling_rpm(train: Train, turns_per_spark: int) -> float:
    usual_s = float(np.quantile(np.diff(train.time_s), 0.1))
    return min(FASTEST_RPM, CEILING * 60.0 * turns_per_spark / usual_s)


def _gaps_of(train: Train, turns_per_spark: int, ceiling_rpm: float, windows_s: np.ndarray | None) -> list[Gap]:
    step = wrapped(np.diff(train.seen_deg))
    gaps = [_candidates(train, k, float(step[k]), turns_per_spark, ceiling_rpm) for k in range(len(step))]
    if windows_s is not None:
        return [_with_sight(gap, turns_per_spark, windows_s) for gap in gaps]
    if np.median([np.median(gap.rel_sd) for gap in gaps]) > NOISY_REL:
        return _shortest_account(gaps, turns_per_spark)
    return gaps


def _odd_ones_out(gaps: list[Gap], turns: np.ndarray, turns_per_spark: int) -> np.ndarray:
    """Gaps between badly timed flashes whose count is not what the speed of the gaps around says.

    The course above weighs three gaps at a time, and a flash that is late by two sds can pass for a missed one among
    three. Such gaps are left open for the smooth course, which weighs all.
    """
    length_s = np.array([gap.length_s for gap in gaps])
    noise = np.array([np.median(gap.rel_sd) for gap in gaps])
    around = [slice(max(k - ODD_REACH, 0), k + ODD_REACH + 1) for k in range(len(gaps))]
    expected = np.array([length_s[k] * np.median(turns[near] / length_s[near]) for k, near in enumerate(around)])
    return (noise > NOISY_REL) & (np.abs(turns - expected) > ODD_SHARE * turns_per_spark)


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


def _candidates(train: Train, k: int, step_deg: float, turns_per_spark: int, ceiling_rpm: float) -> Gap:
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
    return Gap(turns, rpm, rel_sd, cost, 0.5 * (start_s + end_s), length_s)


def _with_sight(gap: Gap, turns_per_spark: int, windows_s: np.ndarray) -> Gap:
    """Add the cost of the flashes that the camera would have seen."""
    cost, start_s = gap.cost.copy(), gap.middle_s - gap.length_s / 2.0
    for i, turns in enumerate(gap.turns):
        sparks = max(int(turns) // turns_per_spark, 1)
        times = start_s + gap.length_s * np.arange(1, sparks) / sparks
        cost[i] += SEEN_MISSED_COST * np.count_nonzero(in_sight(times, windows_s))
    return Gap(gap.turns, gap.rpm, gap.rel_sd, cost, gap.middle_s, gap.length_s)


def _shortest_account(gaps: list[Gap], turns_per_spark: int) -> list[Gap]:
    """Costs of the counts by which the course takes least to tell, where nobody knows what the camera missed.

    Missed flashes are either rare or regular. Both are tried, and each course pays for how uneven its own counts are
    (their entropy), so that times which are known badly are not explained by counts that jump about.

    References
    ----------
    .. [1] Rissanen, Automatica 14 (1978) 465–471: shortest data description.
    """
    accounts = []
    for cost_of_missed in (MISSED_COST, RARE_MISSED_COST):
        tried = [_charged(gap, cost_of_missed * np.maximum(gap.turns // turns_per_spark - 1, 0)) for gap in gaps]
        choice = best_path(tried)
        for _ in range(2):
            used = [gap.turns[i] for gap, i in zip(gaps, choice, strict=True)]
            counts = np.bincount(used).astype(float)
            # The cost of every missed flash, small as it is, settles what is alike at all multiples of the speed.
            tried = [_charged(gap, _surprise(gap.turns, counts)) for gap in gaps]
            choice = best_path(tried)
        accounts.append((course_cost(tried, choice), tried))
    return min(accounts, key=lambda account: account[0])[1]


def _charged(gap: Gap, cost: np.ndarray) -> Gap:
    return Gap(gap.turns, gap.rpm, gap.rel_sd, gap.cost + cost, gap.middle_s, gap.length_s)


def _surprise(turns: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """−ln of how often such a count occurs; one that never did counts as half a time."""
    often = np.where(turns < len(counts), counts[np.minimum(turns, len(counts) - 1)], 0.0)
    return -np.log(np.maximum(often, 0.5) / counts.sum())
