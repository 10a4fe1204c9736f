"""Wanted shifts of the cylinders shared out among the adjusters: weighted least squares with bounds.

In:  `Task`: which adjuster moves which cylinder, what each figure wants, how far each adjuster may go.
Out: the change that each adjuster makes, and its doubt.
Not here: blades, directions, words (`adjust.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.optimize import lsq_linear

ROUNDING_DEG = 1e-9  # beyond a limit by less than this is at it
PIN_SD_DEG = 1e-3  # our choice: a limit holds to a thousandth of a degree, far below what any hand can set


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """Rows are figures of cylinders, columns adjusters; all angles crank degrees."""

    coupling: np.ndarray  # (n_cylinders, n_adjusters): 1 where the adjuster moves the cylinder, else 0
    row_cylinder: np.ndarray  # (n_rows,) int
    wanted_deg: np.ndarray  # (n_rows,)
    row_sd_deg: np.ndarray  # (n_rows,) to weight by
    random_sd_deg: np.ndarray  # (n_rows,) of measuring
    common_sd_deg: np.ndarray  # (n_cylinders,) of measuring, the same for all rows of a cylinder
    room_deg: np.ndarray  # (n_cylinders,) shift at which full advance meets its limit; inf where not known
    low_deg: np.ndarray  # (n_adjusters,) bounds
    high_deg: np.ndarray
    cost: np.ndarray  # (n_adjusters,) of moving it at all, in units of chi-squared
    forced: np.ndarray  # (n_adjusters,) bool: must move, whatever the timing


def share(task: Task, using: np.ndarray) -> np.ndarray:
    """Changes of the adjusters in use that fit the wanted shifts best, full-advance limits kept where they can be.

    Parameters
    ----------
    task : Task
    using : ndarray of bool, shape (n_adjusters,)

    Returns
    -------
    ndarray, shape (n_adjusters,)
        Crank degrees, positive earlier; 0 for those not in use.

    References
    ----------
    .. [1] P. B. Stark and R. L. Parker, Bounded-variable least squares, Comput. Stat. 10 (1995) 129-141: the method
       of `scipy.optimize.lsq_linear`.
    """
    change = np.zeros(len(using))
    if not using.any():
        return change
    pinned: list[int] = []
    while True:
        rows = task.coupling[np.r_[task.row_cylinder, np.array(pinned, dtype=int)]][:, using]
        wanted = np.r_[task.wanted_deg, task.room_deg[pinned]]
        sd = np.r_[task.row_sd_deg, np.full(len(pinned), PIN_SD_DEG)]
        bounds = (task.low_deg[using], task.high_deg[using])
        found = lsq_linear(rows / sd[:, None], wanted / sd, bounds, method="bvls")
        change[using] = found.x
        beyond = task.coupling @ change - task.room_deg
        beyond[pinned] = -np.inf
        if not (beyond > PIN_SD_DEG).any():
            return change
        pinned.append(int(np.argmax(beyond)))


def choose(task: Task) -> np.ndarray:
    """Which adjusters to use: each must earn its cost by what it mends.

    Parameters
    ----------
    task : Task

    Returns
    -------
    ndarray of bool, shape (n_adjusters,)
        The set with the least chi-squared and cost together, over all sets.
    """
    free = [int(i) for i in np.flatnonzero(~task.forced & (task.high_deg > task.low_deg))]
    best, best_cost = task.forced.copy(), np.inf
    for count in range(len(free) + 1):
        for chosen in combinations(free, count):
            using = task.forced.copy()
            using[list(chosen)] = True
            change = share(task, using)
            cost = misfit(task, change) + float(task.cost[using].sum())
            if cost < best_cost - ROUNDING_DEG:
                best, best_cost = using, cost
    return best


def misfit(task: Task, change_deg: np.ndarray) -> float:
    """Chi-squared of what changes leave undone.

    Parameters
    ----------
    task : Task
    change_deg : ndarray, shape (n_adjusters,)

    Returns
    -------
    float
        Shifts beyond a full-advance limit count as by its own doubt, so that no set is preferred that passes it.
    """
    shift = task.coupling @ change_deg
    off = (task.wanted_deg - shift[task.row_cylinder]) / task.row_sd_deg
    beyond = np.maximum(shift - task.room_deg, 0.0) / PIN_SD_DEG
    return float(off @ off + beyond @ beyond)


def doubt(task: Task, using: np.ndarray) -> np.ndarray:
    """Standard uncertainty of each adjuster's change, from the doubt of what was measured.

    Parameters
    ----------
    task : Task
    using : ndarray of bool, shape (n_adjusters,)

    Returns
    -------
    ndarray, shape (n_adjusters,)
        Crank degrees; 0 for those not in use.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.2: correlated inputs. A clip's systematic doubt shifts all of its figures alike.
    """
    sd = np.zeros(len(using))
    if using.any():
        rows = task.coupling[task.row_cylinder][:, using] / task.row_sd_deg[:, None]
        gain = np.linalg.pinv(rows) / task.row_sd_deg
        same_clip = task.row_cylinder[:, None] == task.row_cylinder[None, :]
        covariance = np.diag(task.random_sd_deg**2) + same_clip * task.common_sd_deg[task.row_cylinder] ** 2
        sd[using] = np.sqrt(np.diag(gain @ covariance @ gain.T))
    return sd


def with_done(task: Task, change_deg: np.ndarray, fixed: np.ndarray) -> Task:
    """The task that is left when some adjusters have been set and stay as they are.

    Parameters
    ----------
    task : Task
    change_deg : ndarray, shape (n_adjusters,)
        What they did; 0 for the others.
    fixed : ndarray of bool, shape (n_adjusters,)
        Those that may not be moved any more.

    Returns
    -------
    Task
    """
    shift = task.coupling @ change_deg
    return replace(
        task,
        wanted_deg=task.wanted_deg - shift[task.row_cylinder],
        room_deg=task.room_deg - shift,
        low_deg=np.where(fixed, 0.0, task.low_deg),
        high_deg=np.where(fixed, 0.0, task.high_deg),
        forced=task.forced & ~fixed,
    )
