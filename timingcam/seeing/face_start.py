"""Where the shaft of a rotor lies of whose face a part shows through a hole: the first guess.

In:  pictures laid on one another, their mean, the hole.
Out: a pose to begin with, arcs and rim that are to be round in it, and how well its centre is known.
Not here: the refining (`rigid.py`).

Grooves and the rim are arcs about the centre, and tell it best. Where none shows, or straight edges of the hole are
taken for them, what moves tells where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.arcs import ArcsSeen, HoleTold, find_arcs
from timingcam.seeing.opening import NotAPart, Opening
from timingcam.seeing.stack import Stack
from timingcam.seeing.turned_about import Centre, centre_by_turning

# Our choice: arcs tell the centre to a few thousandths where they are sharp.
ARCS_SD = 0.02
APART_SHARE = 0.15  # our choice, of the distance: arcs and turning that differ by more are about two centres


@dataclass(frozen=True, slots=True, eq=False)
class FaceStart:
    """The pose and arcs, and the sd of where its centre is, in its distance from what shows."""

    arcs: ArcsSeen
    centre_sd: float


def find_face(
    stack: Stack, what: tuple[np.ndarray, np.ndarray], opening: Opening, hole: HoleTold, *, a_part: bool
) -> FaceStart:
    """Guess where a face lies.

    Parameters
    ----------
    stack : Stack
    what : (ndarray, ndarray)
        The mean picture, and where it is known.
    opening : Opening
    hole : HoleTold
    a_part : bool
        Whether it is known that only a part shows.

    Raises
    ------
    NotAPart
        If neither arcs nor what moves tell a centre, or it lies in the opening itself, or too far off.
    """
    mean, known = what
    turning = centre_by_turning(stack, opening, mean)
    try:
        arcs = find_arcs(mean, known, opening, hole, a_part=a_part)
    except NotAPart:
        if turning is None:
            raise
    else:
        if turning is None or _are_one(arcs, turning, opening):
            return FaceStart(arcs, ARCS_SD)
    arcs = find_arcs(mean, known, opening, hole, a_part=True, centre=turning.at_px)
    return FaceStart(arcs, float(np.hypot(turning.sd, ARCS_SD)))


def _are_one(arcs: ArcsSeen, turning: Centre, opening: Opening) -> bool:
    """Whether arcs and turning are about the same centre."""
    far = float(np.linalg.norm(turning.at_px - opening.middle_px()))
    return float(np.linalg.norm(arcs.pose.centre_px - turning.at_px)) < APART_SHARE * far
