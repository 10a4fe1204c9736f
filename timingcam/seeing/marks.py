"""The clean maps to names: which line is the index, which lines are the rotor's marks.

In:  the rotor's map, the map of what stands still, the engine file's rotor and cylinders.
Out: `Marks`: the index and the marks by name, each with its angle and its standard uncertainty.
Not here: the angle of any one flash.

The spacing of the marks is known from the engine file, and so is what advance can be. The marks are the constellation
of lines that fits the file; the index is a line that stands still near them, from which an engine's advance would be
possible. Where two readings of the picture are about as good, none is taken.

Angles are degrees in the rotor's plane, clockwise as the camera sees it. With s = 1 for a rotor that turns clockwise and
-1 for the other way: a mark that passes the index at engine angle p stands on the rotor at -s·p, so the advance is
tdc - s·(turn + zero - index), whichever mark is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from timingcam.engine import Engine, RotorMark
from timingcam.errors import CannotMeasure
from timingcam.seeing.lines import Line, centreline, find_lines
from timingcam.seeing.pose import Pose
from timingcam.seeing.strips import Grid
from timingcam.seeing.view import View

SPACING_TOLERANCE_DEG = 1.6  # our choice: marks put on by hand are up to a degree off
CLOSE_DEG = 1.0  # once the others are known
# Common practice, no source: sparks come between 5 degrees after and 55 before top dead centre.
PLAUSIBLE_ADVANCE_DEG = (-8.0, 58.0)
WIDEST_ARC_DEG = 75.0  # our choice: no advancer moves the spark by more than half of this
SPEC_SLACK_DEG = 14.0  # our choice: a timing further off than this from the file is not taken without a hint
INSIDE, OUTSIDE = 0.985, 1.01  # of the rim: its own edge is neither rotor nor case
REACH = 1.3  # rim radii: an index further out is not beside the marks
NEAR_RIM = 0.12  # rim radii over which a line's claim to be the index falls
CLEAR_ENOUGH = 250.0  # a line this clear is as good as any
BROAD_DEG = 5.0  # our choice: what is broader is a lug or a coil rather than an index
MISFIT_DEG = 0.5
FLANK = 1.2  # of the widths together: what lies beside a line, of the other sign, is its own background
DISTINCT_DEG = 2.5  # ways to lay the constellation closer than this are one, read off one line or another
SAME_THING_DEG = 0.6
POINTED_WITHIN_DEG = 3.0
RIVAL_SHARE = 0.8  # our choice: a rival reading of the picture this good makes the names unsure
STAMPED_SD_DEG = 0.3  # common practice, no source: how well a maker's mark stands, where the file does not say


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark found: its name, its angle on the rotor's map and its sd; its ends in rotor radii; what its file says."""

    name: str
    deg: float
    sd_deg: float
    inner: float
    outer: float
    width_deg: float
    file_deg: float  # where the file puts it, relative to the map's zero
    file_sd_deg: float


@dataclass(frozen=True, slots=True)
class Index:
    """The index mark: its angle, its sd, and the radius of its end nearest the rotor's marks."""

    deg: float
    sd_deg: float
    radius: float
    width_deg: float


@dataclass(frozen=True, slots=True)
class Marks:
    """What was found and named.

    `zero_deg` is the angle on the rotor's map at which a mark of engine angle 0 would stand; `zero_sd_deg` its standard
    uncertainty from the marks' places in the picture, `file_sd_deg` that from the marks' own places on the metal.
    `offsets_deg` is each mark's distance from where the file and the other marks put it.
    """

    marks: tuple[Mark, ...]
    index: Index
    zero_deg: float
    zero_sd_deg: float
    file_sd_deg: float
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """Evened-out strips on one grid: `rotor` turns with the rotor (at turn 0), `still` stands still; and every turn seen."""

    grid: Grid
    rotor: np.ndarray
    still: np.ndarray
    turns_deg: np.ndarray
    rim: float  # radius of the rotor's edge on this grid
    sense: int  # 1 where the rotor turns clockwise in the stored picture
    pose: Pose
    pose_covariance: np.ndarray

    def bend_sd_deg(self, mark_deg: float, index_deg: float) -> float:
        """Doubt of the angle from the index to a mark that comes from the pose: marks far from the index suffer most."""
        turn = float(np.median(self.turns_deg))
        rim = np.array([
            [np.cos(a), np.sin(a)] for a in np.radians([mark_deg + turn, index_deg])
        ]) * np.array([[0.9], [1.03]])  # fmt: skip
        at_px = self.pose.to_image(rim)
        slopes = []
        for step in np.diag(np.full(6, 1e-3)):
            apart = []
            for pose in (self.pose.moved(step), self.pose.moved(-step)):
                at = pose.to_plane(at_px)
                a = np.arctan2(at[:, 1], at[:, 0])
                apart.append(float(wrap(np.degrees(a[0] - a[1]))))
            slopes.append((apart[0] - apart[1]) / 2e-3)
        slope = np.array(slopes)
        return float(np.sqrt(slope @ self.pose_covariance @ slope))


@dataclass(frozen=True, slots=True)
class Hints:
    """What the user points at, already as angles: of the index, and (name, angle on the map) of marks."""

    index_deg: float | None = None
    marks_deg: tuple[tuple[str, float], ...] = ()


def rotor_angle_deg(tdc_deg: float, btdc_deg: float, sense: int) -> float:
    """Where on the rotor a mark stands, degrees clockwise as seen, from one of engine angle 0.

    It passes the index at engine angle tdc - btdc, and what passes later stands further back against the turning.
    """
    return -sense * (tdc_deg - btdc_deg)


def sense_of(engine: Engine) -> int:
    """1 where the rotor turns clockwise in the stored picture, -1 the other way.

    The stored picture is what the camera saw; a container that asks to be shown mirrored does not change that.
    """
    return 1 if engine.rotor.turns == "clockwise" else -1


def wrap(deg: np.ndarray | float) -> np.ndarray | float:
    """To the range -180 to 180."""
    return (np.asarray(deg) + 180.0) % 360.0 - 180.0 if isinstance(deg, np.ndarray) else (deg + 180.0) % 360.0 - 180.0


def advance_seen(marks: Marks, turns_deg: np.ndarray, engine: Engine, cylinder: str, sense: int) -> np.ndarray:
    """Advance as it looks, crank degrees BTDC, within -180 to 180, of each turn of the rotor."""
    tdc = next(c.tdc_deg for c in engine.cylinder if c.name == cylinder)
    past = sense * (np.asarray(turns_deg, float) + marks.zero_deg - marks.index.deg)
    return np.asarray(wrap(tdc - past))


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to read the picture."""

    zero_deg: float
    index: Line
    lines: tuple[Line | None, ...]
    constellation: float
    index_score: float


def maps_of(view: View, sense: int) -> Maps:
    """The maps on which marks are looked for."""
    turns = view.turns_deg[np.isfinite(view.turns_deg)]
    return Maps(view.wide, view.rotor_on_wide, view.still_strip, turns, 1.0, sense, view.pose, view.pose_covariance)


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
        If no constellation fits, or two fit about as well.
    """
    _refuse_drifting(maps.turns_deg)
    places = mark_places(engine, btdc, maps.sense)
    inside = maps.grid.radii < INSIDE * maps.rim
    rotor_lines = [
        line for line in find_lines(maps.rotor[inside], maps.grid.some(inside)) if line.outer > 0.55 * maps.rim
    ]
    still_lines = _index_candidates(maps, hints)
    zeros = _zeros(maps, rotor_lines, places, hints)
    if not zeros:
        raise CannotMeasure(
            found="no lines on the rotor spaced as the engine file's marks are",
            expected=_in_words(places), do="paint the marks, film square-on with the strobe near, or point at one with "
            "--mark NAME@X,Y",
        )  # fmt: skip
    readings = _readings(maps, zeros, still_lines, engine, cylinder)
    if not readings:
        others = [c.name for c in engine.cylinder if c.name != cylinder]
        fits = [c for c in others if _readings(maps, zeros, still_lines, engine, c)]
        raise _no_index(cylinder, fits)
    best = _best_reading(readings, hints)
    return _located(maps, best, places)


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the rotor: its angle from zero, the names of the marks that stand there, its own sd."""

    deg: float
    name: str
    sd_deg: float
    mark: RotorMark


def mark_places(engine: Engine, btdc: dict[str, float], sense: int) -> list[Place]:
    """Where on the rotor the file's marks stand; marks of several cylinders may share a place."""
    places: list[Place] = []
    for mark in engine.rotor.mark:
        for cylinder in engine.cylinder:
            if cylinder.name not in mark.cylinder:
                continue
            deg = rotor_angle_deg(cylinder.tdc_deg, btdc[f"{mark.name}/{cylinder.name}"], sense)
            if any(abs(wrap(deg - p.deg)) < 0.05 and p.name == mark.name for p in places):
                continue
            sd = mark.sd_deg if mark.sd_deg is not None else STAMPED_SD_DEG
            places.append(Place(float(wrap(deg)), mark.name, sd, mark))
    return places


def _refuse_drifting(turns_deg: np.ndarray) -> None:
    """Refuse a strobe that does not follow the engine: the rotor is seen at angles all round."""
    ordered = np.sort(np.asarray(turns_deg, float) % 360.0)
    gaps = np.diff(np.append(ordered, ordered[0] + 360.0))
    # A tenth of stray flashes is allowed for: the arc that holds the rest.
    n = len(ordered)
    keep = max(2, round(0.9 * n))
    if n < 10 or gaps.max() > 180.0:
        return
    doubled = np.append(ordered, ordered + 360.0)
    arc = float(min(doubled[i + keep - 1] - doubled[i] for i in range(n)))
    if arc > WIDEST_ARC_DEG:
        raise CannotMeasure(
            found=f"a rotor that the flashes show at angles spread over {arc:.0f} degrees",
            expected="marks that stay near the index, as they do when every flash comes with a spark",
            do="set the strobe to follow the engine (not to a rate of its own), check its pickup on the plug lead, and film "
            "again",
        )  # fmt: skip


def _no_index(cylinder: str, fits: list[str]) -> CannotMeasure:
    if fits:
        return CannotMeasure(
            found=f"marks at the index as if the strobe were on cylinder {' or '.join(fits)}",
            expected=f"the marks of cylinder {cylinder}",
            do="check which plug lead the strobe's pickup is on, or name the other cylinder",
        )
    low, high = PLAUSIBLE_ADVANCE_DEG
    return CannotMeasure(
        found="no index mark from which the marks would show an advance that an engine can have",
        expected=f"an advance of {low:.0f} to {high:.0f} degrees at a line that stands still beside the marks",
        do="film with the index mark in view and lit, check that the strobe's lead is on the cylinder named, or point at "
        "the index with --index X,Y",
    )


def _index_candidates(maps: Maps, hints: Hints) -> list[Line]:
    """Lines that stand still beside the rotor, near its rim.

    Only what shows outside of the rim counts: inside, the rotor's own marks stand still too while the speed is steady.
    """
    outside = maps.grid.radii > OUTSIDE * maps.rim
    lines = find_lines(maps.still[outside], maps.grid.some(outside), most=60)
    reach = _merged([line for line in lines if line.inner < REACH * maps.rim])
    if hints.index_deg is None:
        return reach
    pointed = hints.index_deg
    near = [line for line in reach if abs(wrap(line.deg - pointed)) < POINTED_WITHIN_DEG]
    near.sort(key=lambda line: abs(wrap(line.deg - pointed)) - 0.01 * min(line.score, 100.0))
    return near[:1] or [Line(pointed, 1.5, OUTSIDE * maps.rim, 1.1 * maps.rim, 1, 4.0)]


def _merged(lines: list[Line]) -> list[Line]:
    """Lines at one angle are parts of one thing, a scribed line on a pointer for instance: the clearest, with all scores."""
    kept: list[Line] = []
    for line in lines:
        k = next((i for i, other in enumerate(kept) if abs(wrap(line.deg - other.deg)) < SAME_THING_DEG), None)
        if k is None:
            kept.append(line)
        else:
            other = kept[k]
            kept[k] = replace(other, score=other.score + line.score, inner=min(line.inner, other.inner))
    return kept


def _zeros(
    maps: Maps, lines: list[Line], places: list[Place], hints: Hints
) -> list[tuple[float, float, tuple[Line | None, ...]]]:
    """Angles of the map's zero at which lines stand where marks should: (zero, score, the lines)."""
    anchors = [(place, line.deg) for line in lines for place in places]
    if hints.marks_deg:
        anchors = [(p, deg) for name, deg in hints.marks_deg for p in places if p.name == name]
    result: list[tuple[float, float, tuple[Line | None, ...]]] = []
    for place, deg in anchors:
        zero = deg - place.deg
        matched = tuple(_nearest(lines, zero + p.deg) for p in places)
        found = [(m, p) for m, p in zip(matched, places, strict=True) if m is not None]
        if not found:
            continue
        zero += float(np.median([wrap(m.deg - p.deg - zero) for m, p in found]))
        result.append((float(wrap(zero)), _constellation_score(maps, matched, places, zero), matched))
    result.sort(key=lambda r: -r[1])
    distinct: list[tuple[float, float, tuple[Line | None, ...]]] = []
    for reading in result:
        if all(abs(wrap(reading[0] - other[0])) > DISTINCT_DEG for other in distinct):
            distinct.append(reading)
    return distinct[:12]


def _nearest(lines: list[Line], deg: float) -> Line | None:
    near = [line for line in lines if abs(wrap(line.deg - deg)) < SPACING_TOLERANCE_DEG]
    return max(near, key=lambda line: line.score, default=None)


def _constellation_score(maps: Maps, matched: tuple[Line | None, ...], places: list[Place], zero: float) -> float:
    """Sum over marks of the root of each line's score, less for misfit and for marks that are missing.

    The root, since a line ten times as clear as it need be must not make up for one that is not there.
    """
    total = 0.0
    for line, place in zip(matched, places, strict=True):
        if line is None:
            total -= 2.0
            continue
        misfit = abs(float(wrap(line.deg - place.deg - zero)))
        near_rim = 1.0 if line.outer > 0.8 * maps.rim else 0.6
        total += near_rim * float(np.sqrt(min(line.score, 120.0))) * float(np.exp(-((misfit / 1.2) ** 2)))
    return total


def _readings(
    maps: Maps, zeros: list[tuple[float, float, tuple[Line | None, ...]]], still: list[Line], engine: Engine,
    cylinder: str,
) -> list[_Reading]:  # fmt: skip
    tdc = next(c.tdc_deg for c in engine.cylinder if c.name == cylinder)
    result = []
    for zero, score, lines in zeros:
        for line in still:
            past = maps.sense * (maps.turns_deg + zero - line.deg)
            fit = _plausibility(np.asarray(wrap(tdc - past)), engine)
            if fit <= 0.01:
                continue
            near = float(np.exp(-((max(0.0, line.inner - maps.rim) / NEAR_RIM) ** 2)))
            slim = 1 / (1 + (line.width_deg / BROAD_DEG) ** 2)
            result.append(_Reading(zero, line, lines, score, fit * near * slim * min(line.score, CLEAR_ENOUGH)))
    return sorted(result, key=lambda r: -(r.constellation + np.sqrt(r.index_score)))


def _plausibility(advance: np.ndarray, engine: Engine) -> float:
    """1 where the advance that a reading implies is near the file's curve, 0 where no engine has it."""
    low, high = np.percentile(advance, [3, 97])
    bottom, top = PLAUSIBLE_ADVANCE_DEG
    if low < bottom or high > top:
        return 0.0
    if engine.spec is None:
        return 1.0
    curve = [a for _, a in engine.spec.curve]
    off = max(0.0, min(curve) - low, high - max(curve))
    return float(np.exp(-((off / SPEC_SLACK_DEG) ** 2)))


def _best_reading(readings: list[_Reading], hints: Hints) -> _Reading:
    best = readings[0]
    for rival in readings[1:]:
        same_zero = abs(wrap(rival.zero_deg - best.zero_deg)) < DISTINCT_DEG
        same_index = abs(wrap(rival.index.deg - best.index.deg)) < 1.0
        flank = rival.index.sign != best.index.sign and abs(wrap(rival.index.deg - best.index.deg)) < FLANK * (
            best.index.width_deg + rival.index.width_deg
        )
        if same_zero and not same_index and not flank and rival.index_score > RIVAL_SHARE * best.index_score:
            raise CannotMeasure(
                found="two lines beside the rotor that could be the index, "
                f"{abs(wrap(rival.index.deg - best.index.deg)):.0f} degrees apart",
                expected="one that is clearly the index",
                do="paint the index, or point at it with --index X,Y",
            )
        as_good = (
            rival.constellation > RIVAL_SHARE * best.constellation
            and rival.index_score > RIVAL_SHARE * best.index_score
        )
        if not same_zero and not hints.marks_deg and as_good:
            raise CannotMeasure(
                found="two ways to name the marks that fit about as well", expected="one that fits clearly better",
                do="paint the marks, or point at one with --mark NAME@X,Y",
            )  # fmt: skip
    return best


def _located(maps: Maps, reading: _Reading, places: list[Place]) -> Marks:
    index = _locate_index(maps, reading.index)
    inside = maps.grid.radii < INSIDE * maps.rim
    lines = find_lines(maps.rotor[inside], maps.grid.some(inside), most=80)
    zero = reading.zero_deg
    found: list[Mark] = []
    # Again about a better zero: the clearest line near a place need not be the one that stands where the others say.
    for reach in (SPACING_TOLERANCE_DEG, CLOSE_DEG, CLOSE_DEG):
        chosen = [(place, _best_line(lines, zero + place.deg, reach)) for place in places]
        found = [_mark_at(maps, index, place, line) for place, line in chosen if line is not None] or found
        zero = _middle_zero(found, zero)
    zero, zero_sd, file_sd, offsets = _zero_of(found, zero)
    warnings = []
    for mark, offset in zip(found, offsets, strict=True):
        if abs(offset) > MISFIT_DEG + 2 * mark.sd_deg:
            warnings.append(
                f"Mark {mark.name} stands {abs(offset):.1f} degrees from where the engine file and the other marks put "
                "it: check the file, and which mark is right."
            )
    missing = sorted({p.name for p in places} - {m.name for m in found})
    if missing:
        warnings.append(f"Not found on the rotor: mark {', '.join(missing)}.")
    return Marks(tuple(found), index, zero, zero_sd, file_sd, tuple(warnings))


def _best_line(lines: list[Line], deg: float, reach_deg: float) -> Line | None:
    """The line whose clearness, less for being off, is the most."""
    near = [line for line in lines if abs(wrap(line.deg - deg)) < reach_deg]
    return max(
        near, key=lambda n: np.sqrt(n.score) * np.exp(-((wrap(n.deg - deg) / (0.5 * reach_deg)) ** 2)), default=None
    )


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


def spacing_misfit(maps: Maps, marks: Marks, pose: Pose) -> float:
    """How badly the marks' spacing fits the file if the rotor is seen in a pose: chi-square a mark, of those found.

    The marks' places in the picture stay what they are; the pose says where on the rotor that is.
    """
    turn = float(np.median(maps.turns_deg))
    angle = np.radians([m.deg + turn for m in marks.marks])
    radius = np.array([0.5 * (m.inner + m.outer) for m in marks.marks])
    at = pose.to_plane(maps.pose.to_image(np.stack([np.cos(angle), np.sin(angle)], axis=1) * radius[:, None]))
    seen = np.degrees(np.arctan2(at[:, 1], at[:, 0]))
    own = np.array([np.hypot(m.file_sd_deg, 0.2) for m in marks.marks])
    off = np.array(
        [
            float(wrap(s - m.file_deg - seen[0] + marks.marks[0].file_deg))
            for s, m in zip(seen, marks.marks, strict=True)
        ]
    )
    off -= np.average(off, weights=1 / own**2)
    return float(((off / own) ** 2).sum() / len(off))


def _end_nearest(line: Line, radius: float) -> tuple[float, float]:
    """The third of a line at its end nearest a radius, its very end left out, where it may be ragged."""
    length = line.outer - line.inner
    if abs(line.outer - radius) <= abs(line.inner - radius):
        return line.outer - 0.4 * length, line.outer - 0.08 * length
    return line.inner + 0.08 * length, line.inner + 0.4 * length


def _locate_index(maps: Maps, line: Line) -> Index:
    # The index's end nearest the marks is its inner one, where it stands outside of them.
    span = _end_nearest(line, 0.9 * maps.rim)
    outside = maps.grid.radii > OUTSIDE * maps.rim
    deg, sd = centreline(maps.still[outside], maps.grid.some(outside), line, span)
    return Index(deg, sd, line.inner, line.width_deg)


def _in_words(places: list[Place]) -> str:
    order = sorted(places, key=lambda p: p.deg)
    gaps = [f"{a.name} to {b.name} {b.deg - a.deg:.1f}" for a, b in pairwise(order)]
    return "marks spaced, in degrees: " + ", ".join(gaps) if gaps else f"the mark {places[0].name}"
