"""What was found, as lines to draw over a picture: rotor's outline, index, marks.

In:  `Pictures`, a flash, and how the rotor's plane lies in the picture that is drawn on.
Out: `Found`, points in pixels of that picture.
Not here: the drawing (`marks_sheet.py`, `film_overlay.py`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from timingcam.reckoning.result import Pictures

# In rotor radii. What is drawn leaves the lines themselves free, so that a person can see whether it goes on from them.
GAP = 0.02
LENGTH = 0.12
NAME_GAP = 0.07
NAME_ROOM = 0.08
CROWDED_DEG = 14.0  # our choice: names of marks nearer than this would lie on one another
MARK_INK = "#ffd23f"
INDEX_INK = "#ff6b5e"
RIM_INK = "#f4f1ec"


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What was found in one flash, in pixels of the picture that it is drawn on."""

    rim: np.ndarray  # (361, 2)
    index: np.ndarray  # (3, 2) an open arrow: its tip, in the middle, is where the index ends
    marks: np.ndarray  # (n_marks, 2, 2) from each mark's inner end inwards; NaN where the angle could not be read
    names_at: np.ndarray  # (n_marks, 2)

    def without_marks(self) -> Found:
        """Outline and index alone."""
        return replace(self, marks=np.full_like(self.marks, np.nan))


def place(from_rotor: np.ndarray | None, angle_deg: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """Points of the rotor's plane in the picture.

    Parameters
    ----------
    from_rotor : ndarray, shape (3, 3), or None
        Rotor's plane to pixels; None where it is not known.
    angle_deg, radius : ndarray, one shape
        Degrees clockwise from the right, and rotor radii.

    Returns
    -------
    ndarray, shape (..., 2)
        x and y in pixels; NaN where unknown.
    """
    angle = np.radians(angle_deg)
    if from_rotor is None:
        return np.full((*angle.shape, 2), np.nan)
    on_rotor = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.ones_like(angle)], axis=-1)
    seen = on_rotor @ from_rotor.T
    return seen[..., :2] / seen[..., 2:]


def found_in(pictures: Pictures, flash: int, from_rotor: np.ndarray | None) -> Found:
    """What was found in one flash.

    Parameters
    ----------
    pictures : Pictures
        Marks, index, the rotor's angle.
    flash : int
        Which.
    from_rotor : ndarray, shape (3, 3), or None
        Rotor's plane to pixels of the picture to draw on; None where it is not known.

    Returns
    -------
    Found
    """
    angles = pictures.mark_deg + pictures.rotor_deg[flash]
    return found_at(from_rotor, (angles, pictures.mark_radius.min(axis=1)), (pictures.index_deg, pictures.index_radius))


def found_at(
    from_rotor: np.ndarray | None, marks: tuple[np.ndarray, np.ndarray], index: tuple[float, float] | None
) -> Found:
    """Lines for what stands at known places.

    Parameters
    ----------
    from_rotor : ndarray, shape (3, 3), or None
        Rotor's plane to pixels of the picture to draw on; None where it is not known.
    marks : tuple of ndarray, each shape (n_marks,)
        Their angles, and the radii of their inner ends.
    index : tuple of float or None
        Its angle and the radius of its end nearest the marks; None where it was not found.

    Returns
    -------
    Found
    """
    around = np.linspace(0.0, 360.0, 361)
    angles, inner = marks
    index_deg, r = (np.nan, np.nan) if index is None else index
    line = np.stack([inner - GAP, inner - GAP - LENGTH], axis=1)
    return Found(
        rim=place(from_rotor, around, np.ones_like(around)),
        index=place(from_rotor, index_deg + np.array([-6.0, 0.0, 6.0]), np.array([r + LENGTH, r, r + LENGTH])),
        marks=place(from_rotor, np.stack([angles, angles], axis=1), line),
        names_at=place(from_rotor, angles, inner - GAP - LENGTH - NAME_GAP - _stagger(angles)),
    )


def _stagger(mark_deg: np.ndarray) -> np.ndarray:
    """How much further in a name stands, so that it does not lie on its neighbour's."""
    extra = np.zeros(len(mark_deg))
    order = np.argsort(mark_deg % 360.0)
    for before, this in itertools.pairwise(order):
        if (mark_deg[this] - mark_deg[before]) % 360.0 < CROWDED_DEG and extra[before] == 0.0:
            extra[this] = NAME_ROOM
    return extra
