"""What to move, which way, how far: the types.

In:  what `adjust.py` and `learn.py` found.
Out: frozen dataclasses.
Not here: how anything is worked out (`adjust.py`), its words (`showing/moves_words.py`).

A change of advance is in crank degrees, positive where the spark comes earlier. Directions are as a person sees them
who faces the adjuster.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from timingcam.engine import Turning
from timingcam.reckoning.result import Estimate, freeze, same_length

Figure = Literal["low speed", "full advance"]


@dataclass(frozen=True, slots=True)
class Blade:
    """The feeler blade to set a gap with, or two together."""

    from_thou: float  # in it now
    exact_thou: float  # would be exactly right
    to_thou: float  # nearest that blades make
    blades_thou: tuple[float, ...]  # the blades for it
    left_over_deg: float  # what the nearest blade leaves undone, crank degrees, signed


@dataclass(frozen=True, slots=True)
class Move:
    """One adjuster: what to do with it. `leave` is empty where it is to be moved."""

    adjuster: str
    kind: Literal["turn", "slide", "gap"]
    cylinders: tuple[str, ...]
    change_deg: float  # that this step makes, after rounding to a blade; 0 where it is left
    wanted_deg: float  # that would be exactly right
    sd_deg: float  # of the wanted change: what measuring and conversion leave in doubt
    hand_sd_deg: float  # how well a hand sets it
    at_limit: bool  # it would have to go further than it may
    leave: str
    direction: Turning | None = None  # facing the adjuster; turns only
    gap: Literal["wider", "narrower"] | None = None  # slides and gaps only
    shaft_deg: float | None = None  # degrees at its own shaft, not negative; turns only
    divisions: float | None = None  # of its engraved scale, not negative
    rim_mm: float | None = None  # along its circle, not negative
    gap_change_thou: float | None = None  # not negative
    blade: Blade | None = None

    def __post_init__(self) -> None:
        if self.leave and self.change_deg != 0:
            raise ValueError(f"{self.adjuster} is left but changes {self.change_deg} degrees")
        if self.kind == "turn" and bool(self.direction) == bool(self.leave):
            raise ValueError(f"{self.adjuster} is either turned some way or left")


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """One cylinder: where it stands, what was aimed at, where it should stand afterwards.

    The predicted curve has shape (n_grid,), the grid of the measured one.
    """

    cylinder: str
    low_now: Estimate | None
    full_now: Estimate | None
    low_aim_deg: float
    full_aim_deg: float
    full_limit_deg: float
    aimed_by: tuple[Figure, ...]  # empty where the cylinder could not be judged
    shift_deg: float  # by all moves together
    left_over_deg: float  # of the wanted shift, signed: positive where it stays short of advance
    low_after: Estimate | None
    full_after: Estimate | None
    grid_rpm: np.ndarray
    now_deg: np.ndarray
    after_deg: np.ndarray
    after_sd_deg: np.ndarray  # of the measurement and of the hand that makes the moves
    ride_hard: Literal["yes", "no", "not seen"]  # whether full advance as it is now stays below its limit

    def __post_init__(self) -> None:
        grid = (self.grid_rpm, self.now_deg, self.after_deg, self.after_sd_deg)
        same_length("predicted curve", grid)
        freeze(*grid)


@dataclass(frozen=True, slots=True)
class Learned:
    """What one unit of an adjuster really did on this engine."""

    adjuster: str
    unit: Literal["divisions", "mm", "degrees", "thou"]
    deg_per_unit: float  # crank degrees, positive
    sd_deg: float
    nominal_deg_per_unit: float | None  # by the engine file


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """The advice: steps in the order in which to do them, then what is left alone."""

    engine_name: str
    steps: tuple[Move, ...]
    left: tuple[Move, ...]
    outlook: tuple[Outlook, ...]
    check_first: tuple[str, ...]
    warnings: tuple[str, ...]
    learned: tuple[Learned, ...] = ()
