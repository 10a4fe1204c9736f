"""Each place about a rotor told twice: by what it usually shows, and by what the rotor shows that has turned there.

In:  strips of flashes, and how far the rotor had turned in each.
Out: by how much either tells each sector of each row better.
Not here: what follows from that (`rim.py`, `uncovered.py`).

What crosses, a lead or a hand, is told by neither.
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.angles import turned

N_SECTORS = 32


def told(strips: np.ndarray, known: np.ndarray, degs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How much better each sector of each row is told by what turns, and by what stands still, (n_radii, N_SECTORS)."""
    back = np.stack([turned(strip, -deg) for strip, deg in zip(strips, degs, strict=True)])
    back_known = np.stack([turned(k.astype(np.float32), -deg) > 0.98 for k, deg in zip(known, degs, strict=True)])
    still = _off_usual(strips, known)
    # Back to where it was seen, so that both are asked about the same places.
    turning = np.stack([turned(off, deg) for off, deg in zip(_off_usual(back, back_known), degs, strict=True)])
    both = known & np.stack([turned(k.astype(np.float32), d) > 0.98 for k, d in zip(back_known, degs, strict=True)])
    # By how much the one tells each place better than the other: no more than the two differ, whatever crosses.
    better = np.where(both, np.abs(still) - np.abs(turning), 0.0)
    parts = [(np.maximum(part, 0) ** 2).sum(axis=0) for part in (better, -better)]
    inner, outer = (part.reshape(len(part), N_SECTORS, -1).sum(axis=2) for part in parts)
    return inner, outer


def _off_usual(strips: np.ndarray, known: np.ndarray) -> np.ndarray:
    """How far each strip's cell is off what most flashes show there; 0 where fewer than five do."""
    count = known.sum(axis=0)
    # Sorted, what is not known comes last; `nanmedian` says the same in several times the room and time.
    order = np.sort(np.where(known, strips, np.inf), axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(strips) - 1)
    middle = [np.take_along_axis(order, k[None], axis=0)[0] for k in (low, high)]
    enough = count > 4
    usual = np.where(enough, 0.5 * (middle[0] + middle[1]), 0.0)
    return np.where(known & enough, strips - usual, 0.0).astype(np.float32)
