"""Lit pictures to whether the metal is so bright that its marks drown.

In:  lit pictures, the table to linear light, about where the rotor stands.
Out: nothing, or the reason why not.
Not here: anything finer than that.
"""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.light import LitPicture
from timingcam.seeing.pose import ellipse_points
from timingcam.seeing.rings import Ring

WHITE = 0.96  # of the brightest light in the picture: white, give or take what the coding does to it
LEAST_WHITE = 0.8  # of full light: a camera that leaves the top of its range unused is 20 % off at most
MOST_WHITE = 0.5  # our choice: with half of the face white, where marks are is told by chance
INNER_SHARE = 0.6  # of the radius; the marks lie further out
N_PICTURES = 12


def refuse_over_exposed(lit: list[LitPicture], table: np.ndarray, rim: Ring) -> None:
    """Refuse a rotor most of whose face is white.

    Parameters
    ----------
    lit : list of LitPicture
    table : ndarray, shape (n_codes,)
        From coded luma to linear light.
    rim : Ring
        About where the rotor's rim is, pixels of the pictures.

    Raises
    ------
    CannotMeasure
    """
    face = _face(lit[0].luma.shape[:2], rim)
    white, seen = 0, 0
    for picture in lit[:: max(1, len(lit) // N_PICTURES)]:
        first, last = picture.rows
        linear = table[picture.luma[first : last + 1]]
        here = face[first : last + 1]
        if not here.any():
            continue
        # Sharpening overshoots beyond white; a camera may stay below it.
        brightest = min(float(np.percentile(linear, 99)), 1.0)
        white += int(np.sum(linear[here] >= max(WHITE * brightest, LEAST_WHITE)))
        seen += int(here.sum())
    if seen and white > MOST_WHITE * seen:
        raise CannotMeasure(
            found=f"a rotor that is over-exposed: {white / seen:.0%} of its face is white",
            expected="metal no brighter than mid-grey under the strobe",
            do="tap on the rotor and pull the exposure down before filming, or hold the strobe further away",
        )


def _face(shape: tuple[int, int], rim: Ring) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    for share, value in ((0.95, 1), (INNER_SHARE, 0)):
        outline = ellipse_points(rim.centre_px, (rim.axes_px[0] * share, rim.axes_px[1] * share), rim.angle_deg)
        cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], value)
    return mask > 0
