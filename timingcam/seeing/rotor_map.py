"""The rotor's map, from the strips of many flashes.

In:  evened-out strips.
Out: `RotorMap`.
Not here: the angle of a flash against it (`angles.py`).

Each flash shows some of the rotor, turned by an angle that only the others tell. So map and angles are found by turns:
angles against the map, the map from the strips turned back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.seeing.angles import Turn, fits, read_turn
from timingcam.seeing.cells import RotorMap, telling_cells
from timingcam.seeing.circle import wrap
from timingcam.seeing.map_rounds import Strips, inflation_of, left_by, map_of, rebuilt, settled
from timingcam.seeing.one_speed import from_one_speed
from timingcam.seeing.sides import AGREED, AROUND_DEG, WIDEST_DEG, about, alike_at_one_speed, groups_of
from timingcam.seeing.speeds import evenly
from timingcam.seeing.strips import Grid

MUCH_LEFT = 0.3  # our choice: of all that is seen; a clear rotor leaves a tenth, a tilted or smeared one a quarter
LEAST_SEEN = 3  # our choice: strips that tell what is usual
BEGINNINGS = 4  # our choice: of thin slices of a rotor, one in four may show no mark that slices beside it show
FEW_MORE = 3  # our choice: what crosses the view for half of the clip is over all of so many in one clip of eight
MOST_FIT = 0.9  # our choice: of the flashes; where fewer fit, what they are alike with may be half a turn off
MOST_SLICES = 40  # our choice: where one speed makes no map
THIN, SLIVER = 0.25, 0.5  # our choice: of the rotor, a slice of it; of a usual slice, one that says little
AS_MUCH_LEFT = 1.05  # our choice: as good a map as before
# Our choice: of a rotor whose sides were laid a pole off, a third was left; of a case seen through a hole, which has no
# sides that turn, three quarters.
CLEARLY_LESS_LEFT = 0.5


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
    if begun is not None:
        begins = _begun_by(grid, seen, _beginnings(knowns)[0], centre_sd)
        rotor, turns = settled(rebuilt(begins, *seen, begun), seen, list(begun), only_near=True)
        return replace(rotor, inflation=inflation_of(rotor, *seen, turns))
    told_hz = rate_hz if rate_hz is not None and np.isfinite(rate_hz).all() else None
    if told_hz is not None and _thin(knowns):
        rotor, turns = from_one_speed(_begun_by(grid, seen, _beginnings(knowns)[0], centre_sd), seen, told_hz)
        if _most_fit(turns, knowns):
            return replace(rotor, inflation=inflation_of(rotor, *seen, turns))
        # Begun by single ones in several ways, all of them would take minutes.
        few = np.unique(np.linspace(0, len(strips) - 1, min(len(strips), MOST_SLICES)).round().astype(int))
        seen, told_hz = ([strips[k] for k in few], [knowns[k] for k in few]), told_hz[few]
    rotor, turns = _by_single_ones(grid, seen, centre_sd, told_hz)
    return replace(rotor, inflation=inflation_of(rotor, *seen, turns))


def _begun_by(grid: Grid, seen: Strips, which: int, centre_sd: float) -> RotorMap:
    return map_of(grid, seen[0][which], seen[1][which], centre_sd)


def _by_single_ones(
    grid: Grid, seen: Strips, centre_sd: float, rate_hz: np.ndarray | None
) -> tuple[RotorMap, list[Turn | None]]:
    """Map and angles begun by one flash that shows much, or by others where that leaves much unexplained."""
    none: list[Turn | None] = [None] * len(seen[0])
    firsts = _beginnings(seen[1])
    begun_by = begins = _begun_by(grid, seen, firsts[0], centre_sd)
    rotor, turns = settled(begins, seen, none)
    left = left_by(rotor, turns, seen)
    if left > MUCH_LEFT and rate_hz is not None:
        # Glare or a lead stands still before it, and was taken for it: begun again by what is not as usual.
        first, apart = firsts[0], _apart(seen, rate_hz)
        _, ahead = settled(map_of(grid, apart[first], seen[1][first], centre_sd), (apart, seen[1]), none)
        other = settled(rebuilt(begins, *seen, ahead), seen, none)
        if (others := left_by(*other, seen)) < left:
            rotor, turns, left = *other, others
    for first in (*firsts[1:], *_elsewhere(seen[1], firsts)):
        if left <= MUCH_LEFT:
            break
        # The flash that shows most of the rotor need not show a mark, or a hand was over it.
        begins = _begun_by(grid, seen, first, centre_sd)
        other = settled(begins, seen, none)
        if (others := left_by(*other, seen)) < left:
            rotor, turns, left, begun_by = *other, others, begins
    return _in_step((rotor, turns), begun_by, seen, left, rate_hz)


def _thin(knowns: list[np.ndarray]) -> bool:
    """Whether flashes show slices of the rotor."""
    shown = [share for known in knowns if (share := float(known.mean())) > 0]
    return bool(shown) and float(np.median(shown)) < THIN * float(np.any(knowns, axis=0).mean())


def _most_fit(turns: list[Turn | None], knowns: list[np.ndarray]) -> bool:
    """Whether most flashes fit that show more than a sliver of the rotor."""
    shown = np.array([float(known.mean()) for known in knowns])
    counts = shown > SLIVER * np.median(shown[shown > 0])
    fit = np.array([turn is not None and fits(turn) for turn in turns])
    return bool(fit[counts].mean() > AGREED)


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
        if joined is not None and left_by(*joined, seen) < CLEARLY_LESS_LEFT * left:
            return joined
        within = replace(begins, between_deg=(-WIDEST_DEG, WIDEST_DEG), surely=True)
    else:
        within = replace(found[0], between_deg=(float(degs.min()) - AROUND_DEG, float(degs.max()) + AROUND_DEG))
        if len(degs) > MOST_FIT * len(found[1]):
            return within, found[1]
    other = settled(within, seen, [None] * len(found[1]))
    # Of a strobe at a rate of its own, what few flashes it shows near one place leave all others unexplained.
    return other if left_by(*other, seen) < (AS_MUCH_LEFT * left if wide else min(left, MUCH_LEFT)) else found


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
    rotor = rebuilt(begins, *seen, main)
    near = about(main)
    for group in groups[1:]:
        own = [turn if k in group else None for k, turn in enumerate(turns)]
        theirs, apart = rebuilt(begins, *seen, own), about(own)
        # So far as to end within reach of the others.
        by_deg = sorted((near[0] - apart[0] - AROUND_DEG, near[1] - apart[1] + AROUND_DEG))
        within = replace(rotor, between_deg=(by_deg[0], by_deg[1]), surely=True)
        by = read_turn(within, telling_cells(within), theirs.light + rotor.still, theirs.known > 0.5)
        if by is not None:
            moved = {k: replace(turn, deg=wrap(turn.deg + by.deg)) for k, turn in enumerate(own) if turn}
            main = [moved.get(k, turn) for k, turn in enumerate(main)]
    rotor, main = settled(rebuilt(begins, *seen, main), seen, main, only_near=True)
    if not any(turn is not None and fits(turn) for turn in main):
        return None
    rotor, main = settled(replace(rotor, between_deg=about(main), surely=True), seen, [None] * len(main))
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


def _elsewhere(knowns: list[np.ndarray], firsts: list[int]) -> list[int]:
    """A few more strips that show much, evenly from among all others that do."""
    shown = np.array([int(known.sum()) for known in knowns])
    much = [int(k) for k in np.flatnonzero(shown > SLIVER * shown.max()) if k not in firsts]
    if len(much) <= FEW_MORE:
        return much
    return [much[k] for k in np.linspace(0, len(much) - 1, FEW_MORE + 2).round().astype(int)[1:-1]]


def _apart(seen: Strips, rate_hz: np.ndarray) -> list[np.ndarray]:
    """Strips less what each place usually shows over all speeds."""
    strips, knowns = seen
    shown = np.stack([np.where(knowns[k], strips[k], np.nan) for k in evenly(rate_hz)])
    shown[:, np.isfinite(shown).sum(axis=0) < LEAST_SEEN] = 0.0
    usual = np.nanmedian(shown, axis=0)
    return [((strip - usual) * known).astype(np.float32) for strip, known in zip(strips, knowns, strict=True)]
