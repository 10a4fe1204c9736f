"""Marks and an index that differ from what is about them by their colour alone: yellow chalk on bright steel.

In:  the clip, its flashes, where the rotor stands and how it is turned in each.
Out: `Marks`, found on maps of colour in place of one or both of those of light.
Not here: how lines are named (`naming.py`).

Light alone is what angles are read by; colours are coded at half its resolution and blurred more. So they are asked
only where marks or index are not found without them, and the clip is decoded once more for that.

References
----------
.. [1] ITU-R BT.709-6, item 3.2: Y', Cb and Cr.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.circle import wrap
from timingcam.seeing.clip import ClipInfo, coloured
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.hues import hue_of
from timingcam.seeing.marks import Maps, Mark, Marks
from timingcam.seeing.naming import NotThere
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.strips import Grid, Sampler, even_out, make_sampler, recentred, unwrap_by
from timingcam.seeing.view import Mean, View, turned_back

MOST_FLASHES = 60  # our choice: a mean of so many has an eighth of the noise of one
BLACK, GREY = 16.0, 128.0
DARKEST = 24.0  # our choice, of codes above black: colours of what is darker are noise
SITED_PX = 0.25  # a coded colour lies on the left one of its two columns or midway: the clip seldom tells
LEAST_HUE = 0.1  # our choice, of the light: a paint that differs by less may be off either way in a lamp's tint
SAME_DEG = 1.0  # our choice: ways to read the colours that are this near say the same

Finder = Callable[[Maps], Marks]
Judge = Callable[[Maps], float]


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    info: ClipInfo
    flashes: Flashes
    view: View
    turns: FlashTurns


def find_in_colour(
    seen: tuple[ClipInfo, Flashes, View, FlashTurns],
    maps: Maps,
    find: Finder,
    judge: Judge,
    paints: Mapping[str, str | None] = MappingProxyType({}),
) -> tuple[Maps, Marks]:
    """Marks and index, one or both of them by their colour.

    Parameters
    ----------
    seen : (ClipInfo, Flashes, View, FlashTurns)
    maps : Maps
        Of light, on which they are not found.
    find : callable
        From maps to marks; raises `NotThere` where there are none.
    judge : callable
        How clearly marks and index can be read on maps.
    paints : mapping, optional
        The words for the paint of each mark, by its name: rust and oil are of other hues.

    Returns
    -------
    Maps, Marks
        The maps on which they were found.

    Raises
    ------
    NotThere
        If they are not found in colour either.
    CannotMeasure
        If colours can be read in several ways.
    """
    ways = sorted(_ways(maps, mean_colours(seen, maps.grid)), key=lambda way: judge(way[0]), reverse=True)
    found: list[tuple[Maps, Marks]] = []
    for way, plane in ways:
        try:
            marks = find(way)
        except NotThere:
            continue
        if plane is None or (_share_radii(marks) and _are_so_painted(way, plane, marks, paints)):
            found.append((way, _less_sure(marks, way)))
    if not found:
        raise NotThere(found="no marks or index by their colour", expected="both", do="paint them")
    best, marks = found[0]
    apart = [float(wrap(one.zero_deg - one.index.deg - marks.zero_deg + marks.index.deg)) for _, one in found]
    if np.abs(apart).max() > SAME_DEG:
        raise CannotMeasure(
            found="marks and an index by their colours only, which can be read in several ways, "
            f"{np.abs(apart).max():.0f} degrees apart",
            expected="marks and an index that are plainly brighter or darker than what is about them",
            do="paint them white, or point at them with --mark NAME@X,Y and --index X,Y",
        )
    return best, marks


def _ways(maps: Maps, colours: list[tuple[np.ndarray, np.ndarray]]) -> list[tuple[Maps, int | None]]:
    """The maps with marks, index or both by one of the colours, and by which the marks."""
    rotors: list[tuple[np.ndarray, int | None]] = [(maps.rotor, None)]
    rotors += [(rotor, plane) for plane, (rotor, _) in enumerate(colours) if maps.whole]
    stills = [maps.still, *(still for _, still in colours)]
    return [(replace(maps, rotor=rotor, still=still), plane) for rotor, plane in rotors for still in stills][1:]


def _share_radii(marks: Marks) -> bool:
    """Whether there is a radius at which all marks are: stains lie anywhere."""
    return max(mark.inner for mark in marks.marks) < min(mark.outer for mark in marks.marks)


def _are_so_painted(maps: Maps, plane: int, marks: Marks, paints: Mapping[str, str | None]) -> bool:
    """Whether each mark differs from what is beside it towards its paint's hue, as far as words for that are known."""
    hues = {mark: hue_of(paints.get(mark.name)) for mark in marks.marks}
    towards = {mark: hue[plane] for mark, hue in hues.items() if hue is not None and abs(hue[plane]) > LEAST_HUE}
    return all(_stands_out(maps, mark) * hue > 0 for mark, hue in towards.items())


def _stands_out(maps: Maps, mark: Mark) -> float:
    """By how much a mark's colour exceeds that to both of its sides."""
    rows = (maps.grid.radii >= mark.inner) & (maps.grid.radii <= mark.outer)
    ring, step = maps.rotor[rows].mean(axis=0), maps.grid.step_deg
    half = max(1, round(0.5 * mark.width_deg / step))
    at = round(mark.deg / step) + np.arange(-half, half + 1)
    here, left, right = (float(ring.take(at + aside, mode="wrap").mean()) for aside in (0, -4 * half, 4 * half))
    return here - 0.5 * (left + right)


def mean_colours(what: tuple[ClipInfo, Flashes, View, FlashTurns], grid: Grid) -> list[tuple[np.ndarray, np.ndarray]]:
    """Maps of the rotor and of what stands still, evened out, in blueness and in redness, shares of the light there;
    none where no flash was read."""
    seen = _Seen(*what)
    readable = np.flatnonzero(np.isfinite(seen.turns.turn_deg))
    if not len(readable):
        return []
    # Of a flash that lies across two frames, either may be the one whose place is known.
    single = np.bincount(seen.flashes.piece_of, minlength=len(seen.flashes))[readable] == 1
    readable = readable[single] if single.any() else readable
    some = readable[np.unique(np.linspace(0, len(readable) - 1, MOST_FLASHES).round().astype(int))]
    pieces: dict[int, list[int]] = defaultdict(list)
    first = seen.flashes.first_pieces()
    for flash in some:
        pieces[int(seen.flashes.piece_frame[first[flash]])].append(int(flash))
    sampler = make_sampler(grid, seen.view.pose, seen.view.uncovered)
    means = [(Mean(), Mean()) for _ in range(2)]
    for frame, codes in coloured(seen.info, pieces.keys()):
        light = np.maximum(codes[0].astype(np.float32) - BLACK, DARKEST)
        for colour, (rotor, still) in zip(codes[1:], means, strict=True):
            # One more than the colour's share of the light: as a shade is evened out, so is it.
            picture = 1.0 + (colour.astype(np.float32) - GREY) / light
            for flash in pieces[frame]:
                _add(seen, (flash, int(first[flash])), (sampler, picture), (rotor, still))
    return [(rotor.mean(), even_out(still.mean(), still.known(), grid)[0]) for rotor, still in means]


def _add(seen: _Seen, which: tuple[int, int], how: tuple[Sampler, np.ndarray], to: tuple[Mean, Mean]) -> None:
    """One flash's strip to the mean of what stands still, and turned back to that of the rotor."""
    (flash, piece), (sampler, picture), (rotor, still) = which, how, to
    rows = int(seen.flashes.piece_first[piece]), int(seen.flashes.piece_last[piece])
    strip, known = unwrap_by(sampler, picture, seen.turns.shift[flash], rows)
    still.add(strip, known)
    x, y = seen.turns.centre[flash]
    strip, known = recentred(*even_out(strip, known, sampler.grid), sampler.grid, (float(x), float(y)))
    rotor.add(*turned_back(strip, known, float(seen.turns.turn_deg[flash])))


def _less_sure(marks: Marks, maps: Maps) -> Marks:
    """The same, with the doubt of where in the picture a coded colour lies: it moves marks and index alike, but as one
    of them may be read by its light, they are not held against each other."""
    index = marks.index
    sd_deg = float(np.degrees(SITED_PX / (maps.pose.radius_px * index.radius)))
    return replace(marks, index=replace(index, sd_deg=float(np.hypot(index.sd_deg, sd_deg))))
