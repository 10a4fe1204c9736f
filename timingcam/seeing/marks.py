"""The rotor's marks and the index: what is known of them, and what they say of the advance.

In:  the engine file's marks; the maps of what turns and of what stands still.
Out: the types of the naming, where the file's marks stand, and the advance that a turn of the rotor means.
Not here: finding them (`naming.py`).

Angles are degrees in the rotor's plane, clockwise as the camera sees it. With s = 1 for a rotor that turns clockwise
and -1 for the other way: a mark that passes the index at engine angle p stands on the rotor at -s·p, so the advance is
tdc - s·(turn + zero - index), whichever mark is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.engine import Engine, RotorMark
from timingcam.seeing.circle import wrap
from timingcam.seeing.drum import Drum
from timingcam.seeing.lines import Line
from timingcam.seeing.pose import Pose
from timingcam.seeing.strips import Grid
from timingcam.seeing.view import View

BAND = 0.72  # rim radii from which on marks are
# Our choice, rim radii: a pointer beside a rotor; what is further out is not beside the marks.
USUALLY_BESIDE, FARTHEST_BESIDE = 0.12, 0.3
ABOUT_WIDTHS = 1.5  # our choice: of a line, to either side of its middle
OVER_RIM = 0.8  # our choice, rim radii: no pointer's tip reaches further over the marks
FEWEST_WITHIN = 6  # our choice: of radii on the shaft's side, for a short index with its surroundings
INSIDE, OUTSIDE = 0.985, 1.01  # of the rim: its own edge is neither rotor nor case
STAMPED_SD_DEG = 0.3  # common practice, no source: how well a maker's mark stands, where the file does not say


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark found: its name, its angle on the rotor's map and its sd; its ends in rotor radii; what its file
    says."""

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


@dataclass(frozen=True, slots=True)
class Beside:
    """How far beyond the rim an index stands usually, and at the farthest, rim radii."""

    usual: float = USUALLY_BESIDE
    farthest: float = FARTHEST_BESIDE


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """Evened-out strips on one grid: `rotor` turns with the rotor (at turn 0), `still` stands still; and every turn
    seen."""

    grid: Grid
    rotor: np.ndarray
    still: np.ndarray
    turns_deg: np.ndarray
    rim: float  # radius of the rotor's edge on this grid
    sense: int  # 1 where the rotor turns clockwise in the stored picture
    pose: Pose | Drum
    pose_covariance: np.ndarray
    whole: bool = True  # whether all of the rotor can be seen, or a part of it only
    beside: Beside = Beside()
    toward_shaft: bool = False  # whether the index is looked for at a hole's edge on the shaft's side
    over_rim: bool = False  # or among what reaches over the rotor's rim

    def shows(self, deg: float) -> bool:
        """Whether a place on the rotor came into view: all do, but where only a part of the rotor shows, or the picture
        cuts it off."""
        n = self.rotor.shape[1]
        column = round(deg / 360.0 * n) % n
        band = (self.grid.radii > BAND * self.rim) & (self.grid.radii < INSIDE * self.rim)
        return bool((self.rotor[band, column] != 0).mean() > 0.5)

    def shows_about(self, line: Line) -> bool:
        """Whether the rotor came into view on both sides of a line: where it ends, the end itself looks like one."""
        return all(self.shows(line.deg + side * ABOUT_WIDTHS * line.width_deg) for side in (-1, 1))

    def is_beside(self) -> np.ndarray:
        """Which of the grid's radii are beside the rotor, shape (n_radii,) of bool.

        Of an edge, an opening shows a dark gap beside it as well, into which a pointer's tip reaches.
        """
        first, last = self._ends()
        if self.toward_shaft:
            return self.grid.radii < first - (OUTSIDE - 1.0) * self.rim
        if self.over_rim:
            return self.grid.radii > OVER_RIM * self.rim
        return self.grid.radii > min(OUTSIDE * self.rim, last + (OUTSIDE - 1.0) * self.rim)

    def elsewhere(self) -> tuple[Maps, ...]:
        """The same for an index in other places, where there is none beside the rim: a pointer whose tip lies over the
        rotor, or one at a hole's edge on the shaft's side, if anything shows there."""
        over, within = replace(self, over_rim=True), replace(self, toward_shaft=True)
        some = not self.whole and isinstance(self.pose, Pose) and np.count_nonzero(within.is_beside()) >= FEWEST_WITHIN
        return (over, within) if some else (over,)

    def may_be_index(self, line: Line) -> bool:
        """Whether a line is where an index is looked for: near the rotor, or across its rim, which no mark of the
        rotor's own is."""
        if self.over_rim and not line.inner < self.rim < line.outer - (OUTSIDE - 1.0) * self.rim:
            return False
        return self.gap(line) < self.beside.farthest * self.rim

    def gap(self, line: Line) -> float:
        """How far the end of a line beside the rotor is from it, rotor radii."""
        return self._ends()[0] - line.outer if self.toward_shaft else line.inner - self.rim

    def tip_of(self, line: Line) -> Line:
        """The end of a line beside the rotor that points at it."""
        long = self.beside.usual * self.rim
        if self.toward_shaft:
            return replace(line, inner=max(line.inner, line.outer - long))
        return replace(line, outer=min(line.outer, line.inner + long))

    def _ends(self) -> tuple[float, float]:
        """The least and the greatest radius at which the rotor shows."""
        if self.whole:
            return 0.0, np.inf
        shown = self.grid.radii[(self.rotor != 0).any(axis=1)]
        return float(shown.min(initial=np.inf)), float(shown.max(initial=0.0))

    def bend_sd_deg(self, mark_deg: float, index_deg: float) -> float:
        """Doubt of the angle from the index to a mark that comes from the pose: marks far from the index suffer
        most."""
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


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the rotor: its angle from zero, the names of the marks that stand there, its own sd."""

    deg: float
    name: str
    sd_deg: float
    mark: RotorMark


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


def advance_seen(marks: Marks, turns_deg: np.ndarray, engine: Engine, cylinder: str, sense: int) -> np.ndarray:
    """Advance as it looks, crank degrees BTDC, within -180 to 180, of each turn of the rotor."""
    tdc = next(c.tdc_deg for c in engine.cylinder if c.name == cylinder)
    past = sense * (np.asarray(turns_deg, float) + marks.zero_deg - marks.index.deg)
    return np.asarray(wrap(tdc - past))


def maps_of(view: View, sense: int, turns_deg: np.ndarray | None = None) -> Maps:
    """The maps on which marks are looked for, with the turns given, or those of the pictures that the view is from."""
    turns = view.turns_deg if turns_deg is None else turns_deg
    turns = turns[np.isfinite(turns)]
    # At the edge of a timing hole, and of the rotor's rim it may show a little or much.
    hole = view.hole_radii or 0.0
    beside = Beside(max(USUALLY_BESIDE, hole / 2), max(FARTHEST_BESIDE, hole))
    return Maps(
        view.wide, view.rotor_on_wide, view.still_strip, turns, 1.0, sense, view.pose, view.pose_covariance,
        view.part is None, beside,
    )  # fmt: skip


def sharper_of(view: View, maps: Maps) -> tuple[Maps, ...]:
    """The same maps with the rotor as the least smeared flashes show it, where others smear it much; else none."""
    return () if view.sharper_on_wide is None else (replace(maps, rotor=view.sharper_on_wide),)


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


def paints_of(engine: Engine) -> dict[str, str | None]:
    """The engine file's words for the paint of each mark, by its name."""
    return {mark.name: mark.paint for mark in engine.rotor.mark}


def pose_effect_deg(view: View, marks: Marks) -> float:
    """What the doubt of where a part of the rotor lies makes of the advance, degrees, rms over the turns seen.

    A pose that is a little off shows every mark, and the index, a little further round. The marks together are held
    against the file, so that what is left is what the index shows more than they do on the whole.
    """
    turns = view.turns_deg[np.isfinite(view.turns_deg)]
    some = np.percentile(turns, np.linspace(5, 95, 7))
    share = np.array([1.0 / (m.sd_deg**2 + m.file_sd_deg**2) for m in marks.marks])
    share /= share.sum()
    degs = np.array([m.deg for m in marks.marks])
    radii = np.array([m.outer for m in marks.marks])
    at = np.radians(np.append((degs[None, :] + some[:, None]).ravel(), marks.index.deg))
    radius = np.append(np.tile(radii, len(some)), marks.index.radius)
    px = view.pose.to_image(np.stack([np.cos(at), np.sin(at)], axis=1) * radius[:, None])

    def seen_deg(pose: Pose | Drum) -> np.ndarray:
        plane = pose.to_plane(px)
        return np.degrees(np.arctan2(plane[:, 1], plane[:, 0]))

    slopes = []
    for step in np.diag(np.full(6, 1e-3)):
        apart = np.asarray(wrap(seen_deg(view.pose.moved(step)) - seen_deg(view.pose.moved(-step)))) / 2e-3
        of_marks = apart[:-1].reshape(len(some), len(degs))
        there = np.isfinite(of_marks)
        mean = np.where(there, of_marks * share, 0).sum(axis=1) / np.maximum((there * share).sum(axis=1), 1e-9)
        slopes.append(mean - apart[-1])
    lever = np.array(slopes)
    return float(np.sqrt(np.mean(np.einsum("it,ij,jt->t", lever, view.pose_covariance, lever))))


def spacing_misfit(maps: Maps, marks: Marks, pose: Pose | Drum) -> float:
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
