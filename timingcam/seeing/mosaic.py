"""Pictures of flashes laid on one another: each may light a part only.

In:  lit pictures, and where the rotor is once that is known.
Out: `Stack`, the pictures with their shifts, their mean, and where that is known.
Not here: the rotor.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.pose import Pose
from timingcam.seeing.register import Reference, Shift, make_reference, no_shift, register
from timingcam.seeing.strips import Grid, even_out, make_sampler, unwrap

BESIDE_ROTOR = 1.03  # rim radii; a rim's bright edge turns with it


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Pictures with their shifts."""

    light: FlashLight
    lit: list[LitPicture]
    shifts: list[Shift]

    def strips(self, pose: Pose, grid: Grid) -> tuple[list[np.ndarray], list[np.ndarray]]:
        sampler = make_sampler(grid, pose)
        strips, knowns = [], []
        for lit, shift in zip(self.lit, self.shifts, strict=True):
            strip, known = unwrap(sampler, self.light.picture(lit.luma, lit.rows), shift, lit.rows)
            strip, known = even_out(strip, known, grid)
            strips.append(strip)
            knowns.append(known)
        return strips, knowns


def lay(light: FlashLight, lit: list[LitPicture], pose: Pose | None = None) -> tuple[Stack, np.ndarray, np.ndarray]:
    """Lay the pictures on one another, from the tallest outwards: their shifts, their mean, and where that is known.

    With a pose only what lies outside of the rotor counts. The tallest picture's pixels are the reference's, always.
    """
    mosaic = _Mosaic(light, lit[0].luma.shape, pose)
    best = max(lit, key=lambda p: p.last - p.first)
    mosaic.add(best, no_shift(mosaic.about_px))
    waiting = [p for p in lit if p is not best]
    reference = mosaic.reference()
    while waiting:
        later = []
        # What overlaps most comes first: the rest may fit once the reference has grown.
        for p in sorted(waiting, key=mosaic.overlap, reverse=True):
            shift = register(reference, light.picture(p.luma, p.rows), p.rows)
            if shift is None:
                later.append(p)
                continue
            mosaic.add(p, shift)
            if mosaic.grown():
                reference = mosaic.reference()
        if len(later) == len(waiting):
            break
        waiting = later
        reference = mosaic.reference()
    return mosaic.finished()


def outside(shape: tuple[int, ...], pose: Pose, radius: float) -> np.ndarray:
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    at = pose.to_plane(np.stack([xx, yy], axis=-1).astype(float))
    return np.hypot(at[..., 0], at[..., 1]) > radius


class _Mosaic:
    """Pictures laid on one another, growing: flashes may light a part of the picture each."""

    def __init__(self, light: FlashLight, shape: tuple[int, ...], pose: Pose | None) -> None:
        self.light = light
        self.still = np.ones(shape, bool) if pose is None else outside(shape, pose, BESIDE_ROTOR)
        self.about_px = np.array(shape[::-1]) / 2.0 if pose is None else pose.centre_px
        self.total = np.zeros(shape, np.float32)
        self.count = np.zeros(shape, np.float32)
        self.lit: list[LitPicture] = []
        self.shifts: list[Shift] = []
        self.known_before = 0

    def add(self, p: LitPicture, shift: Shift) -> None:
        """Lay a picture where its shift says."""
        h, w = self.total.shape
        warp = shift.matrix()[:2]
        mask = np.zeros((h, w), np.float32)
        mask[p.first : p.last + 1] = 1.0
        inverse = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        inside = cv2.warpAffine(mask, warp, (w, h), flags=inverse) > 0.99
        self.total += np.where(
            inside, cv2.warpAffine(self.light.picture(p.luma, p.rows), warp, (w, h), flags=inverse), 0
        )
        self.count += inside
        self.lit.append(p)
        self.shifts.append(shift)

    def mean(self) -> np.ndarray:
        """The mean of the pictures so far."""
        return (self.total / np.maximum(self.count, 1)).astype(np.float32)

    def reference(self) -> Reference:
        """A reference of all that is known so far."""
        self.known_before = int((self.count > 0).sum())
        return make_reference(self.mean(), (self.count > 0) & self.still, self.about_px)

    def grown(self) -> bool:
        """Whether much more is known than when the last reference was made."""
        return int((self.count > 0).sum()) > 1.15 * self.known_before

    def overlap(self, p: LitPicture) -> int:
        """Rows of a picture in which something is known already."""
        return int((self.count[p.first : p.last + 1, self.count.shape[1] // 2] > 0).sum())

    def finished(self) -> tuple[Stack, np.ndarray, np.ndarray]:
        """The pictures with their shifts, the mean, and where enough of them show something."""
        return Stack(self.light, self.lit, self.shifts), self.mean(), self.count >= max(1.0, 0.08 * len(self.lit))
