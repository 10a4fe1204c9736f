"""Reading a rotor in steady light: whole frames, and texture as well as marks.

In:  frames as coded, a rotor's map.
Out: `steady_light`, `whole_picture`; `Reader`, which reads strips against a map.
Not here: how a strip is read (`angles.py`), which frames (`slow.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.seeing.angles import Turn, read_turn
from timingcam.seeing.cells import Cells, RotorMap, telling_cells
from timingcam.seeing.light import FlashLight
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.strips import Grid

# Our choice: in steady light texture stays sharp, so a pattern twice as strong as the noise counts by half already.
FAINT_SDS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """A rotor's map with what is needed to read by it."""

    rotor: RotorMap
    cells: Cells

    def turn(self, strip: np.ndarray, known: np.ndarray, near: Turn | None = None) -> Turn | None:
        """Angle of one strip, None where it cannot be read; see `read_turn`."""
        return read_turn(self.rotor, self.cells, strip, known, near)


def reader_of(grid: Grid, strips: list[np.ndarray], knowns: list[np.ndarray], centre_sd: float) -> Reader:
    """Build a map from strips, its fainter texture believed as far as it stands out of the noise.

    Parameters
    ----------
    grid : Grid
    strips, knowns : lists of ndarray, shape (n_radii, n_angles)
        Evened out, and where they are known.
    centre_sd : float
        See `RotorMap`.
    """
    rotor = build_map(grid, strips, knowns, centre_sd)
    noise = float(np.median(rotor.variance[rotor.known > 0]))
    strength = cv2.blur(rotor.light**2, (5, 5))
    rotor = replace(rotor, trust=(strength / (strength + FAINT_SDS**2 * noise)).astype(np.float32))
    return Reader(rotor, telling_cells(rotor))


def steady_light(table: np.ndarray) -> FlashLight:
    """Coded frames to the root of their light, with nothing taken away: there is no strobe."""
    return FlashLight(table, np.sqrt(table).astype(np.float32), None)


def whole_picture(light: FlashLight, luma: np.ndarray) -> np.ndarray:
    """Root of the light of all rows."""
    return light.picture(luma, (0, luma.shape[0] - 1))
