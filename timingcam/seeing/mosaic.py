"""Pictures of flashes laid on one another: each may light a part only.

In:  lit pictures, and where the rotor is once that is known.
Out: `Stack`, the pictures with their shifts, their mean, and where that is known.
Not here: the rotor.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.drum import Drum
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.pose import Pose
from timingcam.seeing.reference import FAIR_FIT, Reference, make_reference
from timingcam.seeing.register import NEAR_SHARE, refined_near, register
from timingcam.seeing.shift import Shift, between, no_shift
from timingcam.seeing.strips import Grid, Lies, Part, make_sampler, read_strip

BESIDE_BAND = 16  # rows that a soft edge may reach
LEAST_DARK = 0.25  # our choice: of the frame's rows
ROWS_AT_ONCE = 64  # our choice: places of all pixels at once take ten times a picture's room
MOSTLY = 0.7  # our choice: of a picture's rows
WHOLLY = 253  # of 255: between pixels of which all are lit
BESIDE_PX = 3  # what light between pixels is worked out from, and one to spare
POSES_NEAR = 1.15  # our choice: refining moves a centre or a size by a few percent
BESIDE_ROTOR = 1.03  # rim radii; a rim's bright edge turns with it


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Pictures with their shifts."""

    light: FlashLight
    lit: list[LitPicture]
    shifts: list[Shift]

    @property
    def rate_hz(self) -> np.ndarray:
        """How fast flashes come about each picture, shape (n,)."""
        return np.array([lit.rate_hz for lit in self.lit])

    def between(self, one: LitPicture, other: LitPicture) -> Shift | None:
        """From one picture's pixels to another's; None where either was not laid."""
        of = {id(lit): shift for lit, shift in zip(self.lit, self.shifts, strict=True)}
        first, second = of.get(id(one)), of.get(id(other))
        return None if first is None or second is None else between(first, second)

    def without(self, others: list[LitPicture]) -> Stack:
        """All but some of the pictures."""
        left = {id(p) for p in others}
        kept = [(p, shift) for p, shift in zip(self.lit, self.shifts, strict=True) if id(p) not in left]
        return Stack(self.light, [p for p, _ in kept], [shift for _, shift in kept])

    def strips(self, pose: Lies, grid: Grid, part: Part | None = None) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """Every picture's strip, evened out, and where it is known."""
        read = list(self.each_strip(pose, grid, part))
        return [strip for strip, _ in read], [known for _, known in read]

    def each_strip(self, pose: Lies, grid: Grid, part: Part | None = None) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """The same one after another: all of a large grid take much room."""
        sampler = make_sampler(grid, pose, part)
        corners_px = sampler.corners_px()
        for lit, shift in zip(self.lit, self.shifts, strict=True):
            yield read_strip(sampler, *self.cut(lit, shift, corners_px))

    @property
    def reference(self) -> int:
        """Which picture's pixels are the reference's: the one that was laid without any doubt."""
        return int(np.argmin([shift.residual for shift in self.shifts]))

    def smaller(self, by: int) -> Stack:
        """The same of pictures so many times smaller."""
        if by == 1:
            return self
        return Stack(
            self.light.smaller(by), [lit.smaller(by) for lit in self.lit], [shift.smaller(by) for shift in self.shifts]
        )

    def cut(self, lit: LitPicture, shift: Shift, corners_px: np.ndarray) -> tuple[np.ndarray, Shift, tuple[int, int]]:
        """The light of a part of a picture, the shift into its pixels, and its lit rows.

        Parameters
        ----------
        lit : LitPicture
        shift : Shift
            From the reference to the picture.
        corners_px : ndarray, shape (n, 2)
            Of what is wanted, in the reference.
        """
        at = shift.apply(corners_px)
        width = lit.luma.shape[1]
        x0, x1 = _span(at[:, 0], 0, width)
        y0, y1 = _span(at[:, 1], lit.first, lit.last + 1)
        picture = self.light.part((y0, y1), (x0, x1)).picture(lit.luma[y0:y1, x0:x1], (0, y1 - y0 - 1))
        return picture, shift.from_corner((x0, y0)), (0, y1 - y0 - 1)


def _span(at_px: np.ndarray, first: int, beyond: int) -> tuple[int, int]:
    """The pixels of a line that some places on it need, from the first to before the last; one at least."""
    low = int(np.clip(np.floor(at_px.min()) - BESIDE_PX, first, beyond - 1))
    return low, int(np.clip(np.ceil(at_px.max()) + BESIDE_PX, low + 1, beyond))


def strips_by_pose(
    stack: Stack, start: Lies, grid: Grid, part: Part | None = None
) -> Callable[[Lies], tuple[np.ndarray, np.ndarray]]:
    """A function from a pose near the given one to all pictures' strips and where each is known, both (n, n_radii,
    n_angles)."""
    corners_px = make_sampler(grid, start, part).corners_px()
    middle = corners_px.mean(axis=0)
    cuts = [
        stack.cut(lit, shift, middle + POSES_NEAR * (corners_px - middle))
        for lit, shift in zip(stack.lit, stack.shifts, strict=True)
    ]

    def strips_of(pose: Lies) -> tuple[np.ndarray, np.ndarray]:
        sampler = make_sampler(grid, pose, part)
        read = [read_strip(sampler, *cut) for cut in cuts]
        return np.stack([strip for strip, _ in read]), np.stack([known for _, known in read])

    return strips_of


def tallest(lit: list[LitPicture]) -> LitPicture:
    """The picture of which most rows are lit."""
    return max(lit, key=lambda p: p.last - p.first)


def lay(
    light: FlashLight,
    lit: list[LitPicture],
    pose: Pose | None = None,
    still: np.ndarray | None = None,
    before: Stack | None = None,
    lead: Stack | None = None,
) -> tuple[Stack, np.ndarray, np.ndarray]:
    """Lay the pictures on one another, from one outwards: their shifts, their mean, and where that is known.

    Parameters
    ----------
    light : FlashLight
    lit : list of LitPicture
    pose : Pose, optional
        Only what lies outside of this rotor counts.
    still : ndarray, shape (h, w), bool, optional
        Only what is in there counts, in the pixels of the first of `lit`, which is the reference then. Given where a
        part of the rotor shows: then what stands still does not lie all round in one plane (`make_reference`).
    before : Stack, optional
        The same pictures as they were laid already: they are looked for there as well.
    lead : Stack, optional
        The same, by what surely stands still: they are looked for there alone.

    Notes
    -----
    The tallest picture's pixels are the reference's, or the first one's where it is told what is still.
    """

    def empty() -> _Mosaic:
        return _Mosaic(light, lit[0].luma.shape, pose, still)

    mosaic = empty()
    best = lit[0] if still is not None else tallest(lit)
    mosaic.add(best, no_shift(mosaic.about_px))
    waiting = [p for p in lit if p is not best]
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


def by_the_place(light: FlashLight, lit: list[LitPicture]) -> Stack:
    """Lay pictures by what their unlit rows show, as far as that fits.

    A turning rotor is a blur there that stands still. The flash came within the frame's time: the hand hardly moved
    between.
    """
    if light.ambient is None:
        return Stack(light, [], [])
    known = light.ambient > 0
    reference = make_reference(np.sqrt(light.ambient), known, np.array(known.shape[::-1]) / 2.0, known)
    laid, shifts = [], []
    for p in lit:
        above, below = (0, p.first - BESIDE_BAND), (p.last + BESIDE_BAND, len(p.luma) - 1)
        rows = max(above, below, key=lambda r: r[1] - r[0])
        if rows[1] - rows[0] < LEAST_DARK * len(p.luma):
            continue
        shift = register(reference, np.sqrt(light.table[p.luma]).astype(np.float32), rows)
        if shift is not None:
            laid.append(p)
            shifts.append(shift)
    return Stack(light, laid, shifts)


def leading(place: Stack) -> Stack | None:
    """Pictures laid by the place's own light, if the hand moved so little that this is sharp; else None."""
    if not place.shifts:
        return None
    moved = [np.hypot(*(shift.apply(shift.about_px) - shift.about_px)) for shift in place.shifts]
    return place if max(moved) < NEAR_SHARE * place.lit[0].luma.shape[1] else None


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
