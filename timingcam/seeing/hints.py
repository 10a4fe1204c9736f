"""What the user points at in the picture, to angles on the maps.

In:  pixels in the first lit frame, as it is shown.
Out: `Hints` for naming.
Not here: what is made of them (`marks.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotUse
from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.marks import Hints
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.shift import moved_by
from timingcam.seeing.view import View


@dataclass(frozen=True, slots=True)
class Pointed:
    """Places in the first lit frame, as shown, pixels: the rotor's centre, the index, and marks by name."""

    centre_px: tuple[float, float] | None = None
    index_px: tuple[float, float] | None = None
    marks_px: tuple[tuple[str, float, float], ...] = ()

    def centre_stored(self, info: ClipInfo) -> np.ndarray | None:
        """The centre in stored pixels."""
        return None if self.centre_px is None else info.orientation.to_stored(np.array(self.centre_px))


def refuse_unknown_marks(engine: Engine, pointed: Pointed) -> None:
    """Refuse names of marks that the engine file does not have.

    Raises
    ------
    CannotUse
    """
    names = [mark.name for mark in engine.rotor.mark]
    for name, _, _ in pointed.marks_px:
        if name not in names:
            raise CannotUse(
                found=f"a mark {name!r} pointed at", expected="one of the engine file's marks: " + ", ".join(names),
                do="name the mark as the engine file does",
            )  # fmt: skip


def hints_on_maps(view: View, turns: FlashTurns, info: ClipInfo, pointed: Pointed) -> Hints:
    """Angles of the pointed places: of the index in the picture, of marks on the rotor at turn 0.

    Raises
    ------
    CannotUse
        If marks are pointed at and the first flashes could not be read, so that nobody knows which angle they show.
    """
    first = _first_located(turns)

    def on_plane(x: float, y: float) -> np.ndarray:
        frame_px = info.orientation.to_stored(np.array([x, y]))
        return view.pose.to_plane(moved_by(np.linalg.inv(turns.shift[first]), frame_px))

    def angle(x: float, y: float) -> float:
        at = on_plane(x, y)
        return float(np.degrees(np.arctan2(at[1], at[0])))

    index = None if pointed.index_px is None else angle(*pointed.index_px)
    if pointed.marks_px and not np.isfinite(turns.turn_deg[first]):
        raise CannotUse(
            found="a mark pointed at in a frame whose flash cannot be read", expected="a readable first flash",
            do="cut the clip so that it begins with a clear flash, or point at the index only",
        )  # fmt: skip
    marks = tuple((name, angle(x, y) - float(turns.turn_deg[first])) for name, x, y in pointed.marks_px)
    return Hints(index, marks)


def _first_located(turns: FlashTurns) -> int:
    """The first flash whose place is known: `marks.png` shows it as such."""
    readable = np.flatnonzero(np.isfinite(turns.turn_deg))
    return int(readable[0]) if len(readable) else 0
