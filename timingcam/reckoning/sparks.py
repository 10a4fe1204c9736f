"""How many turns the crank made between one flash and the next.

In:  flash times and the rotor's angle in each, with their sds; gaps may hold missed flashes.
Out: `Counted`, the turns since the first flash, which flashes are second flashes of one spark or out of turn, and
     across which gaps the count is not certain.
Not here: the speed itself (`tacho.py`).

At every flash the crank stands at 360 turns − seen, whatever the strobe's delay: only the whole turns are unknown.
Speed is continuous in both directions of time, so the counts of all gaps are chosen together, by dynamic programming.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from timingcam.reckoning.result import freeze

# Our choice: no engine that is timed with a strobe turns slower or faster; cranking is at about 200.
SLOWEST_RPM, FASTEST_RPM = 60.0, 20_000.0
IRREGULAR_REL = 0.03  # our choice: cycle-to-cycle irregularity of a rough idle, as a ratio of speeds
HARDEST_RPM_PER_S = 3000.0  # the fastest sweep that must be followed
# Our choice: a flash that comes a turn out of step is explained so only if nothing milder does. Natural logarithms.
OUT_OF_TURN_COST = 3.0
# Without knowing when the camera could not see, a missed flash must cost next to nothing: a camera that reads out
# slowly loses half of them regularly. Only of two counts that explain the times alike the lower is taken (Occam).
MISSED_COST = 0.002
SEEN_MISSED_COST = 1.2  # -ln(0.3): a strobe may miss a fifth of its sparks, or a few more, while the camera looked
CERTAIN_MARGIN = 2.5  # our choice: e^2.5 = 12 times less likely is no longer taken for possible


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
    spark: np.ndarray  # int, spark periods since the first flash
    double: np.ndarray  # bool, a second flash of the spark before
    stray: np.ndarray  # bool, neither on a spark period nor a second flash
    certain: np.ndarray  # bool, (n − 1,), whether the turns within that gap are known

    def __post_init__(self) -> None:
        freeze(self.crank_deg, self.spark, self.double, self.stray, self.certain)


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
    """What one gap between two flashes may have been: arrays over the candidates."""

    turns: np.ndarray
    speed: np.ndarray  # degrees a second
    rel_sd: np.ndarray
    cost: np.ndarray
    length_s: float


def count_turns(train: Train, sparks_per_rev: float, windows_s: np.ndarray | None = None) -> Counted:
    """Choose the turns of all gaps together.

    Parameters
    ----------
    train : Train
        At least two flashes.
    sparks_per_rev : float
        Of the cylinder whose lead the strobe is on: 0.5 or 1.
    windows_s : ndarray, shape (n_windows, 2), optional
        When the camera could see a flash, from and to. A spark outside them is no missed flash.

    Returns
    -------
    Counted
        With `certain` False where another count explains the gap nearly as well.
    """
    step = wrapped(np.diff(train.seen_deg))
    gaps = [_candidates(train, k, float(step[k]), sparks_per_rev, windows_s) for k in range(len(step))]
    choice, certain = _best_path(gaps)
    turns = np.array([gap.turns[i] for gap, i in zip(gaps, choice, strict=True)])
    total = np.concatenate([[0], np.cumsum(turns)])
    crank_deg = 360.0 * total - np.concatenate([[0.0], np.cumsum(step)])
    turns_per_spark = round(1.0 / sparks_per_rev)
    in_step = total % turns_per_spark == _commonest(total % turns_per_spark)
    spark = np.floor_divide(total, turns_per_spark)
    double = np.concatenate([[False], turns == 0])
    # A double's rotor has turned on by less than half a turn; the advance then reads late by that much.
    return Counted(crank_deg, spark, double, ~in_step & ~double, certain)


def in_sight(time_s: np.ndarray, windows_s: np.ndarray) -> np.ndarray:
    """Whether the camera could have seen a flash at these times; windows in time order, shape (n_windows, 2)."""
    at = np.searchsorted(windows_s[:, 0], time_s, side="right") - 1
    return (at >= 0) & (time_s <= windows_s[np.maximum(at, 0), 1])


def wrapped(angle_deg: np.ndarray) -> np.ndarray:
    """Angle within −180 ≤ x < 180 degrees."""
    return np.mod(angle_deg + 180.0, 360.0) - 180.0


def _commonest(values: np.ndarray) -> int:
    return int(np.bincount(values).argmax())


def _candidates(train: Train, k: int, step_deg: float, sparks_per_rev: float, windows_s: np.ndarray | None) -> _Gap:
    length_s = float(train.time_s[k + 1] - train.time_s[k])
    least = int(np.floor((6.0 * SLOWEST_RPM * length_s + step_deg) / 360.0))
    most = int(np.ceil((6.0 * FASTEST_RPM * length_s + step_deg) / 360.0))
    turns = np.arange(max(least, 0), max(most, 1) + 1)
    turned = 360.0 * turns - step_deg
    speed = turned / length_s
    allowed = (speed >= 6.0 * SLOWEST_RPM) & (speed <= 6.0 * FASTEST_RPM)
    if not allowed.any():
        # A pause longer than the slowest turn: the nearest count stands in, and the gap is never certain.
        allowed[int(np.argmin(np.abs(np.log(np.maximum(speed, 1.0) / (6.0 * SLOWEST_RPM)))))] = True
    turns, turned, speed = turns[allowed], np.maximum(turned[allowed], 1e-3), np.maximum(speed[allowed], 1.0)
    angle_var = train.seen_sd_deg[k] ** 2 + train.seen_sd_deg[k + 1] ** 2
    time_var = train.time_sd_s[k] ** 2 + train.time_sd_s[k + 1] ** 2
    rel_sd = np.sqrt(angle_var + speed**2 * time_var) / turned
    turns_per_spark = round(1.0 / sparks_per_rev)
    cost = np.where(turns % turns_per_spark == 0, 0.0, OUT_OF_TURN_COST)
    missed = np.maximum(turns // turns_per_spark - 1, 0)
    cost = cost + MISSED_COST * missed
    if windows_s is not None:
        cost = cost + np.array([_seen_missed(train.time_s[k], length_s, int(m), windows_s) for m in missed])
    return _Gap(turns, speed, rel_sd, cost, length_s)


def _seen_missed(start_s: float, length_s: float, missed: int, windows_s: np.ndarray) -> float:
    """Cost of the flashes that the camera would have seen."""
    times = start_s + length_s * np.arange(1, missed + 1) / (missed + 1)
    return SEEN_MISSED_COST * float(np.count_nonzero(in_sight(times, windows_s)))


def _change_cost(one: _Gap, two: _Gap) -> np.ndarray:
    """Cost of every pair of candidates, (n_one, n_two): how much the speed would have had to change."""
    ratio = np.log(two.speed[None, :] / one.speed[:, None])
    slower = np.minimum(two.speed[None, :], one.speed[:, None])
    swept = 6.0 * HARDEST_RPM_PER_S * 0.5 * (one.length_s + two.length_s) / slower
    var = IRREGULAR_REL**2 + one.rel_sd[:, None] ** 2 + two.rel_sd[None, :] ** 2 + swept**2
    # Cauchy rather than Gauss: a stall and a restart must remain possible.
    return np.log1p(ratio**2 / var)


def _best_path(gaps: list[_Gap]) -> tuple[list[int], np.ndarray]:
    changes = [_change_cost(one, two) for one, two in pairwise(gaps)]
    best = gaps[0].cost
    came_from: list[np.ndarray] = []
    for change, gap in zip(changes, gaps[1:], strict=True):
        through = best[:, None] + change
        came_from.append(through.argmin(axis=0))
        best = through.min(axis=0) + gap.cost
    choice = [int(best.argmin())]
    for back in reversed(came_from):
        choice.append(int(back[choice[-1]]))
    choice.reverse()
    certain = np.ones(len(gaps), dtype=bool)
    for k, gap in enumerate(gaps):
        local = gap.cost.copy()
        if k > 0:
            local = local + changes[k - 1][choice[k - 1], :]
        if k < len(changes):
            local = local + changes[k][:, choice[k + 1]]
        others = np.delete(local, choice[k])
        stretched = gap.length_s > 60.0 / SLOWEST_RPM / 0.5
        certain[k] = not stretched and (len(others) == 0 or others.min() - local[choice[k]] >= CERTAIN_MARGIN)
    return choice, certain
