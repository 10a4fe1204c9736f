"""Feeler blades: which one comes nearest to a wanted gap.

In:  a wanted gap in thou, the limits of the gap, the blades at hand.
Out: a gap that one blade, or two together, make.
Not here: what a gap does to the timing (`adjusters.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

# A usual set of blades, thou (common practice, no source): every thou to 25, then wider steps.
COMMON_BLADES_THOU: tuple[float, ...] = (*(float(thou) for thou in range(2, 26)), 26.0, 28.0, 30.0, 32.0, 35.0)


def stacks(blades_thou: Sequence[float]) -> dict[float, tuple[float, ...]]:
    """Every gap that one blade makes, or two together where no single one does.

    Parameters
    ----------
    blades_thou : sequence of float
        The set.

    Returns
    -------
    dict of float to tuple of float
        Gap in thou: the blades for it.
    """
    found: dict[float, tuple[float, ...]] = {round(blade, 6): (blade,) for blade in blades_thou}
    for thin, thick in combinations(sorted(blades_thou), 2):
        found.setdefault(round(thin + thick, 6), (thin, thick))
    return found


def nearest_blade(
    wanted_thou: float, from_thou: float, limits_thou: tuple[float, float], gaps_thou: Iterable[float]
) -> float | None:
    """The gap that blades make nearest to a wanted one and that does not lie on the wrong side of the present one.

    Parameters
    ----------
    wanted_thou, from_thou : float
        Gap that would be right; gap now.
    limits_thou : tuple of float
        Smallest and largest gap allowed, both included.
    gaps_thou : iterable of float
        Gaps that blades make.

    Returns
    -------
    float or None
        Thou; None where none within the limits brings the gap nearer to what is wanted.
    """
    wider = wanted_thou > from_thou
    allowed = [
        gap
        for gap in gaps_thou
        if limits_thou[0] <= gap <= limits_thou[1] and (gap > from_thou if wider else gap < from_thou)
    ]
    if not allowed:
        return None
    best = min(allowed, key=lambda gap: abs(gap - wanted_thou))
    return best if abs(best - wanted_thou) < abs(from_thou - wanted_thou) else None
