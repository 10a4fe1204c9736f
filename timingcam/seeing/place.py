"""Pictures laid by the place's own light: what their unlit rows show, in which a turning rotor is a blur.

In:  lit pictures, the place's own light.
Out: `Stack`, of those that fit.
Not here: laying them by what a flash lit (`mosaic.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.reference import Reference, make_reference
from timingcam.seeing.register import NEAR_SHARE, register
from timingcam.seeing.shift import Shift
from timingcam.seeing.stack import Stack

BESIDE_BAND = 16  # rows that a soft edge may reach
LEAST_DARK = 0.25  # our choice: of the frame's rows


def by_the_place(light: FlashLight, lit: list[LitPicture]) -> Stack:
    """Lay pictures by what their unlit rows show, as far as that fits.

    A turning rotor is a blur there that stands still. The flash came within the frame's time: the hand hardly moved
    between.
    """
    reference = place_reference(light)
    if reference is None:
        return Stack(light, [], [])
    laid, shifts = [], []
    for p in lit:
        shift = p.lies or place_of(reference, light, p)
        if shift is not None:
            laid.append(p)
            shifts.append(shift)
    return Stack(light, laid, shifts)


def place_reference(light: FlashLight) -> Reference | None:
    """What the place shows by its own light; None where that does not matter."""
    if light.ambient is None:
        return None
    known = light.ambient > 0
    return make_reference(np.sqrt(light.ambient), known, np.array(known.shape[::-1]) / 2.0, known)


def place_of(reference: Reference, light: FlashLight, p: LitPicture) -> Shift | None:
    """Where a picture lies by what its unlit rows show; None where these are few, or fit nowhere."""
    above, below = (0, p.first - BESIDE_BAND), (p.last + BESIDE_BAND, len(p.luma) - 1)
    rows = max(above, below, key=lambda r: r[1] - r[0])
    if rows[1] - rows[0] < LEAST_DARK * len(p.luma):
        return None
    return register(reference, np.sqrt(light.table[p.luma]).astype(np.float32), rows)


def leading(place: Stack) -> Stack | None:
    """Pictures laid by the place's own light, if the hand moved so little that this is sharp; else None."""
    if not place.shifts:
        return None
    moved = [np.hypot(*(shift.apply(shift.about_px) - shift.about_px)) for shift in place.shifts]
    return place if max(moved) < NEAR_SHARE * place.lit[0].luma.shape[1] else None
