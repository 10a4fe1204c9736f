"""The rotor's map, from the strips of many flashes.

In:  evened-out strips.
Out: `RotorMap`.
Not here: the angle of a flash against it (`angles.py`).

Each flash shows some of the rotor, turned by an angle that only the others tell. So map and angles are found by turns:
angles against the map, the map from the strips turned back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.seeing.angles import SETTLED_RAD, Turn, fits, read_turn, turned
from timingcam.seeing.cells import Cells, RotorMap, telling_cells
from timingcam.seeing.circle import wrap
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.sides import AROUND_DEG, WIDEST_DEG, about, alike_at_one_speed, groups_of
from timingcam.seeing.speeds import evenly
from timingcam.seeing.strips import Grid, pattern_trust, recentred

Seen = tuple[np.ndarray, np.ndarray, Turn]  # a strip, where it is known, and its turn
Strips = tuple[list[np.ndarray], list[np.ndarray]]  # of all flashes, and where they are known
MUCH_LEFT = 0.3  # our choice: of all that is seen; a clear rotor leaves a tenth, a tilted or smeared one a quarter
LEAST_SEEN = 3  # our choice: strips that tell what is usual
BEGINNINGS = 4  # our choice: of thin slices of a rotor, one in four may show no mark that slices beside it show
ANGLE_PARTS, LEAST_IN_PART = 5, 2  # our choice: of what all flashes show, by angle; flashes that show a place in one
MAP_ROUNDS = 5  # our choice: the map changes by less than its noise after three
MOST_FIT = 0.9  # our choice: of the flashes; where fewer fit, what they are alike with may be half a turn off
AS_MUCH_LEFT = 1.05  # our choice: as good a map as before
# Our choice: of a rotor whose sides were laid a pole off, a third was left; of a case seen through a hole, which has no
# sides that turn, three quarters.
CLEARLY_LESS_LEFT = 0.5
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


def build_map(
    grid: Grid,
    strips: list[np.ndarray],
    knowns: list[np.ndarray],
    centre_sd: float,
    begun: list[Turn | None] | None = None,
    rate_hz: np.ndarray | None = None,
) -> RotorMap:
    """Build the map from the strips of many flashes, from one that shows much outwards.

    Parameters
    ----------
    grid : Grid
    strips, knowns : lists of ndarray, shape (n_radii, n_angles)
    centre_sd : float
        See `RotorMap`.
    begun : list of Turn or None, optional
        Where the strips stand roughly, as far as that is known already: they are only looked for near there.
    rate_hz : ndarray, shape (n_strips,), optional
        How fast flashes come about each, where that is known.
    """
    seen = strips, knowns
    none: list[Turn | None] = [None] * len(strips)
    firsts = _beginnings(knowns)
    begins = _map_of(grid, strips[firsts[0]], knowns[firsts[0]], centre_sd)
    if begun is not None:
        rotor, turns = _settled(_rebuilt(begins, *seen, begun), seen, list(begun), only_near=True)
        return replace(rotor, inflation=_inflation(rotor, *seen, turns))
    rotor, turns = _settled(begins, seen, none)
    begun_by = begins
    left = _left(rotor, turns, seen)
    if left > MUCH_LEFT and rate_hz is not None and np.isfinite(rate_hz).all():
        # Glare or a lead stands still before it, and was taken for it: begun again by what is not as usual.
        first, apart = firsts[0], _apart(seen, rate_hz)
        _, ahead = _settled(_map_of(grid, apart[first], knowns[first], centre_sd), (apart, knowns), none)
        other = _settled(_rebuilt(begins, *seen, ahead), seen, none)
        if (others := _left(*other, seen)) < left:
            rotor, turns, left = *other, others
    for first in firsts[1:]:
        if left <= MUCH_LEFT:
            break
        # The flash that shows most of the rotor need not show a mark.
        begins = _map_of(grid, strips[first], knowns[first], centre_sd)
        other = _settled(begins, seen, none)
        if (others := _left(*other, seen)) < left:
            rotor, turns, left, begun_by = *other, others, begins
    rotor, turns = _in_step((rotor, turns), begun_by, seen, left, rate_hz)
    return replace(rotor, inflation=_inflation(rotor, *seen, turns))


def _in_step(
    found: tuple[RotorMap, list[Turn | None]],
    begins: RotorMap,
    seen: Strips,
    left: float,
    rate_hz: np.ndarray | None,
) -> tuple[RotorMap, list[Turn | None]]:
    """Map and angles with what is known of a strobe that follows the engine: no two flashes show the rotor further
    apart than an advancer goes.

    Holes, spokes and a twin's marks look alike a third or half a turn on. A strobe at a rate of its own shows the rotor
    all round: looked for near one place it is not found there, and what was found before stands.
    """
    degs = np.array([turn.deg for turn in found[1] if turn is not None and fits(turn)])
    if not len(degs):
        return found
    wide = widest_arc_deg(degs) > WIDEST_DEG
    if wide:
        joined = None if rate_hz is None else _joined(found[1], begins, seen, rate_hz)
        if joined is not None and _left(*joined, seen) < CLEARLY_LESS_LEFT * left:
            return joined
        within = replace(begins, between_deg=(-WIDEST_DEG, WIDEST_DEG), surely=True)
    else:
        within = replace(found[0], between_deg=(float(degs.min()) - AROUND_DEG, float(degs.max()) + AROUND_DEG))
        if len(degs) > MOST_FIT * len(found[1]):
            return within, found[1]
    other = _settled(within, seen, [None] * len(found[1]))
    # Of a strobe at a rate of its own, what few flashes it shows near one place leave all others unexplained.
    return other if _left(*other, seen) < (AS_MUCH_LEFT * left if wide else min(left, MUCH_LEFT)) else found


def _joined(
    turns: list[Turn | None], begins: RotorMap, seen: Strips, rate_hz: np.ndarray
) -> tuple[RotorMap, list[Turn | None]] | None:
    """Map and angles where flashes that show one side of a rotor were laid on those of another side, a pole off.

    By what poles show alone, one strip that shares little else with the map may lie on any of them; all strips of its
    kind together share more with it. None where there are no two such groups, or where the sides do not stand alike at
    one speed.
    """
    groups = groups_of(turns)
    if len(groups) < 2:
        return None
    main = [turn if k in groups[0] else None for k, turn in enumerate(turns)]
    rotor = _rebuilt(begins, *seen, main)
    near = about(main)
    for group in groups[1:]:
        own = [turn if k in group else None for k, turn in enumerate(turns)]
        theirs, apart = _rebuilt(begins, *seen, own), about(own)
        # So far as to end within reach of the others.
        by_deg = sorted((near[0] - apart[0] - AROUND_DEG, near[1] - apart[1] + AROUND_DEG))
        within = replace(rotor, between_deg=(by_deg[0], by_deg[1]), surely=True)
        by = read_turn(within, telling_cells(within), theirs.light + rotor.still, theirs.known > 0.5)
        if by is not None:
            moved = {k: replace(turn, deg=wrap(turn.deg + by.deg)) for k, turn in enumerate(own) if turn}
            main = [moved.get(k, turn) for k, turn in enumerate(main)]
    rotor, main = _settled(_rebuilt(begins, *seen, main), seen, main, only_near=True)
    if not any(turn is not None and fits(turn) for turn in main):
        return None
    rotor, main = _settled(replace(rotor, between_deg=about(main), surely=True), seen, [None] * len(main))
    alike = all(alike_at_one_speed(main, groups[0], other, rate_hz) for other in groups[1:])
    return (rotor, main) if alike else None


def widest_arc_deg(degs: np.ndarray) -> float:
    """The shortest arc that holds nine in ten of some angles; a tenth of stray flashes is allowed for."""
    ordered = np.sort(np.asarray(degs, float) % 360.0)
    n = len(ordered)
    keep = max(2, round(0.9 * n))
    doubled = np.append(ordered, ordered + 360.0)
    return float(min((doubled[i + keep - 1] - doubled[i] for i in range(n)), default=0.0))


def _beginnings(knowns: list[np.ndarray]) -> list[int]:
    """The strip that shows most, then the one that shows most beside it, and so on while there is more to see.

    One that shows half of all that any shows is enough: only of thin slices may it be one without marks.
    """
    firsts = [int(np.argmax([known.sum() for known in knowns]))]
    shown = knowns[firsts[0]].copy()
    if shown.sum() > 0.5 * np.any(knowns, axis=0).sum():
        return firsts
    while len(firsts) < BEGINNINGS:
        more = [int((known & ~shown).sum()) for known in knowns]
        if not max(more):
            break
        firsts.append(int(np.argmax(more)))
        shown |= knowns[firsts[-1]]
    return firsts


def _map_of(grid: Grid, strip: np.ndarray, known: np.ndarray, centre_sd: float) -> RotorMap:
    """The map that one flash makes by itself."""
    none, one = np.zeros(strip.shape, np.float32), np.ones(strip.shape, np.float32)
    return RotorMap(grid, strip.astype(np.float32), known.astype(np.float32), none, one, one, 1.0, centre_sd)


def _settled(
    rotor: RotorMap, seen: Strips, turns: list[Turn | None], only_near: bool = False
) -> tuple[RotorMap, list[Turn | None]]:
    """Map and angles, found by turns."""
    strips, knowns = seen
    for round_number in range(MAP_ROUNDS):
        early = round_number < EARLY_ROUNDS
        how = _How(rotor, telling_cells(rotor), only_near, EARLY_SETTLED_RAD if early else SETTLED_RAD)
        nears = [None] * len(strips) if early and not only_near else turns
        turns = list(side_by_side(how.read, list(zip(strips, knowns, nears, strict=True))))
        rotor = _rebuilt(rotor, strips, knowns, turns)
    return rotor, turns


def _left(rotor: RotorMap, turns: list[Turn | None], seen: Strips) -> float:
    """Share of all strips' pattern that a map leaves unexplained; all of a strip that does not fit."""
    left = total = 0.0
    for strip, known, turn in zip(*seen, turns, strict=True):
        rest = strip
        if turn is not None and fits(turn):
            rest = strip - rotor.still - _as_seen(rotor.light, turn, rotor.grid)
        left += float(((rest * known) ** 2).sum())
        total += float(((strip * known) ** 2).sum())
    return left / max(total, 1e-12)


def _apart(seen: Strips, rate_hz: np.ndarray) -> list[np.ndarray]:
    """Strips less what each place usually shows over all speeds."""
    strips, knowns = seen
    shown = np.stack([np.where(knowns[k], strips[k], np.nan) for k in evenly(rate_hz)])
    shown[:, np.isfinite(shown).sum(axis=0) < LEAST_SEEN] = 0.0
    usual = np.nanmedian(shown, axis=0)
    return [((strip - usual) * known).astype(np.float32) for strip, known in zip(strips, knowns, strict=True)]


def _inflation(rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> float:
    """How much wider sds are than if cells were independent, the median over some flashes."""
    ratios = []
    for strip, known, turn in list(zip(strips, knowns, turns, strict=True))[:12]:
        if turn is not None and fits(turn):
            misfit = (strip - rotor.still) * known - _as_seen(rotor.light, turn, rotor.grid)
            ratios.append(_neighbours(misfit[known], known))
    return float(np.median(ratios)) if ratios else 1.0


def _rebuilt(rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> RotorMap:
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
        rotor.between_deg, rotor.surely,
    )  # fmt: skip


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
