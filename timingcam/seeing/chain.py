"""The first angles of flashes that show a part of the rotor only, each from the ones before it.

In:  evened-out strips of a part of the rotor, in the order of speed.
Out: a `Turn` a strip, rough, from which the map can be built.
Not here: the map (`rotor_map.py`).

Marks come into the opening and leave it again, and look much alike: laid on one another by looks alone, one mark would
be taken for the next. But advance follows speed: from one flash to the next faster one it moves little, and each is
looked for near the one before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from timingcam.seeing.angles import Turn, turned
from timingcam.seeing.speeds import WIDEST_STEP

REACH_DEG = 14.0  # our choice: half of what an advancer moves; more between two flashes is a blip, or another mark
NEARER_COUNTS = 0.08  # of correlation, our choice: from where it was to the end of the reach
LEAST_SHARED = 0.35  # our choice: of what a strip shows, that is on the map
ALL_SHARED = 0.7  # our choice: of what a strip shows: as good as all of it
FAR_DEG, APART_DEG, RIVAL_SHARE = 60.0, 5.0, 0.8  # our choice: of marks in a blip; of another mark; of a clear place
# Our choice: one mark laid on another reaches 0.7, since their letters differ; the same ones reach 0.9.
SURELY_ALIKE = 0.8
LEAST_ALIKE = 0.4  # our choice: correlation


@dataclass(slots=True)
class _Growing:
    """A map that grows: sums of light and of how many strips show each cell."""

    total: np.ndarray
    count: np.ndarray

    def add(self, strip: np.ndarray, known: np.ndarray, deg: float, times: int = 1) -> None:
        """Lay a strip where it stood, or take it away again with -1 `times`."""
        self.total += times * turned((strip * known).astype(np.float32), -deg)
        self.count += times * np.clip(turned(known.astype(np.float32), -deg), 0, 1)

    def light(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean light, and where it is known."""
        there = self.count > 0.5
        return np.where(there, self.total / np.maximum(self.count, 0.5), 0.0), there.astype(np.float32)


def chained_turns(
    strips: list[np.ndarray],
    knowns: list[np.ndarray],
    alike: float = LEAST_ALIKE,
    rate_hz: np.ndarray | None = None,
) -> list[Turn | None]:
    """Turns of strips in the order of speed, from the one that shows most outwards.

    Parameters
    ----------
    strips, knowns : lists of ndarray, shape (n_radii, n_angles)
    alike : float
        How alike, as a correlation, a strip and the map must be where it is found much further round. `SURELY_ALIKE`
        where so little shows that two flashes may have no mark in common, and one mark could be taken for the next.
    rate_hz : ndarray, shape (n,), optional
        How fast flashes come about each strip, rising. Across a wide step of it the marks may have moved far: only one
        place may look alike then, near or far, and clearly so.

    Returns
    -------
    list of Turn or None
        None where a strip looks like nothing near the ones beside it.
    """
    n = len(strips)
    turns: list[Turn | None] = [None] * n
    if not n:
        return turns
    rate = np.ones(n) if rate_hz is None else rate_hz
    # Where speeds change by small steps for longest, the marks' way is told best.
    part_of = np.concatenate([[0], np.cumsum(rate[1:] > WIDEST_STEP * rate[:-1])])
    longest = part_of == np.argmax(np.bincount(part_of))
    first = int(np.argmax([k.sum() if here else -1.0 for k, here in zip(knowns, longest, strict=True)]))
    growing = _Growing(np.zeros(strips[first].shape, np.float32), np.zeros(strips[first].shape, np.float32))
    growing.add(strips[first], knowns[first], 0.0)
    turns[first] = Turn(0.0, 0.2, 1.0, 0.0, 1.0, 1.0)
    for order in (range(first + 1, n), range(first - 1, -1, -1)):
        near, before = 0.0, first
        for k in order:
            look = _found if _beside(rate, before, k) else _found_across
            found = look(growing, (strips[k], knowns[k]), near, alike)
            if found is None:
                continue
            turns[k] = found
            near, before = found.deg, k
            growing.add(strips[k], knowns[k], found.deg)
    # Again against all, since the first ones saw little of the map.
    for k in range(n):
        if k == first:
            continue
        had = turns[k]
        if had is not None:
            growing.add(strips[k], knowns[k], had.deg, -1)
        same = (j for j in (k, k - 1, k + 1) if 0 <= j < n and _beside(rate, j, k))
        beside = [turn.deg for j in same if (turn := turns[j]) is not None]
        turns[k] = _found(growing, (strips[k], knowns[k]), beside[0], alike) if beside else None
        if (found := turns[k]) is not None:
            growing.add(strips[k], knowns[k], found.deg)
    return turns


def _beside(rate_hz: np.ndarray, j: int, k: int) -> bool:
    low, high = sorted((rate_hz[j], rate_hz[k]))
    return bool(high <= WIDEST_STEP * low)


def _found(growing: _Growing, seen: tuple[np.ndarray, np.ndarray], near_deg: float, alike: float) -> Turn | None:
    """The turn near another or, where nothing there looks alike, the one further off that clearly does."""
    score, shared, off = _likeness_about(growing, seen, near_deg)
    # Of two places that fit as well, the nearer.
    beside = np.where(np.abs(off) <= REACH_DEG, score - NEARER_COUNTS * (off / REACH_DEG) ** 2, -1.0)
    best = int(np.argmax(beside))
    if beside[best] >= LEAST_ALIKE:
        return _turn_at(beside, shared, best)
    return _clearest(score, shared, off, alike)


def _found_across(growing: _Growing, seen: tuple[np.ndarray, np.ndarray], near_deg: float, alike: float) -> Turn | None:
    """The turn at the one place that clearly looks alike, wherever an advancer may have moved it to."""
    return _clearest(*_likeness_about(growing, seen, near_deg), alike)


def _likeness_about(
    growing: _Growing, seen: tuple[np.ndarray, np.ndarray], near_deg: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`_likeness`, and how far each turn is from another, degrees."""
    score, shared = _likeness(growing, *seen)
    return score, shared, (np.arange(len(score)) * 360.0 / len(score) - near_deg + 180.0) % 360.0 - 180.0


def _clearest(score: np.ndarray, shared: np.ndarray, off_deg: np.ndarray, alike: float) -> Turn | None:
    """The turn that looks most alike, as far as marks move; None if that is not enough, or another does nearly as
    much."""
    score = np.where(np.abs(off_deg) <= FAR_DEG, score, -1.0)
    best = int(np.argmax(score))
    apart = np.abs((off_deg - off_deg[best] + 180.0) % 360.0 - 180.0) > APART_DEG
    if score[best] < alike or score[apart].max(initial=0.0) > RIVAL_SHARE * score[best]:
        return None
    return _turn_at(score, shared, best)


def _likeness(growing: _Growing, strip: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Correlation of a strip with the map at every turn, less where they share little; and how much they share."""
    light, there = growing.light()
    n = light.shape[1]
    b, k = strip * known, known.astype(np.float32)
    fa, fa2, fw = (np.conj(fft.rfft(x, axis=1)) for x in (light, light**2, there))
    fb, fb2, fk = (fft.rfft(x, axis=1) for x in (b, b**2, k))
    cross = fft.irfft((fa * fb).sum(axis=0), n)
    energy = fft.irfft((fa2 * fk).sum(axis=0), n) * fft.irfft((fw * fb2).sum(axis=0), n)
    shared = fft.irfft((fw * fk).sum(axis=0), n) / max(float(k.sum()), 1.0)
    floor = 1e-4 * float(energy.max()) + 1e-12
    score = np.where(shared > LEAST_SHARED, cross / np.sqrt(np.maximum(energy, floor)), -1.0)
    return np.where(score > 0, score * np.sqrt(np.clip(shared / ALL_SHARED, 0, 1)), score), shared


def _turn_at(score: np.ndarray, shared: np.ndarray, best: int) -> Turn:
    n = len(score)
    before, at, after = score[best - 1], score[best], score[(best + 1) % n]
    bend = before - 2 * at + after
    part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    deg = (best + float(np.clip(part, -0.5, 0.5))) * 360.0 / n
    return Turn((deg + 180.0) % 360.0 - 180.0, 0.3, float(at), 0.0, float(shared[best]), float(at))
