"""Pictures of flashes and where each lies: what they show of a rotor, as strips.

In:  lit pictures, their shifts.
Out: `Stack`.
Not here: how they were laid on one another (`mosaic.py`, `place.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.shift import Shift, between
from timingcam.seeing.strips import Grid, Lies, Part, make_sampler, read_strip

BESIDE_PX = 3  # what light between pixels is worked out from, and one to spare
POSES_NEAR = 1.15  # our choice: refining moves a centre or a size by a few percent


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Pictures with their shifts."""

    light: FlashLight
    lit: list[LitPicture]
    shifts: list[Shift]
    # Where a cover hides a part of a rotor that is seen as a whole otherwise: what it does not hide.
    uncovered: Part | None = None

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
        return self.some([k for k, p in enumerate(self.lit) if id(p) not in left])

    def some(self, which: Iterable[int]) -> Stack:
        """Some of the pictures, in this order."""
        which = list(which)
        return replace(self, lit=[self.lit[k] for k in which], shifts=[self.shifts[k] for k in which])

    def strips(self, pose: Lies, grid: Grid, part: Part | None = None) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """Every picture's strip, evened out, and where it is known."""
        read = list(self.each_strip(pose, grid, part))
        return [strip for strip, _ in read], [known for _, known in read]

    def each_strip(self, pose: Lies, grid: Grid, part: Part | None = None) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """The same one after another: all of a large grid take much room."""
        sampler = make_sampler(grid, pose, part or self.uncovered)
        corners_px = sampler.corners_px()
        for lit, shift in zip(self.lit, self.shifts, strict=True):
            yield read_strip(sampler, *self.cut(lit, shift, corners_px))

    @property
    def reference(self) -> int:
        """Which picture's pixels are the reference's: the one that was laid without any doubt."""
        return int(np.argmin([shift.residual for shift in self.shifts]))

    def smaller(self, by: int) -> Stack:
        """The same of pictures so many times smaller, of what no cover hides not told."""
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
    part = part or stack.uncovered
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
