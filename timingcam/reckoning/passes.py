"""Passes of the switching point: which count, and what they give together.

In:  the lamp's switchings, how the rotor stood at each, its course.
Out: which switchings are of the spark's point and why some are left out; the mean with its doubt.
Not here: pictures; where any of it was found (`static.py`).

Only passes in the running direction count, and only after the slack of chain and gears has been taken up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from timingcam.reckoning.course import run_up_deg, turning_points
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.result import BudgetRow, Estimate
from timingcam.seeing.switching import Switching

SparkAt = Literal["lamp-on", "lamp-off"]

RUN_UP_DEG = 10.0  # our choice, crank degrees: slack of chain and gears is a few degrees at most
LEAST_SPEED_DEG_S = 0.8  # our choice: slower than this a hand's tremble decides the direction
PASS_SD_DEG = 0.1  # our choice: no pass repeats better than this, so none outweighs the rest by more
FEW_PASSES = 3
BACKWARDS = "turned backwards"
NO_RUN_UP = f"less than {RUN_UP_DEG:.0f} degrees forwards before it: slack may not have been taken up"
TOO_SLOW = "the rotor hardly moved"
UNREAD = "the rotor could not be read there"
OTHER_EDGE = "the lamp's other switching"


@dataclass(frozen=True, slots=True)
class Pass:
    """One time that the rotor passed the switching point.

    `speed_deg_s` is the crank's speed in its running direction, negative backwards; `sd_deg` is this pass's own doubt.
    """

    time_s: float
    advance_deg: float
    sd_deg: float
    speed_deg_s: float
    used: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Stand:
    """How the rotor stood at a switching: turn (fine reading), its sd, speed in the running direction, degrees a s.

    `time_sd_deg` is what the doubt of the switching's own time comes to at that speed; `rows` how many rows lie between
    where the lamp and where the rotor is read; `lag_sd_s` the doubt of the lamp's own slowness.
    """

    turn_deg: float
    sd_deg: float
    time_sd_deg: float
    speed_deg_s: float
    rows: float
    lag_sd_s: float


def judge_passes(
    events: list[Switching], stands: list[Stand | None], forward_deg: np.ndarray, time_s: np.ndarray, spark_at: SparkAt
) -> list[tuple[bool, str]]:
    """Which switchings are of the spark's point, and why some of those are left out.

    Parameters
    ----------
    events : list of Switching
    stands : list of Stand or None
        None where the rotor could not be read.
    forward_deg, time_s : ndarray, shape (n_frames,)
        The rotor's course.
    spark_at : {"lamp-on", "lamp-off"}

    Returns
    -------
    list of (bool, str)
        Whether it is a pass of the spark's point, either way; why it is left out, empty where it counts.

    Notes
    -----
    A lamp that lights at a point when turned forwards goes out there when turned backwards.
    """
    turns = turning_points(forward_deg)
    judged = []
    for event, stand in zip(events, stands, strict=True):
        forwards_kind = event.on == (spark_at == "lamp-on")
        if stand is None:
            judged.append((forwards_kind, UNREAD))
        elif abs(stand.speed_deg_s) < LEAST_SPEED_DEG_S:
            judged.append((True, TOO_SLOW))
        elif stand.speed_deg_s < 0:
            judged.append((not forwards_kind, BACKWARDS))
        else:
            frame = int(np.argmin(np.abs(time_s - event.time_s)))
            enough = run_up_deg(forward_deg, turns, frame) >= RUN_UP_DEG
            judged.append((forwards_kind, "" if enough else NO_RUN_UP))
    return [(of_spark, reason if of_spark else OTHER_EDGE) for of_spark, reason in judged]


def mean_of_passes(passes: list[Pass], common: list[BudgetRow]) -> tuple[Estimate, float | None, BudgetRow]:
    """Mean advance of the passes used, their repeatability, and the random doubt of the mean.

    Parameters
    ----------
    passes : list of Pass
        Those used; at least one.
    common : list of BudgetRow
        Doubts that all passes share.

    Returns
    -------
    advance : Estimate
    repeatability_deg : float or None
        Sd of single passes; None with fewer than three.
    row : BudgetRow
        The random part.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 4.2 (scatter of repeated readings), G.4.1 (degrees of freedom).
    """
    near = passes[0].advance_deg
    each = near + np.array([(p.advance_deg - near + 180.0) % 360.0 - 180.0 for p in passes])
    own = np.hypot([p.sd_deg for p in passes], PASS_SD_DEG)
    share = own**-2 / (own**-2).sum()
    mean, n = float((share * each).sum()), len(each)
    known = float(np.sqrt((share**2 * own**2).sum()))  # by what each pass should be good for
    if n == 1:
        random = Part(known)
    else:
        seen = float(np.sqrt((share * (each - mean) ** 2).sum() / (n - 1)))
        # Few passes may agree by chance: the mean is no better than its passes can be.
        random = Part(seen, float(n - 1)) if seen > known else Part(known)
    advance = estimate(mean, [random, *(Part(row.effect_deg) for row in common)])
    repeats = float(np.std(each, ddof=1)) if n >= FEW_PASSES else None
    return advance, repeats, BudgetRow(f"{n} passes" if n > 1 else "one pass", random.sd, "deg", "random", random.sd)
