"""Ways to lay the marks: which lines of the rotor's map could be those of the engine file.

In:  the maps, lines found on them, the places of the file's marks, the user's hints.
Out: `Way`s, each the map's zero with the lines that would be the marks.
Not here: which of them it is (`constellation.py`).

The marks are the constellation of lines that fits the file.
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.circle import wrap
from timingcam.seeing.hues import lightness_of
from timingcam.seeing.lines import Line, are_alike, are_beside, find_lines
from timingcam.seeing.marks import Hints, Maps, Place
from timingcam.seeing.rivals import but_flanks, but_ground, of_the_ground

SPACING_TOLERANCE_DEG = 1.6  # our choice: marks put on by hand are up to a degree off
# Our choice: further than any advancer moves the spark; a tenth of the flashes. What crosses the view may pass for a
# rotor that is turned by any angle.
STRAY_DEG, STRAY_SHARE = 75.0, 0.1
# Our choice: metal's texture, the best of 40 lines round the ring, reaches about 0.26 of a score a radius, a scribed
# line in dim light 0.45 or more.
# Marks are the clearer: 0.65 or more where they can be measured at all.
CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS = 0.3, 0.5
ROUND_THE_RING = 40.0  # lines, each as broad as a mark with its surroundings
LEAST_SHARE = 0.6  # our choice: of the file's marks that must be there, of those whose place can be seen
FEWEST_PLAINEST = 3  # our choice: marks; of two any two lines may have the spacing
FEWEST_FOUND = 2  # where only a part is seen, all that can be; and two anyway: one line alone fits anywhere
PLAIN_A_ROW, FEWEST_ROWS = 3.0, 4  # our choice: of score; a row of texture reaches 1.5, a row of a notch 3.8 or more
DISTINCT_DEG = 2.5  # ways to lay the constellation closer than this are one, read off one line or another
AS_GOOD = 0.9  # our choice: of the best score of ways that are one
RIVAL_SHARE = 0.8  # our choice: a rival reading of the picture this good makes the names unsure

# Our choice: of a line's worth, where it is dark and its paint bright: letters stamped beside marks are as plain, and
# spaced alike. Not nothing, as chrome outshines white paint.
AGAINST_PAINT = 0.6

Way = tuple[float, float, tuple[Line | None, ...]]  # to lay the marks: the map's zero, a score, the lines


def least_clear(strip: np.ndarray, a_radius: float) -> float:
    """Score below which a line of a map may be texture: texture reaches scores in proportion to the radii that there
    are, and the best of as many places as there are.

    The best of n samples of noise lies at about the root of 2·ln n sds (Cramér, Mathematical Methods of Statistics,
    28.6, from memory).
    """
    shown = float((strip != 0).any(axis=0).mean())
    fewer = np.sqrt(np.log(max(ROUND_THE_RING * shown, 2.0)) / np.log(ROUND_THE_RING))
    return a_radius * len(strip) * float(fewer)


def ways_to_lay(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    """`zeros_of` the lines that are clear.

    Where there is none: short marks on rough metal are fainter, and yet no texture if they are the plainest lines that
    there are, as many as the file's, and all of them where they should be; or if all of them are there, and half of
    them clear; or if a cover hides some, and all others are there and alike. Dots have no length to be clear by, but
    are plain in each of their rows, as letters are: all of them must be there, and one like the other. A letter that
    stands below its dot makes one line with it, so dots of bright paint are looked for at the radii of each other, too.
    Others are not: letters beside lines that are too faint stand as the lines do, but aside.
    """
    lines = [line for line in lines if maps.shows_about(line)]
    clear = [line for line in lines if line.score > least_clear(maps.rotor, CLEAR_MARK_A_RADIUS)]
    if ways := zeros_of(maps, clear, places, hints):
        return ways
    for fainter in (_of_the_plainest, _with_fainter, _of_like_ones):
        if ways := fainter(maps, lines, places, hints):
            return ways
    short = [line for line in lines if is_plain_throughout(maps, line)]
    if ways := _of_one_kind(maps, short, places, hints):
        return ways
    if not all(place.mark.paint for place in places):
        return []
    painted = [_at_the_radii_of(maps, line) for line in short if line.sign > 0]
    return [way for dots in painted for way in _of_one_kind(maps, dots, places, hints)]


def _of_the_plainest(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    """Ways to lay the marks on as many lines as the file has, of a part of a rotor on as many as are no texture and
    beside one another, as a bore further in is not: all of them, and no mark is missed."""
    least = least_clear(maps.rotor, CLEAR_A_RADIUS)
    plainest = sorted(but_ground(lines), key=lambda line: -line.score)
    if not maps.whole:
        plainest = [line for line in plainest if line.score >= least and are_beside(plainest[0], line)]
    plainest = plainest[: len(places)]
    if len(plainest) < FEWEST_PLAINEST or plainest[-1].score < least:
        return []
    # Of a part, ways that miss a mark that shows are none.
    return [way for way in zeros_of(maps, plainest, places, hints) if set(plainest) == set(filter(None, way[2]))]


def _with_fainter(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    """Ways to lay the marks on lines of which half are clear, and the others no texture: all of them, and no mark is
    missed. So one cylinder's marks are painted white, the other's red, which a lamp's light hardly shows."""
    least, clear = (least_clear(maps.rotor, a_radius) for a_radius in (CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS))
    if not maps.whole:
        return []
    fewest = max(FEWEST_PLAINEST, len(places) / 2)
    ways = zeros_of(maps, [line for line in lines if line.score > least], places, hints)
    return [way for way in ways if all(way[2]) and sum(line.score > clear for line in way[2] if line) >= fewest]


def _of_like_ones(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    """Ways to lay the marks, of which a cover hides some, on lines that are no texture, each like the first: all that
    show, and enough of them."""
    if not maps.whole:
        return []
    least = least_clear(maps.rotor, CLEAR_A_RADIUS)
    ways = zeros_of(maps, [line for line in lines if line.score > least], places, hints)
    return [way for way in ways if _are_like_ones(maps, way, places)]


def _are_like_ones(maps: Maps, way: Way, places: list[Place]) -> bool:
    zero, _, lines = way
    found = [line for line in lines if line is not None]
    shown = [maps.shows(zero + place.deg) for place in places]
    missing = any(line is None and there for line, there in zip(lines, shown, strict=True))
    alike = all(are_alike(found[0], line, maps.rim) for line in found[1:])
    return len(found) >= FEWEST_PLAINEST and alike and not missing and not all(shown)


def _of_one_kind(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    return [way for way in zeros_of(maps, lines, places, hints) if _are_one_kind(way[2], maps.rim)]


def _at_the_radii_of(maps: Maps, line: Line) -> list[Line]:
    """Bright lines that are plain in each of their rows, where only the radii of a line are looked at."""
    rows = (maps.grid.radii >= line.inner) & (maps.grid.radii <= line.outer)
    found = find_lines(maps.rotor[rows], maps.grid.some(rows))
    return [one for one in found if one.sign > 0 and is_plain_throughout(maps, one)]


def is_plain_throughout(maps: Maps, line: Line) -> bool:
    """Whether a line is plain in each of its rows, however few: texture is not."""
    rows = int(((maps.grid.radii >= line.inner) & (maps.grid.radii <= line.outer)).sum())
    return line.score > PLAIN_A_ROW * max(rows, FEWEST_ROWS)


def _are_one_kind(lines: tuple[Line | None, ...], rim: float) -> bool:
    """Whether there are two or more lines, none is missing, and each looks as the first does."""
    first = lines[0]
    return len(lines) > 1 and all(first and line and (line is first or are_alike(first, line, rim)) for line in lines)


def zeros_of(maps: Maps, lines: list[Line], places: list[Place], hints: Hints) -> list[Way]:
    """Angles of the map's zero at which lines stand where marks should: (zero, score, the lines)."""
    anchors = [(place, line.deg) for line in lines for place in places]
    if hints.marks_deg:
        anchors = [(p, deg) for name, deg in hints.marks_deg for p in places if p.name == name]
    result: list[Way] = []
    for place, deg in anchors:
        zero = deg - place.deg
        matched = but_flanks(tuple(_likeliest(maps, lines, p, zero) for p in places))
        found = [(m, p) for m, p in zip(matched, places, strict=True) if m is not None]
        shown = sum(maps.shows(zero + p.deg) for p in places)
        fewest = max(LEAST_SHARE * shown if maps.whole else shown, min(FEWEST_FOUND, len(places)))
        if len(found) < (1 if hints.marks_deg else fewest):
            continue
        zero += float(np.median([wrap(m.deg - p.deg - zero) for m, p in found]))
        score = _constellation_score(maps, matched, places, zero)
        if score > 0:  # else more is missing than is there
            result.append((float(wrap(zero)), score, matched))
    distinct: list[Way] = []
    most = max((r[1] for r in result), default=0.0)
    while result:
        # The ground between marks and their twins has lines as plain as need be: of ways that are about as good, the
        # one with the clearest lines, and what is near to that one is the same.
        as_good = [r for r in result if r[1] >= AS_GOOD * max(one[1] for one in result)]
        best = max(as_good, key=lambda r: sum(np.sqrt(line.score) for line in r[2] if line is not None))
        distinct.append(best)
        result = [r for r in result if abs(wrap(r[0] - best[0])) > DISTINCT_DEG]
    # A poor fit is no way out where the good one gives no advance that an engine can have.
    good = [way for way in distinct[:12] if way[1] >= RIVAL_SHARE * most]
    own = [way for way in good if not any(_is_ground(way, other) for other in good)]
    return [way for way in own if not any(_outdone(way, other) for other in own)]


def _is_ground(way: Way, of: Way) -> bool:
    """Whether a way is read off the ground beside another one's lines, and that one not off the ground beside its."""
    return way is not of and of_the_ground(of[2], way[2]) and not of_the_ground(way[2], of[2])


def _outdone(way: Way, by: Way) -> bool:
    """Whether a way is another one that is turned on, and less plain: it shares lines with that one, and the rest of
    its own are plainly less than that one's rest.

    So a twin's marks lie on the other cylinder's, turned on by more than any advance; most of the lines are shared
    then. And so letters beside marks may stand as the marks do, with a mark among them; all marks are there then.
    """
    shared = set(filter(None, way[2])) & set(filter(None, by[2]))
    own, theirs = ([line.score for line in one[2] if line and line not in shared] for one in (way, by))
    far = abs(float(wrap(way[0] - by[0]))) > STRAY_DEG
    alike = 2 * len(shared) >= len(way[2]) if far else bool(shared) and all(by[2])
    return alike and bool(theirs) and max(own, default=0.0) < 0.5 * min(theirs)


def as_painted(line: Line, place: Place) -> float:
    """Of a line's worth, what is left where it is bright and its mark's paint dark, or the other way round."""
    return AGAINST_PAINT if line.sign == -lightness_of(place.mark.paint) else 1.0


def _likeliest(maps: Maps, lines: list[Line], place: Place, zero: float) -> Line | None:
    near = [line for line in lines if abs(wrap(line.deg - place.deg - zero)) < SPACING_TOLERANCE_DEG]
    return max(near, key=lambda line: _worth(maps, line, place, zero, line.score), default=None)


def _worth(maps: Maps, line: Line, place: Place, zero: float, score: float) -> float:
    """How much a line speaks for a mark: the root of a score, less for misfit, far from the rim, and against its
    paint."""
    misfit = abs(float(wrap(line.deg - place.deg - zero)))
    near_rim = 1.0 if line.outer > 0.8 * maps.rim else 0.6
    return near_rim * as_painted(line, place) * float(np.sqrt(score)) * float(np.exp(-((misfit / 1.2) ** 2)))


def _constellation_score(maps: Maps, matched: tuple[Line | None, ...], places: list[Place], zero: float) -> float:
    """Sum over marks of the root of each line's score, less for misfit and for marks that are missing.

    The root, since a line ten times as clear as it need be must not make up for one that is not there.
    """
    total = 0.0
    for line, place in zip(matched, places, strict=True):
        if line is None:
            total -= 2.0 if maps.shows(zero + place.deg) else 0.0
            continue
        total += _worth(maps, line, place, zero, min(line.score, 120.0))
    return total
