"""Marks that are spaced alike, told apart by the colour of their paint.

In:  the clip, its flashes, where the rotor stands and how it is turned in each; marks with the words for their paint.
Out: by how many sds their colours speak for the names they were given, or against them.
Not here: which marks could be taken for which others (`reckoning/identity.py`).

References
----------
.. [1] ITU-R BT.709-6, item 3.2: Y', Cb and Cr.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.hues import hue_of
from timingcam.seeing.in_colour import mean_colours
from timingcam.seeing.marks import Mark
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.view import View

BESIDE_DEG = 3.0  # our choice: colours are coded at half the resolution, and blurred over that
LEAST_COLOUR = 0.1  # our choice, of the light: two paints that differ by less are one
LEAST_SEEN = 0.02  # our choice, of the light: a tint that no eye sees
FEWEST_BESIDE = 60  # our choice: places that tell how much the colour of bare metal varies


@dataclass(frozen=True, slots=True)
class Painted:
    """A mark that was found, the words for its paint, and those for the paint of the mark it could be mistaken for."""

    mark: Mark
    paint: str | None
    others: str | None


def tells_apart(paint: str | None, others: str | None) -> bool:
    """Whether two paints differ in colour, by words that are known."""
    one, other = hue_of(paint), hue_of(others)
    return one is not None and other is not None and float(np.hypot(*(one - other))) > LEAST_COLOUR


def by_their_paint(seen: tuple[ClipInfo, Flashes, View, FlashTurns], painted: list[Painted]) -> float:
    """By how many sds the colours of marks speak for their names; negative where they speak for the others'.

    Parameters
    ----------
    seen : (ClipInfo, Flashes, View, FlashTurns)
    painted : list of Painted
        Marks whose paint tells them from those they could be mistaken for.

    Returns
    -------
    float
        0 where nothing can be told.

    Notes
    -----
    What all marks have in common, as the tint of the light, speaks neither way where there are as many of one paint as
    of the other; so no more of either are asked than of the other.
    """
    groups = [[p for p in painted if p.paint == word] for word in sorted({p.paint or "" for p in painted})]
    fewest = min((len(group) for group in groups), default=0)
    if len(groups) < 2:
        return 0.0
    colours = [rotor for rotor, _ in mean_colours(seen, seen[2].wide)]
    if not colours:
        return 0.0
    some = [p for group in groups for p in sorted(group, key=lambda p: p.mark.deg)[:fewest]]
    total = variance = 0.0
    for p in some:
        hue, others = hue_of(p.paint), hue_of(p.others)
        if hue is None or others is None:
            raise ValueError("a paint without a known word")
        towards = (hue - others) / np.hypot(*(hue - others))
        here, sd = _colour_at(seen[2], colours, p.mark, [q.mark for q in painted])
        total += float(towards @ here)
        variance += float(towards**2 @ sd**2)
    if not np.isfinite(variance) or variance <= 0 or abs(total) < LEAST_SEEN * len(some):
        return 0.0
    return total / float(np.sqrt(variance))


def _colour_at(view: View, colours: list[np.ndarray], mark: Mark, marks: list[Mark]) -> tuple[np.ndarray, np.ndarray]:
    """Blueness and redness of a mark, and how much those of places at its radii vary that are no marks, (2,) each."""
    grid = view.wide
    rows = (grid.radii >= mark.inner) & (grid.radii <= mark.outer)
    n = grid.n_angles
    angle = np.arange(n) * grid.step_deg
    bare = np.ones(n, bool)
    for one in marks:
        bare &= np.abs((angle - one.deg + 180) % 360 - 180) > BESIDE_DEG + one.width_deg
    half = max(1, round(0.5 * mark.width_deg / grid.step_deg))
    here, sd = np.zeros(2), np.full(2, np.inf)
    if rows.any() and np.count_nonzero(bare) >= FEWEST_BESIDE:
        for k, colour in enumerate(colours):
            ring = colour[rows].mean(axis=0)
            smooth = np.convolve(np.concatenate([ring[-half:], ring, ring[:half]]), np.ones(2 * half + 1), "valid")
            smooth /= 2 * half + 1
            here[k] = smooth[round(mark.deg / grid.step_deg) % n]
            sd[k] = 1.4826 * float(np.median(np.abs(smooth[bare] - np.median(smooth[bare])))) + 1e-6
    return here, sd
