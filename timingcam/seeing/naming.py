"""The clean maps to names: which line is the index, which lines are the rotor's marks.

In:  the rotor's map, the map of what stands still, the engine file's rotor and cylinders.
Out: `Marks`: the index and the marks by name, each with its angle and its standard uncertainty.
Not here: the angle of any one flash.

The spacing of the marks is known from the engine file, and so is what advance can be.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.seeing.constellation import (
    PLAUSIBLE_ADVANCE_DEG,
    Reading,
    best_reading,
    index_candidates,
    readings_of,
)
from timingcam.seeing.lines import RUNS_ON_ROTOR, Line, find_lines
from timingcam.seeing.marks import INSIDE, Hints, Maps, Marks, Place, mark_places
from timingcam.seeing.placing import located
from timingcam.seeing.rotor_map import widest_arc_deg
from timingcam.seeing.ways import FEWEST_PLAINEST, RIVAL_SHARE, Way, ways_to_lay

CLEARLY_THEIRS = 1.5  # our choice: times as much like an index
# Our choice: indices of clips of many kinds come to 50 and more; a rag's edge, where the index was covered, to 0.6.
LEAST_LIKE_AN_INDEX = 8.0
WIDEST_ARC_DEG = 75.0  # our choice: no advancer moves the spark by more than half of this


class NotThere(CannotMeasure):
    """No line is there that could be the index, or no lines that could be the marks."""


def find_marks(maps: Maps, engine: Engine, cylinder: str, btdc: dict[str, float], hints: Hints) -> Marks:
    """Name the marks and the index.

    Parameters
    ----------
    maps : Maps
    engine : Engine
    cylinder : str
        The one that the strobe is on.
    btdc : dict
        Each mark's advance in degrees, by name and cylinder joined with a slash (those in mm already converted).
    hints : Hints

    Raises
    ------
    CannotMeasure
        If two constellations fit about as well, or the one of a rotor that turns the other way does better.
    NotThere
        If nothing looks like the marks, or nothing like the index.
    """
    _refuse_drifting(maps.turns_deg)
    places = mark_places(engine, btdc, maps.sense)
    inside = maps.grid.radii < INSIDE * maps.rim
    rotor_lines = [
        line
        for line in find_lines(maps.rotor[inside], maps.grid.some(inside), runs=RUNS_ON_ROTOR)
        if line.outer > 0.55 * maps.rim
    ]
    zeros = ways_to_lay(maps, rotor_lines, places, hints)
    if not any(all(way[2]) for way in zeros) and not hints.marks_deg:
        _refuse_other_way_round(maps, rotor_lines, mark_places(engine, btdc, -maps.sense), zeros)
    if not zeros:
        raise NotThere(
            found="no lines on the rotor spaced as the engine file's marks are",
            expected=_in_words(places), do="paint the marks, film them sharp and square-on with the strobe near, or "
            "point at one with --mark NAME@X,Y",
        )  # fmt: skip
    maps, named = _named((maps, *maps.elsewhere()), zeros, engine, hints)
    readings, others = named.pop(cylinder), named
    if not readings:
        raise _no_index(cylinder, [name for name, theirs in others.items() if theirs])
    # A lug or a screw is no way out where the pointer itself shows the other cylinder's timing.
    own = max(one.index_score for one in readings)
    clearer = [name for name, theirs in others.items() if any(r.index_score > CLEARLY_THEIRS * own for r in theirs)]
    if clearer and hints.index_deg is None:
        raise _no_index(cylinder, clearer)
    best = best_reading(readings, hints, maps.rim)
    return located(maps, best, places, frozenset(name for name, _ in hints.marks_deg))


def _refuse_other_way_round(maps: Maps, lines: list[Line], places: list[Place], zeros: list[Way]) -> None:
    """Refuse marks that all stand where they would if the rotor turned the other way, and not as the file says."""
    ways = [way for way in ways_to_lay(replace(maps, sense=-maps.sense), lines, places, Hints()) if all(way[2])]
    if len(places) >= FEWEST_PLAINEST and max((w[1] for w in ways), default=0.0) * RIVAL_SHARE > max(
        (w[1] for w in zeros), default=0.0
    ):
        raise CannotMeasure(
            found="marks spaced as those of a rotor that turns the other way round",
            expected="the order in which the engine file's marks pass the index",
            do="check rotor.turns in the engine file, as the camera sees it, and that the clip is no mirrored selfie",
        )


def how_clear(maps: Maps, engine: Engine, cylinder: str, btdc: dict[str, float]) -> float:
    """How well marks and index can be read on maps, to choose between ways to see the rotor; 0 where they cannot.

    Parameters are those of `find_marks`.
    """
    inside = maps.grid.radii < INSIDE * maps.rim
    lines = find_lines(maps.rotor[inside], maps.grid.some(inside), runs=RUNS_ON_ROTOR)
    zeros = ways_to_lay(maps, lines, mark_places(engine, btdc, maps.sense), Hints())
    if not zeros:
        return 0.0
    readings = _named((maps, *maps.elsewhere()), zeros, engine, Hints())[1][cylinder]
    return max((r.constellation + float(np.sqrt(r.index_score)) for r in readings), default=0.0)


def _named(
    places: tuple[Maps, ...], zeros: list[Way], engine: Engine, hints: Hints
) -> tuple[Maps, dict[str, list[Reading]]]:
    """Readings for each cylinder, by its name, from the first of some places to look for the index that gives any for
    one of them; and the maps for that place."""
    named: dict[str, list[Reading]] = {}
    for maps in places:
        still = index_candidates(maps, hints)
        least = 0.0 if hints.index_deg is not None else LEAST_LIKE_AN_INDEX
        named = {
            c.name: [one for one in readings_of(maps, zeros, still, engine, c.name) if one.index_score > least]
            for c in engine.cylinder
        }
        if any(named.values()):
            return maps, named
    return places[0], named


def _refuse_drifting(turns_deg: np.ndarray) -> None:
    """Refuse a strobe that does not follow the engine: the rotor is seen at angles all round."""
    if len(turns_deg) < 10:
        return
    arc = widest_arc_deg(turns_deg)
    if arc > WIDEST_ARC_DEG:
        raise CannotMeasure(
            found=f"a rotor that the flashes show at angles spread over {arc:.0f} degrees",
            expected="marks that stay near the index, as they do when every flash comes with a spark",
            do="set the strobe to follow the engine (not a rate of its own), check its pickup on the plug lead, "
            "and film again; if it does follow, the rotor looks alike at several angles: film so that each flash "
            "lights more of it, with a longer exposure",
        )  # fmt: skip


def _no_index(cylinder: str, fits: list[str]) -> CannotMeasure:
    if fits:
        return CannotMeasure(
            found=f"marks at the index as if the strobe were on cylinder {' or '.join(fits)}",
            expected=f"the marks of cylinder {cylinder}",
            do="check which plug lead the strobe's pickup is on, or name the other cylinder",
        )
    low, high = PLAUSIBLE_ADVANCE_DEG
    return NotThere(
        found="no index mark from which the marks would show an advance that an engine can have",
        expected=f"an advance of {low:.0f} to {high:.0f} degrees at a line that stands still beside the marks",
        do="film with the index in view and lit, check that the strobe's lead is on the cylinder named and that the "
        "clip is no mirrored selfie, or point at the index with --index X,Y",
    )


def _in_words(places: list[Place]) -> str:
    order = sorted(places, key=lambda p: p.deg)
    gaps = [f"{a.name} to {b.name} {b.deg - a.deg:.1f}" for a, b in pairwise(order)]
    return "marks spaced, in degrees: " + ", ".join(gaps) if gaps else f"the mark {places[0].name}"
