"""Long flashes: strips of all flashes made as smeared as that of the fastest rotor.

In:  the flashes, how often the rotor turns from one to the next; evened-out strips.
Out: by how much each flash smears the rotor; strips that are smeared alike.
Not here: where a flash's centre of light lies (`reckoning/budget.py`).

A flash of some length smears the rotor over the angle by which it turns meanwhile, the faster one the more. A map of
flashes at all speeds is sharper than the fast ones and less sharp than the slow ones, and robust weights make an error
of the angle of what is left: some per cent of the smear, to one side. Smeared alike, nothing is left.
"""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.seeing.flashes import Flashes
from timingcam.seeing.strips import Grid

# Our choice: marks are seldom broader, and where a flash smears them by less they keep their shape.
LEAST_DEG = 1.5
MOST_DEG = 8.0  # our choice: marks are seldom nearer to one another; smeared over that, they run into one another
LEAST_SHARE = 1 / 3  # our choice: at idle and somewhat above
ALL_KNOWN = 0.98  # our choice: of what is smeared into a cell
LEAST_CELLS = 0.3  # our choice: of a cell, an sd by which smearing changes nothing
REACH_SDS = 3.0  # of a normal curve, beyond which less than a hundredth lies


def smear_deg_per_hz(flashes: Flashes, turns_per_flash: float) -> float:
    """By how much a flash smears the rotor at one flash a second, degrees; 0 where its length is not known."""
    return 360.0 * turns_per_flash * (flashes.length_s or 0.0)


def common_smear_deg(own_deg: np.ndarray) -> float:
    """The smear that all strips are to have: that of the most smeared, within bounds; 0 where none is smeared much."""
    most = float(np.max(own_deg, initial=0.0, where=np.isfinite(own_deg)))
    return 0.0 if most < LEAST_DEG else min(most, MOST_DEG)


def least_smeared(own_deg: np.ndarray) -> np.ndarray:
    """Which strips show marks that lie close to one another, shape (n,) of bool: where some are smeared much, those
    that are not, a third of all at least; all of them else."""
    if not common_smear_deg(own_deg):
        return np.ones(len(own_deg), bool)
    return np.asarray(own_deg <= max(LEAST_DEG, float(np.nanquantile(own_deg, LEAST_SHARE))))


def smeared_to(
    strip: np.ndarray, known: np.ndarray, grid: Grid, own_deg: float, to_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """A strip smeared along the angle from its own smear to another, and where all that goes into it is known.

    Parameters
    ----------
    strip, known : ndarray, shape (n_radii, n_angles)
        Evened out, and where it is known.
    grid : Grid
    own_deg, to_deg : float
        Angles by which the rotor turned in the flash, and is to have turned. A strip of more smear stays as it is.

    Notes
    -----
    What a light that is even over the flash smears by has a mean square of a twelfth of the angle's square; a normal
    curve makes up for what is missing.
    """
    if not to_deg > own_deg:
        return strip, known
    sd = float(np.sqrt((to_deg**2 - own_deg**2) / 12.0)) / grid.step_deg
    if sd < LEAST_CELLS:
        return strip, known
    reach = int(np.ceil(REACH_SDS * sd))
    there = known.astype(np.float32)
    share = _along(there, sd, reach)
    known = known & (share > ALL_KNOWN)
    light = _along(strip.astype(np.float32) * there, sd, reach)
    return np.where(known, light / np.maximum(share, ALL_KNOWN), 0.0).astype(np.float32), known


def _along(strip: np.ndarray, sd: float, reach: int) -> np.ndarray:
    around = np.concatenate([strip[:, -reach:], strip, strip[:, :reach]], axis=1)
    kernel = cv2.getGaussianKernel(2 * reach + 1, sd, cv2.CV_32F).T
    return cv2.filter2D(around, -1, kernel, borderType=cv2.BORDER_REPLICATE)[:, reach:-reach]
