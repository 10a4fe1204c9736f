"""Where the marks really stand, whatever the engine file says of their spacing.

In:  the maps, the marks as named by the file's spacing.
Out: `Marks` with each mark at the clearest line near its place, or left out where two lines are about as clear.
Not here: naming (`marks.py`).

Naming takes the line that fits the file best. A mark that stands a degree or two from where its file puts it, which is
what a piston stop is there to find, would so be mistaken for the bright ground beside it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.circle import wrap
from timingcam.seeing.lines import WIDTHS_DEG, Line, centreline, line_response
from timingcam.seeing.marks import BAND, Maps, Mark, Marks, Place
from timingcam.seeing.strips import Grid

INSIDE = 0.985  # of the rim: its own edge is no mark
MOST_SDS, LEAST_SCORE = 12.0, 1.2  # our choice: one cell speaks no louder; fainter than this is noise
REACH_DEG = 3.5  # our choice: a mark further than this from its file's place is not taken for it
SHARE_OF_GAP = 0.45  # of the way to the next mark
GROUND_DEG = 12.0  # our choice: to either side, wide enough that marks fill less than half of it
LEAST_SHARE = 0.5  # our choice: half-way between a mark and the ground between two
RIVAL_SHARE = 0.7  # our choice: a second line this clear leaves it open which one is the mark
SAME_THING = 0.8  # of the widths together: two filters' answers to one line
DO_MARK = "paint the marks, film closer and square-on, or point at one with --mark NAME@X,Y"


def at_own_places(maps: Maps, marks: Marks, places: list[Place]) -> Marks:
    """The marks where their own lines stand, and the zero that they give together.

    Parameters
    ----------
    maps : Maps
    marks : Marks
        As named.
    places : list of Place
        Where the file puts them.

    Raises
    ------
    CannotMeasure
        If fewer than two marks' lines can be told, in a file that has two.
    """
    inside = maps.grid.radii < INSIDE * maps.rim
    lines = band_lines(maps.rotor[inside], maps.grid.some(inside), BAND * maps.rim)
    found, unsure = [], []
    for place in places:
        line = clearest(lines, marks.zero_deg + place.deg, _reach_deg(place, places))
        if line is None:
            unsure.append(place.name)
            continue
        span = _end_nearest(line, marks.index.radius)
        deg, sd = centreline(maps.rotor[inside], maps.grid.some(inside), line, span)
        sd = float(np.hypot(sd, maps.bend_sd_deg(deg, marks.index.deg)))
        found.append(Mark(place.name, deg, sd, line.inner, line.outer, line.width_deg, place.deg, place.sd_deg))
    # One line alone fits anywhere; a second one at the file's spacing says that it is the right one.
    if len(found) < min(2, len(places)):
        raise CannotMeasure(
            found=f"{len(found)} of {len(places)} marks whose own line can be told",
            expected="two at least, spaced about as the engine file says", do=DO_MARK,
        )  # fmt: skip
    zero, zero_sd, file_sd = _zero_of(found, marks.zero_deg)
    missing = f"Not sure which line on the rotor is mark {', '.join(sorted(set(unsure)))}: left out."
    return replace(
        marks, marks=tuple(found), zero_deg=zero, zero_sd_deg=zero_sd, file_sd_deg=file_sd,
        warnings=(missing,) if unsure else (),
    )  # fmt: skip


def band_lines(strip: np.ndarray, grid: Grid, inner: float) -> list[Line]:
    """Radial lines in the band beside the rim, where marks are.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles)
    grid : Grid
    inner : float
        Where the band begins, rotor radii; it reaches to the strip's end.

    Returns
    -------
    list of Line
        With the mean response over the band as the score, in noise sds; the ground beside marks left out.
    """
    # Loaded where it is used: it takes 30 MB and a third of a second.
    from scipy.signal import find_peaks

    rows = grid.radii >= inner
    radii, profile = grid.radii[rows], strip[rows].mean(axis=0)
    found = []
    for width in WIDTHS_DEG:
        response = np.clip(line_response(strip, grid, width)[rows], -MOST_SDS, MOST_SDS)
        mean = response.mean(axis=0)
        apart = max(1, round(0.5 * width / grid.step_deg))
        for sign in (1, -1):
            # Twice round, so that a line at the seam is a peak as well.
            peaks, _ = find_peaks(np.tile(sign * mean, 2), height=LEAST_SCORE, distance=apart)
            for k in np.unique(peaks % grid.n_angles):
                there = radii[sign * response[:, k] > LEAST_SCORE]
                if len(there) and _stands_out(profile, k * grid.step_deg, width, grid) > LEAST_SHARE:
                    found.append(
                        Line(k * grid.step_deg, width, float(there[0]), float(there[-1]), sign, float(sign * mean[k]))
                    )
    return sorted(found, key=lambda line: -line.score)


def _stands_out(profile: np.ndarray, line_deg: float, width_deg: float, grid: Grid) -> float:
    """How far a line stands out of the light all about it, as a share of how far it does of what lies beside it.

    About 1 for a mark; near 0 for the ground between two marks, which only looks bright beside them.
    """
    offset = (grid.angles_rad() * 180 / np.pi - line_deg + 180.0) % 360.0 - 180.0
    ground = float(np.median(profile[np.abs(offset) < GROUND_DEG]))
    inside = float(profile[np.abs(offset) <= 0.5 * width_deg + 0.5 * grid.step_deg].mean())
    beside = np.abs(np.abs(offset) - 1.5 * width_deg) <= 0.5 * width_deg + 0.5 * grid.step_deg
    against = inside - float(profile[beside].mean())
    return (inside - ground) / against if against != 0 else 0.0


def clearest(lines: list[Line], deg: float, reach_deg: float) -> Line | None:
    """The clearest line within reach of a place; None where there is none, or a second one is about as clear.

    Parameters
    ----------
    lines : list of Line
    deg, reach_deg : float
        The place, and how far from it to look.
    """
    near = [line for line in lines if abs(float(wrap(line.deg - deg))) < reach_deg]
    if not near:
        return None
    best = max(near, key=lambda line: line.score)
    rivals = [line for line in near if line.score > RIVAL_SHARE * best.score and not _same_thing(line, best)]
    return None if rivals else best


def _same_thing(line: Line, other: Line) -> bool:
    widths = line.width_deg + other.width_deg
    return line.sign == other.sign and abs(float(wrap(line.deg - other.deg))) < SAME_THING * widths


def _reach_deg(place: Place, places: list[Place]) -> float:
    gaps = [abs(float(wrap(other.deg - place.deg))) for other in places if other is not place]
    return min([REACH_DEG, *(SHARE_OF_GAP * gap for gap in gaps)])


def _end_nearest(line: Line, radius: float) -> tuple[float, float]:
    """The part of a line near its end towards a radius, the ragged end itself left out."""
    length = line.outer - line.inner
    if abs(line.outer - radius) <= abs(line.inner - radius):
        return line.outer - 0.4 * length, line.outer - 0.08 * length
    return line.inner + 0.08 * length, line.inner + 0.4 * length


def _zero_of(found: list[Mark], near_deg: float) -> tuple[float, float, float]:
    """Weighted mean of the zeros that the marks give by their file's places; its sd by the picture and by the metal.

    Marks that disagree by more than their doubts widen both alike (Birge's ratio).
    """
    each = np.array([near_deg + float(wrap(mark.deg - mark.file_deg - near_deg)) for mark in found])
    seen, metal = (np.array([getattr(mark, name) for mark in found]) for name in ("sd_deg", "file_sd_deg"))
    weight = 1 / (seen**2 + metal**2)
    share = weight / weight.sum()
    zero = float((share * each).sum())
    spread = (weight * (each - zero) ** 2).sum() / max(len(found) - 1, 1)
    ratio = max(1.0, float(np.sqrt(spread)))
    zero_sd, file_sd = (ratio * float(np.sqrt((share**2 * sd**2).sum())) for sd in (seen, metal))
    return zero, zero_sd, file_sd
