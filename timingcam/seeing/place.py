"""Pictures laid by the place's own light: what their unlit rows show, in which a turning rotor is a blur.

In:  lit pictures, the place's own light.
Out: `Stack`, of those that fit; `Ahead`, where a picture is likely to lie against another reference.
Not here: laying them by what a flash lit (`mosaic.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.light import FlashLight, LitPicture, looked_up
from timingcam.seeing.reference import Reference, make_reference
from timingcam.seeing.register import NEAR_SHARE, register
from timingcam.seeing.shift import Shift, between, no_shift
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
        shift = p.lies or place_of(reference, light, p.luma, p.rows)
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


def place_of(reference: Reference, light: FlashLight, luma: np.ndarray, lit: tuple[int, int]) -> Shift | None:
    """Where a picture lies by what its unlit rows show; None where these are few, or fit nowhere."""
    above, below = (0, lit[0] - BESIDE_BAND), (lit[1] + BESIDE_BAND, len(luma) - 1)
    rows = max(above, below, key=lambda r: r[1] - r[0])
    if rows[1] - rows[0] < LEAST_DARK * len(luma):
        return None
    return register(reference, looked_up(luma, light.root), rows)


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """Where pictures are likely to lie against a reference, by what their unlit rows show: a thin slice may fit it
    where it does not belong. `from_place` is the shift from the place's own picture to that reference."""

    light: FlashLight
    place: Reference
    from_place: Shift

    @staticmethod
    def of(light: FlashLight, reference: Reference) -> Ahead | None:
        """By the place's own light; None where that does not matter, or does not fit the reference."""
        place = place_reference(light)
        if place is None or light.ambient is None:
            return None
        shift = register(reference, np.sqrt(light.ambient), (0, len(light.ambient) - 1))
        return None if shift is None else Ahead(light, place, between(shift, no_shift(shift.about_px)))

    def where(self, luma: np.ndarray, lit: tuple[int, int]) -> Shift | None:
        """From the reference's pixels to those of a picture of which a flash lit some rows, the first and the last;
        None where too little of it is unlit, or fits nowhere."""
        shift = place_of(self.place, self.light, luma, lit)
        return None if shift is None else between(self.from_place, shift)


def leading(place: Stack) -> Stack | None:
    """Pictures laid by the place's own light, if the hand moved so little that this is sharp; else None."""
    if not place.shifts:
        return None
    moved = [np.hypot(*(shift.apply(shift.about_px) - shift.about_px)) for shift in place.shifts]
    return place if max(moved) < NEAR_SHARE * place.lit[0].luma.shape[1] else None
