"""Pictures of flashes laid on one another: each may light a part only.

In:  lit pictures, and where the rotor is once that is known.
Out: `Stack`, the pictures with their shifts, their mean, and where that is known.
Not here: the rotor.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from timingcam.seeing.drum import Drum
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.place import by_the_place
from timingcam.seeing.pose import Pose
from timingcam.seeing.reference import FAIR_FIT, Reference, make_reference
from timingcam.seeing.register import refined_near, register
from timingcam.seeing.shift import Shift, no_shift
from timingcam.seeing.stack import Stack

ROWS_AT_ONCE = 64  # our choice: places of all pixels at once take ten times a picture's room
MOSTLY = 0.7  # our choice: of a picture's rows
WHOLLY = 253  # of 255: between pixels of which all are lit
BESIDE_ROTOR = 1.03  # rim radii; a rim's bright edge turns with it


def tallest_first(lit: list[LitPicture]) -> list[LitPicture]:
    """The picture of which most rows are lit, and then the others."""
    tallest = max(lit, key=lambda p: p.last - p.first)
    return [tallest, *(p for p in lit if p is not tallest)]


def lay(
    light: FlashLight,
    lit: list[LitPicture],
    pose: Pose | None = None,
    still: np.ndarray | None = None,
    before: Stack | None = None,
    lead: Stack | None = None,
) -> tuple[Stack, np.ndarray, np.ndarray]:
    """Lay the pictures on one another, from the first outwards: their shifts, their mean, and where that is known.

    Parameters
    ----------
    light : FlashLight
    lit : list of LitPicture
        The first one's pixels are the reference's, in which poses and masks are meant: best one that shows much.
    pose : Pose, optional
        Only what lies outside of this rotor counts.
    still : ndarray, shape (h, w), bool, optional
        Only what is in there counts. Given where a part of the rotor shows: then what stands still does not lie all
        round in one plane (`make_reference`).
    before : Stack, optional
        The same pictures as they were laid already: they are looked for there as well.
    lead : Stack, optional
        The same, by what surely stands still: they are looked for there alone.
    """

    def empty() -> _Mosaic:
        return _Mosaic(light, lit[0].luma.shape, pose, still)

    mosaic = empty()
    best, *waiting = lit
    mosaic.add(best, no_shift(mosaic.about_px))
    reference = mosaic.reference()
    failed: list[LitPicture] = []
    led: set[int] = set()
    while waiting:
        # What overlaps most comes first: laid by a few rows, a picture may fit where it does not belong.
        p = max(waiting, key=mosaic.overlap)
        if mosaic.grown() and mosaic.overlap(p) < MOSTLY:
            reference = mosaic.reference()
            continue
        waiting.remove(p)
        there, told = (None if k is None else k.between(best, p) for k in (before, lead))
        usual = reference.as_usual(mosaic.residuals(led))
        shift = _laid(usual, light.picture(p.luma, p.rows), p.rows, there, told)
        if shift is None:
            failed.append(p)
            continue
        mosaic.add(p, shift)
        if _leads(told):
            led.add(id(p))
        if mosaic.much_grown():
            reference = mosaic.reference()
            # They may fit now.
            waiting, failed = waiting + failed, []
    if failed:
        # Bands too low to overlap: the place's own light, which all frames show, says where they lie.
        place = lead or by_the_place(light, [best, *failed])
        for p in failed:
            shift = place.between(best, p)
            if shift is not None:
                mosaic.add(p, shift.about(mosaic.about_px))
                led.add(id(p))
    return _again(mosaic, led, empty).finished()


def _again(mosaic: _Mosaic, led: set[int], anew: Callable[[], _Mosaic]) -> _Mosaic:
    """Look again for pictures that fit much worse than most: the hand may have turned.

    Those in `led`, laid by the place's own light, stay: what they were left with is of that light.
    """
    searched = [k for k, p in enumerate(mosaic.lit) if k > 0 and id(p) not in led]
    reference = mosaic.reference().as_usual(mosaic.residuals(led))
    shifts = list(mosaic.shifts)
    for k in searched:
        p, shift = mosaic.lit[k], shifts[k]
        if shift.residual > reference.fair_fit:
            found = register(reference, mosaic.light.picture(p.luma, p.rows), p.rows, shift)
            shifts[k] = shift if found is None else found
    if all(one is other for one, other in zip(shifts, mosaic.shifts, strict=True)):
        return mosaic
    better = anew()
    for p, shift in zip(mosaic.lit, shifts, strict=True):
        better.add(p, shift)
    return better


def _leads(told: Shift | None) -> bool:
    return told is not None and told.residual <= FAIR_FIT


def _laid(
    reference: Reference, picture: np.ndarray, rows: tuple[int, int], before: Shift | None, lead: Shift | None
) -> Shift | None:
    if lead is None or not _leads(lead):
        return register(reference, picture, rows, before)
    # Looked for by all it shows, it may be laid by what turns.
    return refined_near(reference, picture, rows, lead) or lead.about(reference.about_px)


def outside(shape: tuple[int, ...], pose: Pose | Drum, radius: float) -> np.ndarray:
    """Where a picture shows what lies further out than a radius, shape (h, w) of bool."""
    result = np.empty(shape[:2], bool)
    xx = np.arange(shape[1], dtype=float)
    for first in range(0, shape[0], ROWS_AT_ONCE):
        yy = np.arange(first, min(first + ROWS_AT_ONCE, shape[0]), dtype=float)
        at = pose.to_plane(np.stack(np.broadcast_arrays(xx[None, :], yy[:, None]), axis=-1))
        result[first : first + ROWS_AT_ONCE] = np.hypot(at[..., 0], at[..., 1]) > radius
    return result


class _Mosaic:
    """Pictures laid on one another, growing: flashes may light a part of the picture each."""

    def __init__(self, light: FlashLight, shape: tuple[int, ...], pose: Pose | None, still: np.ndarray | None) -> None:
        self.light = light
        self.still = np.ones(shape, bool) if pose is None else outside(shape, pose, BESIDE_ROTOR)
        self.all_round = still is None
        if still is not None:
            self.still &= still
        # A camera turns about what it sees in the middle of its picture.
        self.about_px = np.array(shape[::-1]) / 2.0
        self.total = np.zeros(shape, np.float32)
        self.count = np.zeros(shape, np.float32)
        self.lit: list[LitPicture] = []
        self.shifts: list[Shift] = []
        self.known_before = 0
        self.rows_before = np.zeros(shape[0], bool)

    def add(self, p: LitPicture, shift: Shift) -> None:
        """Lay a picture where its shift says."""
        h, w = self.total.shape
        warp = shift.matrix()
        mask = np.zeros((h, w), np.uint8)
        mask[p.first : p.last + 1] = 255
        inverse = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        inside = (cv2.warpPerspective(mask, warp, (w, h), flags=inverse) >= WHOLLY).view(np.uint8)
        laid = cv2.warpPerspective(self.light.picture(p.luma, p.rows), warp, (w, h), flags=inverse)
        cv2.add(self.total, laid, self.total, inside)
        cv2.add(self.count, 1.0, self.count, inside)  # type: ignore[call-overload]
        self.lit.append(p)
        self.shifts.append(shift)

    def residuals(self, led: set[int]) -> list[float]:
        """What pictures were left with that were laid by what a flash lit: all but the first one and those in `led`."""
        laid = list(zip(self.lit, self.shifts, strict=True))[1:]
        return [shift.residual for p, shift in laid if id(p) not in led]

    def mean(self) -> np.ndarray:
        """The mean of the pictures so far."""
        return cv2.divide(self.total, np.maximum(self.count, 1))

    def reference(self) -> Reference:
        """A reference of all that is known so far."""
        self.known_before = int((self.count > 0).sum())
        self.rows_before = self._rows_known()
        known = self.count > 0
        return make_reference(self.mean(), known & self.still, self.about_px, known, all_round=self.all_round)

    def much_grown(self) -> bool:
        """Whether much more is known than when the last reference was made."""
        return int((self.count > 0).sum()) > 1.15 * self.known_before

    def grown(self) -> bool:
        """Whether any more rows are."""
        return bool((self._rows_known() & ~self.rows_before).any())

    def overlap(self, p: LitPicture) -> float:
        """Share of a picture's rows in which the last reference knew something."""
        return float(self.rows_before[p.first : p.last + 1].mean())

    def _rows_known(self) -> np.ndarray:
        return self.count[:, self.count.shape[1] // 2] > 0

    def finished(self) -> tuple[Stack, np.ndarray, np.ndarray]:
        """The pictures with their shifts, the mean, and where enough of them show something."""
        return Stack(self.light, self.lit, self.shifts), self.mean(), self.count >= max(1.0, 0.08 * len(self.lit))
