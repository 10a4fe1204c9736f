"""The map begun by flashes of one speed, and spread from there to slower and faster ones.

In:  evened-out strips, how fast flashes came about each.
Out: the map that they make, and their turns.
Not here: when a map is begun so (`rotor_map.py`).

A strobe that follows the engine shows the rotor alike at one speed. Slices that share hardly anything are laid together
by that, as they stand; those of a speed a little further on are looked for about where these stand, so that none is
laid on another hole or spoke.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.seeing.angles import Turn, fits, read_turn
from timingcam.seeing.cells import RotorMap, telling_cells
from timingcam.seeing.map_rounds import EARLY_SETTLED_RAD, Strips, rebuilt, settled
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.sides import AGREED_DEG, NEAR_DEG, WIDEST_DEG, about, alike_in_speed

AS_IT_STANDS = Turn(0.0, 0.1, 1.0, 0.0, 1.0, 1.0)
# Our choice: of the logarithm of rates, that of the next flashes, between which a steep curve rises by four degrees;
# how many of them say where to look; rounds, each to the next speeds.
NEXT_RATE, NEXT_MOST, NEXT_FEWEST = 0.15, 5, 3
MOST_ROUNDS = 60


def from_one_speed(begins: RotorMap, seen: Strips, rate_hz: np.ndarray) -> tuple[RotorMap, list[Turn | None]]:
    """The map of the strips, from the most of them that came at one speed to all others.

    Parameters
    ----------
    begins : RotorMap
        Any map of their grid.
    seen : (list of ndarray, list of ndarray)
        Strips, shape (n_radii, n_angles), and where each is known.
    rate_hz : ndarray, shape (n_strips,)

    Returns
    -------
    RotorMap, list of Turn or None
        Of all strips None where even those of one speed do not look alike.
    """
    alike = alike_in_speed(rate_hz)
    rotor = rebuilt(begins, *seen, _as_they_stand(alike))
    turns: list[Turn | None] = [None] * len(alike)
    asked, new, near_deg = np.zeros(len(alike), bool), alike, np.zeros(len(alike))
    for _ in range(MOST_ROUNDS):
        asked |= new
        more = _read_near(rotor, seen, np.where(new, near_deg, np.nan))
        turns = [turn or other for turn, other in zip(turns, more, strict=True)]
        if not any(turns):
            return rotor, turns
        near_deg = _next_deg(turns, rate_hz)
        new = np.isfinite(near_deg) & ~asked
        if not new.any():
            # Between these speeds and others there are too few.
            rotor = rebuilt(rotor, *seen, turns)
            new, there = _next_group(rotor, turns, seen, asked, rate_hz)
            near_deg = np.full(len(alike), there)
        if not new.any():
            break
    rotor, turns = settled(rebuilt(rotor, *seen, turns), seen, turns, only_near=True)
    if not any(turn is not None and fits(turn) for turn in turns):
        return rotor, turns
    return replace(rotor, between_deg=about(turns), surely=True), turns


def _as_they_stand(alike: np.ndarray) -> list[Turn | None]:
    return [AS_IT_STANDS if one else None for one in alike]


def _next_group(
    rotor: RotorMap, turns: list[Turn | None], seen: Strips, asked: np.ndarray, rate_hz: np.ndarray
) -> tuple[np.ndarray, float]:
    """The most flashes of one speed among those not asked for yet, and where they stand together; none where that
    cannot be told."""
    left = np.flatnonzero(~asked)
    group, none = np.zeros(len(asked), bool), np.zeros(len(asked), bool)
    if len(left) < NEXT_FEWEST:
        return none, np.nan
    group[left[alike_in_speed(rate_hz[left])]] = True
    theirs = rebuilt(rotor, *seen, _as_they_stand(group))
    within = _onwards(turns, np.abs(np.log(rate_hz) - np.log(rate_hz[group]).mean()))
    cells = replace(telling_cells(rotor), between_deg=within, surely=True)
    by = read_turn(rotor, cells, theirs.light + rotor.still, theirs.known > 0.5)
    return (group, by.deg) if by is not None and fits(by) else (none, np.nan)


def _onwards(turns: list[Turn | None], apart: np.ndarray) -> tuple[float, float]:
    """Between which angles flashes of another speed stand, so far from each of these: an advancer moves one way."""
    read = np.array([k for k, turn in enumerate(turns) if turn is not None])
    next_ones = read[np.argsort(apart[read], kind="stable")[:NEXT_MOST]]
    edge_deg = float(np.median([turns[k].deg for k in next_ones]))
    if edge_deg > AGREED_DEG:
        return edge_deg - AGREED_DEG, WIDEST_DEG
    return -WIDEST_DEG, edge_deg + AGREED_DEG if edge_deg < -AGREED_DEG else WIDEST_DEG


def _next_deg(turns: list[Turn | None], rate_hz: np.ndarray) -> np.ndarray:
    """About where each strip should stand by others that came about as fast; NaN where there are too few."""
    rate = np.log(rate_hz)
    degs = np.array([np.nan if turn is None else turn.deg for turn in turns])
    near = np.full(len(degs), np.nan)
    for k in range(len(degs)):
        apart = np.where(np.isfinite(degs), np.abs(rate - rate[k]), np.inf)
        apart[k] = np.inf
        next_ones = np.argsort(apart, kind="stable")[:NEXT_MOST]
        next_ones = next_ones[apart[next_ones] < NEXT_RATE]
        if len(next_ones) >= NEXT_FEWEST:
            near[k] = float(np.median(degs[next_ones]))
    return near


def _read_near(rotor: RotorMap, seen: Strips, near_deg: np.ndarray) -> list[Turn | None]:
    """Each strip's turn, looked for about where it should stand; None where that is not known or it does not fit."""
    cells = telling_cells(rotor)

    def read(one: tuple[np.ndarray, np.ndarray, float]) -> Turn | None:
        strip, known, deg = one
        if np.isnan(deg):
            return None
        there = replace(cells, between_deg=(deg - NEAR_DEG, deg + NEAR_DEG), surely=True)
        turn = read_turn(rotor, there, strip, known, None, EARLY_SETTLED_RAD)
        return turn if turn is not None and fits(turn) else None

    return list(side_by_side(read, list(zip(*seen, near_deg.tolist(), strict=True))))
