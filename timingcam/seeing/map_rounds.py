"""Map and angles, found by turns: angles against the map, the map from the strips turned back.

In:  evened-out strips, and a map to begin with.
Out: the map that they make, each strip's turn against it, and how much of them that leaves unexplained.
Not here: where to begin (`rotor_map.py`); the angle of one strip (`angles.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.angles import SETTLED_RAD, Turn, fits, read_turn, turned
from timingcam.seeing.cells import Cells, RotorMap, telling_cells
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.strips import Grid, pattern_trust, recentred

Seen = tuple[np.ndarray, np.ndarray, Turn]  # a strip, where it is known, and its turn
Strips = tuple[list[np.ndarray], list[np.ndarray]]  # of all flashes, and where they are known
ANGLE_PARTS, LEAST_IN_PART = 5, 2  # our choice: of what all flashes show, by angle; flashes that show a place in one
MAP_ROUNDS = 5  # our choice: the map changes by less than its noise after three
# The first maps are blurred, and change more than what an angle off by a part of a cell makes of them.
EARLY_ROUNDS, EARLY_SETTLED_RAD = 3, 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class _How:
    """How the strips are read in one round."""

    rotor: RotorMap
    cells: Cells
    only_near: bool
    settled_rad: float

    def read(self, one: tuple[np.ndarray, np.ndarray, Turn | None]) -> Turn | None:
        strip, known, near = one
        if self.only_near and near is None:
            return None
        return read_turn(self.rotor, self.cells, strip, known, near, self.settled_rad)


def map_of(grid: Grid, strip: np.ndarray, known: np.ndarray, centre_sd: float) -> RotorMap:
    """The map that one flash makes by itself."""
    none, one = np.zeros(strip.shape, np.float32), np.ones(strip.shape, np.float32)
    return RotorMap(grid, strip.astype(np.float32), known.astype(np.float32), none, one, one, 1.0, centre_sd)


def settled(
    rotor: RotorMap, seen: Strips, turns: list[Turn | None], only_near: bool = False
) -> tuple[RotorMap, list[Turn | None]]:
    """Map and angles, found by turns."""
    strips, knowns = seen
    for round_number in range(MAP_ROUNDS):
        early = round_number < EARLY_ROUNDS
        how = _How(rotor, telling_cells(rotor), only_near, EARLY_SETTLED_RAD if early else SETTLED_RAD)
        nears = [None] * len(strips) if early and not only_near else turns
        turns = list(side_by_side(how.read, list(zip(strips, knowns, nears, strict=True))))
        rotor = rebuilt(rotor, strips, knowns, turns)
    return rotor, turns


def left_by(rotor: RotorMap, turns: list[Turn | None], seen: Strips) -> float:
    """Share of all strips' pattern that a map leaves unexplained; all of a strip that does not fit."""
    left = total = 0.0
    for strip, known, turn in zip(*seen, turns, strict=True):
        rest = strip
        if turn is not None and fits(turn):
            rest = strip - rotor.still - _as_seen(rotor.light, turn, rotor.grid)
        left += float(((rest * known) ** 2).sum())
        total += float(((strip * known) ** 2).sum())
    return left / max(total, 1e-12)


def inflation_of(
    rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]
) -> float:
    """How much wider sds are than if cells were independent, the median over some flashes."""
    ratios = []
    for strip, known, turn in list(zip(strips, knowns, turns, strict=True))[:12]:
        if turn is not None and fits(turn):
            misfit = (strip - rotor.still) * known - _as_seen(rotor.light, turn, rotor.grid)
            ratios.append(_neighbours(misfit[known], known))
    return float(np.median(ratios)) if ratios else 1.0


def rebuilt(rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> RotorMap:
    good = [(s, k, t) for s, k, t in zip(strips, knowns, turns, strict=True) if t is not None and fits(t)]
    if not good:
        return rotor
    total = np.zeros_like(rotor.light)
    count = np.zeros_like(rotor.light)

    def turned_back(one: Seen) -> tuple[np.ndarray, np.ndarray]:
        strip, known, turn = one
        # About each flash's own centre, as its turn is meant.
        strip, known = recentred((strip - rotor.still) * known, known, rotor.grid, turn.centre)
        return turned(strip * known, -turn.deg), np.clip(turned(known.astype(np.float32), -turn.deg), 0.0, 1.0)

    for own_light, own_count in side_by_side(turned_back, good):
        total += own_light
        count += own_count
    light = np.where(count > 0.5, total / np.maximum(count, 0.5), 0.0).astype(np.float32)
    still, variance = _left_over(light, good, rotor.grid)
    noise = float(np.median(variance[count > 0])) if (count > 0).any() else 1.0
    trust = pattern_trust(light, noise)
    return RotorMap(
        rotor.grid, light, count.astype(np.float32), still, variance, trust, rotor.inflation, rotor.centre_sd,
        rotor.between_deg, rotor.surely, _share_of(knowns, count),
    )  # fmt: skip


def _share_of(knowns: list[np.ndarray], count: np.ndarray) -> float:
    """Of what the map knows, how much a strip mostly shows of those that show any of the rotor."""
    shown = [share for known in knowns if (share := float(known.mean())) > 0]
    return float(np.clip(np.median(shown) / max(float((count > 0).mean()), 1e-3), 1e-3, 1.0)) if shown else 1.0


def _as_seen(light: np.ndarray, turn: Turn, grid: Grid) -> np.ndarray:
    """The map turned as in a flash, and about that flash's centre."""
    back = (-turn.centre[0], -turn.centre[1])
    return recentred(turned(light, turn.deg), np.ones(light.shape, bool), grid, back)[0]


def _left_over(light: np.ndarray, seen: list[Seen], grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """What the map leaves unexplained in the frame of the picture: what stands still of it, and its variance.

    What stands still does so at all angles. A long flash smears a fast rotor, and where most flashes show it at full
    advance, what that leaves unexplained stands there alone, and would draw all others to it.
    """
    degs = np.array([turn.deg for _, _, turn in seen])
    low, high = np.percentile(degs, [5, 95])
    which = np.clip((degs - low) / max(high - low, 1e-9) * ANGLE_PARTS, 0, ANGLE_PARTS - 1).astype(int)
    totals, counts = (np.zeros((ANGLE_PARTS, *light.shape), np.float32) for _ in range(2))
    squares = np.zeros_like(light)

    def left(one: Seen) -> np.ndarray:
        strip, known, turn = one
        return (strip - _as_seen(light, turn, grid)) * known

    for part, residual, (_, known, _) in zip(which, side_by_side(left, seen), seen, strict=True):
        totals[part] += residual
        squares += residual**2
        counts[part] += known
    count = counts.sum(axis=0)
    mean = totals.sum(axis=0) / np.maximum(count, 1)
    means = np.where(counts >= LEAST_IN_PART, totals / np.maximum(counts, 1), np.nan)
    means[:, np.isnan(means).all(axis=0)] = 0.0
    # Only where the rotor turned by several degrees can what stands still be told from what turns.
    share = min(1.0, max(0.0, (float(high - low) - 2.0) / 4.0))
    still = np.nanmedian(means, axis=0) * share * (count > 5)
    variance = squares / np.maximum(count, 1) - 2 * mean * still + still**2
    return still.astype(np.float32), _softened(variance, count)


def _softened(variance: np.ndarray, count: np.ndarray) -> np.ndarray:
    """A variance smoothed over neighbours, and nowhere far below its median, since few flashes may agree by chance."""
    variance = cv2.GaussianBlur(np.maximum(variance, 0).astype(np.float32), (0, 0), 1.5)
    floor = float(np.median(variance[count > 0])) if (count > 0).any() else 1.0
    return np.maximum(variance, 0.25 * floor + 1e-9).astype(np.float32)


def _neighbours(misfit: np.ndarray, cell: np.ndarray) -> float:
    """How much more an sd is than if cells were independent: neighbouring cells share pixels and coding blocks."""
    full = np.zeros(cell.shape)
    full[cell] = np.clip(misfit, *np.percentile(misfit, [2, 98]))
    power = float((full**2).sum()) + 1e-12
    along = sum(max(0.0, float((full[:, :-k] * full[:, k:]).sum()) / power) for k in range(1, 6))
    down = sum(max(0.0, float((full[:-k] * full[k:]).sum()) / power) for k in range(1, 4))
    return float(np.sqrt((1 + 2 * along) * (1 + 2 * down)))
