"""Where each cylinder stands and where it should stand once the moves have been made.

In:  aims, curves, `Move`s.
Out: `Outlook`s.
Not here: which moves (`settle.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from timingcam.reckoning.aim import COVERAGE_95, Aim, Target
from timingcam.reckoning.moves import Move, Outlook
from timingcam.reckoning.result import Curve, Estimate
from timingcam.reckoning.shares import Task


def outlooks(task: Task, aims: Sequence[Aim], curves: Sequence[Curve], moves: Sequence[Move]) -> tuple[Outlook, ...]:
    """Now and afterwards, for each cylinder.

    Parameters
    ----------
    task : Task
        That the moves were worked out from.
    aims, curves : sequence of Aim, of Curve
        One a cylinder, in the task's order.
    moves : sequence of Move

    Returns
    -------
    tuple of Outlook
    """
    return tuple(_outlook(task, i, aim, curve, moves) for i, (aim, curve) in enumerate(zip(aims, curves, strict=True)))


def _outlook(task: Task, i: int, aim: Aim, curve: Curve, moves: Sequence[Move]) -> Outlook:
    mine = [move for move in moves if aim.cylinder in move.cylinders and not move.leave]
    shift = math.fsum(move.change_deg for move in mine)
    hand_var = math.fsum(move.hand_sd_deg**2 for move in mine)
    rows = task.row_cylinder == i
    wanted = float(np.average(task.wanted_deg[rows], weights=1 / task.row_sd_deg[rows] ** 2))
    return Outlook(
        cylinder=aim.cylinder,
        low_now=aim.low.measured if aim.low else None,
        full_now=aim.full.measured if aim.full else None,
        low_aim_deg=aim.low_aim_deg,
        full_aim_deg=aim.full_aim_deg,
        full_limit_deg=aim.full_limit_deg,
        aimed_by=tuple(target.figure for target in aim.targets),
        shift_deg=shift,
        left_over_deg=wanted - shift,
        low_after=_shifted(aim.low, shift, hand_var),
        full_after=_shifted(aim.full, shift, hand_var),
        grid_rpm=curve.grid_rpm.copy(),
        now_deg=curve.grid_advance_deg.copy(),
        after_deg=curve.grid_advance_deg + shift,
        after_sd_deg=np.sqrt(curve.grid_sd_deg**2 + hand_var),
        ride_hard=_ride_hard(aim),
    )


def _ride_hard(aim: Aim) -> Literal["yes", "no", "not seen"]:
    if aim.full is None:
        return "not seen"
    return "no" if aim.full.measured.high > aim.full_limit_deg else "yes"


def _shifted(target: Target | None, shift: float, hand_var: float) -> Estimate | None:
    if target is None:
        return None
    value, sd = target.measured.value + shift, math.sqrt(target.measured.sd**2 + hand_var)
    return Estimate(value, sd, value - COVERAGE_95 * sd, value + COVERAGE_95 * sd)
