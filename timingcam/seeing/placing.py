"""Exact places of the marks and the index, from lines near where a reading puts them.

In:  the maps, the reading of the picture, the places of the file's marks.
Out: `Marks`.
Not here: which reading it is (`constellation.py`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.seeing.circle import wrap
from timingcam.seeing.constellation import Reading
from timingcam.seeing.lines import RUNS_ON_ROTOR, Line, are_twins, centreline, find_lines
from timingcam.seeing.marks import INSIDE, Index, Maps, Mark, Marks, Place
from timingcam.seeing.ways import SPACING_TOLERANCE_DEG, as_painted

CLOSE_DEG = 1.0  # once the others are known
MISFIT_DEG = 0.5
TIMES_THE_SHORTEST, LEAST_LONG = 1.5, 0.1  # our choice: of marks on one rotor; rim radii
TWIN_WITHIN = 0.15  # our choice: pairs on one rotor are cut alike


def located(maps: Maps, reading: Reading, places: list[Place], pointed: frozenset[str] = frozenset()) -> Marks:
    """Marks and index where they stand; `pointed`: names of marks at which the user points, taken as they are."""
    index = _locate_index(maps, reading.index)
    inside = maps.grid.radii < INSIDE * maps.rim
    lines = find_lines(maps.rotor[inside], maps.grid.some(inside), most=80, runs=RUNS_ON_ROTOR)
    zero = reading.zero_deg
    found: list[Mark] = []
    chosen: list[tuple[Place, Line | None]] = []
    # Again about a better zero: the clearest line near a place need not be the one that stands where the others say.
    for reach in (SPACING_TOLERANCE_DEG, CLOSE_DEG, CLOSE_DEG):
        chosen = [(place, _best_line(lines, place, zero, reach)) for place in places]
        found = [_mark_at(maps, index, place, line) for place, line in _as_long(maps, index, chosen)] or found
        zero = _middle_zero(found, zero)
    twins = {} if pointed else _twins(found, chosen, lines, maps.rim)
    middles = [_in_the_middle(maps, index, mark, twins.get(mark.name)) for mark in found]
    found = [mark for mark, _ in middles]
    zero, zero_sd, file_sd, offsets = _zero_of(found, zero)
    warnings = []
    if twins:
        gap = float(np.median([apart for _, apart in middles if apart]))
        # One of the two may be meant, and the same for all marks of a rotor.
        zero_sd = float(np.hypot(zero_sd, gap / 2))
        warnings.append(
            f"Marks look like pairs of lines {gap:.1f} degrees apart: each was taken to stand midway, and the doubt "
            "covers either line. Point at the one that is meant with --mark NAME@X,Y."
        )
    for mark, offset in zip(found, offsets, strict=True):
        if abs(offset) > MISFIT_DEG + 2 * mark.sd_deg:
            warnings.append(
                f"Mark {mark.name} stands {abs(offset):.1f} degrees from where the engine file and the other marks put "
                "it: check the file, and which mark is right."
            )
    missing = sorted({p.name for p in places if maps.shows(zero + p.deg)} - {m.name for m in found})
    if missing:
        warnings.append(f"Not found on the rotor: mark {', '.join(missing)}.")
    return Marks(tuple(found), index, zero, zero_sd, file_sd, tuple(warnings))


def _best_line(lines: list[Line], place: Place, zero: float, reach_deg: float) -> Line | None:
    """The line whose clearness, less for being off and against the mark's paint, is the most."""
    off = {line: abs(float(wrap(line.deg - place.deg - zero))) for line in lines}

    def worth(line: Line) -> float:
        return as_painted(line, place) * float(np.sqrt(line.score) * np.exp(-((off[line] / (0.5 * reach_deg)) ** 2)))

    return max((line for line in lines if off[line] < reach_deg), key=worth, default=None)


def _twins(
    found: list[Mark], chosen: list[tuple[Place, Line | None]], lines: list[Line], rim: float
) -> dict[str, Line]:
    """The second line of each mark that is drawn as two, by the mark's name; empty unless most marks are."""
    line_of = {place.name: line for place, line in chosen if line is not None}
    taken = [line.deg for line in line_of.values()]
    twins = {}
    for name, line in line_of.items():
        alike = [other for other in lines if are_twins(line, other, rim)]
        free = [other for other in alike if all(abs(wrap(other.deg - deg)) > CLOSE_DEG for deg in taken)]
        if free:
            twins[name] = min(free, key=lambda other: abs(float(wrap(other.deg - line.deg))))
    if 2 * len(twins) <= len(found):
        return {}
    gap = float(np.median([abs(wrap(twin.deg - line_of[name].deg)) for name, twin in twins.items()]))
    # Where it is known how far apart, what is there need not be as clear as the other line.
    for name in line_of.keys() - twins.keys():
        line = line_of[name]
        off = {n: abs(abs(float(wrap(n.deg - line.deg))) - gap) for n in lines if n.sign == line.sign}
        there = [n for n, how_far in off.items() if how_far < TWIN_WITHIN * gap]
        if there:
            twins[name] = max(there, key=lambda n: n.score)
    return twins


def _in_the_middle(maps: Maps, index: Index, mark: Mark, twin: Line | None) -> tuple[Mark, float]:
    """A mark that is two lines side by side, midway between them, and how far they are apart, degrees."""
    if twin is None:
        return mark, 0.0
    inside = maps.grid.radii < INSIDE * maps.rim
    deg, sd = centreline(maps.rotor[inside], maps.grid.some(inside), twin, _end_nearest(twin, index.radius))
    gap = float(wrap(deg - mark.deg))
    return replace(mark, deg=mark.deg + gap / 2, sd_deg=float(np.hypot(mark.sd_deg, sd)) / 2**0.5), abs(gap)


def _as_long(maps: Maps, index: Index, chosen: list[tuple[Place, Line | None]]) -> list[tuple[Place, Line]]:
    """Those that were found, none much longer than the shortest: what goes on beyond is a pole's edge or a scratch that
    stands in line, and draws its middle aside. What is left is the end nearest the index."""
    found = [(place, line) for place, line in chosen if line is not None]
    shortest = min((line.outer - line.inner for _, line in found), default=0.0)
    long = max(TIMES_THE_SHORTEST * shortest, LEAST_LONG * maps.rim)

    def cut(line: Line) -> Line:
        if abs(line.outer - index.radius) <= abs(line.inner - index.radius):
            return replace(line, inner=max(line.inner, line.outer - long))
        return replace(line, outer=min(line.outer, line.inner + long))

    return [(place, cut(line)) for place, line in found]


def _mark_at(maps: Maps, index: Index, place: Place, line: Line) -> Mark:
    inside = maps.grid.radii < INSIDE * maps.rim
    deg, sd = centreline(maps.rotor[inside], maps.grid.some(inside), line, _end_nearest(line, index.radius))
    sd = float(np.hypot(sd, maps.bend_sd_deg(deg, index.deg)))
    return Mark(place.name, deg, sd, line.inner, line.outer, line.width_deg, place.deg, place.sd_deg)


def _middle_zero(found: list[Mark], near_deg: float) -> float:
    """The zero that half of the marks' weight lies on either side of: one mark that is off does not move it far."""
    each = np.array([float(wrap(m.deg - m.file_deg - near_deg)) for m in found])
    weight = np.array([1 / np.hypot(m.sd_deg, m.file_sd_deg) ** 2 for m in found])
    order = np.argsort(each)
    share = np.cumsum(weight[order]) / weight.sum()
    return near_deg + float(each[order][int(np.searchsorted(share, 0.5))])


def _zero_of(found: list[Mark], near_deg: float) -> tuple[float, float, float, list[float]]:
    """The map's zero as the weighted mean over the marks, its sds, and each mark's distance from it."""
    each = np.array([near_deg + float(wrap(m.deg - m.file_deg - near_deg)) for m in found])
    own = np.array([np.hypot(m.sd_deg, m.file_sd_deg) for m in found])
    weight = 1 / own**2
    zero = float((weight * each).sum() / weight.sum())
    share = weight / weight.sum()
    zero_sd = float(np.sqrt((share**2 * np.array([m.sd_deg for m in found]) ** 2).sum()))
    file_sd = float(np.sqrt((share**2 * np.array([m.file_sd_deg for m in found]) ** 2).sum()))
    if len(found) > 1:
        # Marks that disagree by more than their doubts say that the doubts are too small (Birge's ratio).
        ratio = float(np.sqrt((weight * (each - zero) ** 2).sum() / (len(found) - 1)))
        zero_sd, file_sd = zero_sd * max(1.0, ratio), file_sd * max(1.0, ratio)
    return zero, zero_sd, file_sd, [float(e - zero) for e in each]


def _end_nearest(line: Line, radius: float) -> tuple[float, float]:
    """The third of a line at its end nearest a radius, its very end left out, where it may be ragged."""
    length = line.outer - line.inner
    if abs(line.outer - radius) <= abs(line.inner - radius):
        return line.outer - 0.4 * length, line.outer - 0.08 * length
    return line.inner + 0.08 * length, line.inner + 0.4 * length


def _locate_index(maps: Maps, line: Line) -> Index:
    # The index's end nearest the marks is its inner one, where it stands outside of them; else its outer one.
    span = _end_nearest(line, 0.9 * maps.rim)
    outside = maps.is_beside()
    # Beside its own shadow it has two sides by what is brighter than about it.
    still = np.maximum(maps.still[outside], 0.0) if line.shaded else maps.still[outside]
    deg, sd = centreline(still, maps.grid.some(outside), line, span)
    return Index(deg, sd, line.outer if maps.toward_shaft else line.inner, line.width_deg)
