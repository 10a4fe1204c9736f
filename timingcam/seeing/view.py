"""Where the rotor stands, and what that shows of it.

In:  a pose, the pictures laid on one another, their mean.
Out: `View`: the reference picture, the rotor's place in it, its map, and what stands still.
Not here: how the pose is found (`whole_view.py`, `part_view.py`), the names of the marks, and the flashes that were not
among these pictures.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn, fits, read_turn, turned
from timingcam.seeing.cells import OWN_AND_ANOTHER, RotorMap, telling_cells
from timingcam.seeing.drum import Drum
from timingcam.seeing.mosaic import outside
from timingcam.seeing.pose import Pose
from timingcam.seeing.reference import Reference, make_reference
from timingcam.seeing.rim import CENTRE_SD, INNER, turns_of
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.shift import no_shift
from timingcam.seeing.smear import common_smear_deg, least_smeared, smeared_to
from timingcam.seeing.stack import Stack
from timingcam.seeing.strips import Grid, Part, make_grid, make_sampler, read_strip, recentred

DO_VIEW = "film square-on with the whole rotor in view, lit by the strobe, or point at its centre with --centre X,Y"

WITHIN_RIM = 0.97  # rim radii: a rim a little too large takes in edges that stand still
FINEST_PART = 4096  # our choice: columns a turn, where the rotor is seen near: a pixel of a rotor 1300 px across
LEAST_WIDE, WIDE = 0.5, 1.45  # our choice, rim radii: what lies beside the rotor
LIP_SHARE = 0.3  # our choice, of a hole's breadth: how much of its edge to look at on the shaft's side
EVERY_PX = 8  # our choice: to see how far a picture reaches
APART_ROUNDS = 4
SHOWN, SHOWN_PART = 1.3, 1.7  # our choice: the index lies a fifth beyond the rim at most, beside an opening at its edge


@dataclass(frozen=True, slots=True, eq=False)
class OtherView:
    """What is needed to look again with the other pose."""

    pose: Pose
    covariance: np.ndarray
    stack: Stack
    known: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Where the rotor stands, from the pictures looked at.

    `pose_covariance` is that of the six numbers of `Pose.moved`; `still_strip` the mean strip of what stands still
    on `wide`, a grid that reaches outside of the rim; `rotor_on_wide` the rotor's map on the same grid.
    """

    pose: Pose | Drum
    pose_covariance: np.ndarray
    reference: Reference
    reference_frame: int
    reference_turn_deg: float  # of the rotor in that frame; NaN where it was not read
    rotor: RotorMap
    wide: Grid
    still_strip: np.ndarray
    rotor_on_wide: np.ndarray
    turns_deg: np.ndarray
    mean: np.ndarray  # the reference picture: mean over the flashes
    warnings: tuple[str, ...]
    other: OtherView | None  # the second pose that the rim allows, where it is another
    part: Part | None = None  # where only a part of the rotor shows
    # The rotor's map again, of flashes that smear it least, where some smear it much.
    sharper_on_wide: np.ndarray | None = None
    uncovered: Part | None = None  # of a rotor that is seen as a whole otherwise, what a cover does not hide

    @property
    def hole_radii(self) -> float | None:
        """How broad the hole is through which a face is seen, rotor radii; None where it is seen otherwise."""
        return None if self.part is None or isinstance(self.pose, Drum) else breadth_of(self.part, self.pose)

    @property
    def shown(self) -> Part | None:
        """What shows of the rotor, where it is not all of it."""
        return self.part or self.uncovered

    @property
    def face(self) -> Pose:
        """The pose of a rotor that is seen face on.

        Raises
        ------
        TypeError
            If its edge is seen.
        """
        if isinstance(self.pose, Drum):
            raise TypeError("the edge of a rotor has no face")
        return self.pose

    @property
    def tilt_deg(self) -> float:
        """How obliquely the rotor is seen: all of it, or the part that shows."""
        return self.pose.tilt_deg if self.part is None else self.pose.oblique_deg(self.about_px()[0])

    def about_px(self) -> tuple[np.ndarray, float]:
        """The middle of what is to be shown of the picture, and half its breadth: all of the rotor, or what shows."""
        if self.part is None:
            return self.pose.centre_px, SHOWN * self.pose.radius_px
        rows, cols = np.nonzero(self.part.shows)
        low, high = np.array([cols.min(), rows.min()]), np.array([cols.max(), rows.max()])
        return 0.5 * (low + high), SHOWN_PART * 0.5 * float((high - low).max())


@dataclass(frozen=True, slots=True, eq=False)
class PartSeen:
    """What is known where only a part of the rotor shows: `part`; `still` (h, w), what surely stands still; `turns` of
    the pictures, roughly; `inner`, the least radius that shows."""

    part: Part
    still: np.ndarray
    turns: list[Turn | None]
    inner: float


def assembled(
    stack: Stack,
    how: tuple[Pose | Drum, np.ndarray],
    what: tuple[np.ndarray, np.ndarray],
    other: OtherView | None = None,
    seen: PartSeen | None = None,
) -> View:
    """The view, of a pose with its covariance, and of the mean picture with where it is known.

    Parameters
    ----------
    stack : Stack
    how : (Pose or Drum, ndarray)
    what : (ndarray, ndarray)
    other : OtherView, optional
        The second pose that the rim allows.
    seen : PartSeen, optional
        Where only a part of the rotor shows.

    Raises
    ------
    CannotMeasure
        If the flashes do not look alike.
    """
    (pose, covariance), (mean, known) = how, what
    part = None if seen is None else seen.part
    finest = {} if seen is None else {"most_angles": FINEST_PART}
    grid = make_grid(pose.radius_px, INNER if seen is None else seen.inner, WITHIN_RIM, **finest)
    own_deg = stack.rate_hz * stack.light.smear_deg_per_hz
    smear_deg = common_smear_deg(own_deg)
    strips, knowns = _smeared_alike(stack.each_strip(pose, grid, part), grid, own_deg, smear_deg)
    begun = None if seen is None else seen.turns
    rotor = replace(build_map(grid, strips, knowns, CENTRE_SD, begun, stack.rate_hz), smear_deg=smear_deg)
    turns = (
        turns_of(rotor, strips, knowns, OWN_AND_ANOTHER) if begun is None else _turns_near(rotor, strips, knowns, begun)
    )
    turns = [turn if turn is not None and fits(turn) else None for turn in turns]
    degs = np.array([np.nan if turn is None else turn.deg for turn in turns])
    if np.isfinite(degs).sum() < 3:
        raise CannotMeasure(
            found="a rotor whose flashes do not look alike",
            expected="the same marks and bolts in every flash",
            do=DO_VIEW,
        )
    from_, to = LEAST_WIDE, WIDE
    if seen is not None and isinstance(pose, Pose):
        from_ = min(from_, max(0.5 * seen.inner, seen.inner - LIP_SHARE * breadth_of(seen.part, pose)))
        to = _outer(seen.part, pose, known)
    wide = make_grid(pose.radius_px, from_, to, most_radii=160, **finest)
    strips_on_wide = stack.each_strip(pose, wide, part)
    if part is None:
        still_strip, rotor_on_wide, sharper = _still_and_turning(strips_on_wide, turns, wide, least_smeared(own_deg))
    else:
        still_strip, sharper = still_of(mean, known, pose, wide), None
        own = _own(strips_on_wide, turns, wide)
        rotor_on_wide = rotor_apart([(s, k) for s, k, _ in own], np.array([deg for _, _, deg in own]))
    first = stack.reference
    still = seen.still if seen is not None else outside(mean.shape, pose, 1.02) & known
    reference = make_reference(mean, still, np.array(mean.shape[::-1]) / 2.0, known, all_round=part is None)
    reference = reference.as_usual([shift.residual for k, shift in enumerate(stack.shifts) if k != first])
    return View(
        pose, covariance, reference, stack.lit[first].frame, float(degs[first]), rotor, wide, still_strip,
        rotor_on_wide, degs, mean, (), other, part, sharper, stack.uncovered,
    )  # fmt: skip


def _smeared_alike(
    strips: Iterable[tuple[np.ndarray, np.ndarray]], grid: Grid, own_deg: np.ndarray, to_deg: float
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    alike = [smeared_to(*one, grid, float(own), to_deg) for one, own in zip(strips, own_deg, strict=True)]
    return [strip for strip, _ in alike], [known for _, known in alike]


def _outer(part: Part, pose: Pose, known: np.ndarray) -> float:
    """How far out to look beside what shows of a face, rim radii: the index may be on the hole's far edge, if that is
    in the picture."""
    rows, cols = np.nonzero(known[::EVERY_PX, ::EVERY_PX])
    x, y = pose.to_plane(EVERY_PX * np.stack([cols, rows], axis=1).astype(float)).T
    breadth, middle = breadth_of(part, pose), pose.to_plane(np.argwhere(part.shows).mean(axis=0)[::-1])
    ahead = (x * middle[0] + y * middle[1]) / np.hypot(*middle)
    beside = np.abs(x * middle[1] - y * middle[0]) / np.hypot(*middle) < breadth / 2
    farthest = float(np.hypot(x, y)[beside & (ahead > 0)].max(initial=0.0))
    return float(np.clip(farthest, 1.1, 1 + 1.3 * breadth))


def breadth_of(part: Part, pose: Pose) -> float:
    """How broad what shows of a face is, along its edge, in rotor radii."""
    rows, cols = np.nonzero(part.shows)
    x, y = pose.to_plane(np.stack([cols, rows], axis=1).astype(float)).T
    middle = np.arctan2(y.mean(), x.mean())
    aside = np.angle(np.exp(1j * (np.arctan2(y, x) - middle)))
    return float(2 * np.sin(min(np.ptp(aside), np.pi) / 2))


def _turns_near(
    rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], begun: list[Turn | None]
) -> list[Turn | None]:
    cells = telling_cells(rotor)
    return [
        None if near is None else read_turn(rotor, cells, s, k, near)
        for s, k, near in zip(strips, knowns, begun, strict=True)
    ]


def still_of(mean: np.ndarray, known: np.ndarray, pose: Pose | Drum, grid: Grid) -> np.ndarray:
    """The mean picture's strip, evened out: what stands still is sharp there, and what turns is smeared."""
    picture = (mean * known).astype(np.float32)
    return read_strip(make_sampler(grid, pose), picture, no_shift(pose.centre_px), (0, len(mean) - 1))[0]


def _still_and_turning(
    strips: Iterable[tuple[np.ndarray, np.ndarray]], turns: list[Turn | None], grid: Grid, sharp: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """The mean of all strips; that of those whose turn is known, turned back; and of the sharp ones among these, None
    where all are."""
    still, turning, sharper = Mean(), Mean(), Mean()
    for (strip, known), turn, is_sharp in zip(strips, turns, sharp, strict=True):
        still.add(strip, known)
        if turn is not None:
            back = turned_back(*recentred(strip, known, grid, turn.centre), turn.deg)
            turning.add(*back)
            if is_sharp:
                sharper.add(*back)
    return still.mean(), turning.mean(), None if sharp.all() else sharper.mean()


def _own(
    strips: Iterable[tuple[np.ndarray, np.ndarray]], turns: list[Turn | None], grid: Grid
) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Strips about each flash's own centre, as its turn is meant, where each is known, and the turn."""
    return [
        (*recentred(strip, known, grid, turn.centre), turn.deg)
        for (strip, known), turn in zip(strips, turns, strict=True)
        if turn is not None
    ]


def turned_back(strip: np.ndarray, known: np.ndarray, deg: float) -> tuple[np.ndarray, np.ndarray]:
    """A strip, and where it is known, as if the rotor had not turned by an angle."""
    return turned(strip, -deg), turned(known.astype(np.float32), -deg) > 0.5


def rotor_apart(own: list[tuple[np.ndarray, np.ndarray]], degs: np.ndarray) -> np.ndarray:
    """The rotor's map where strips were held against what their places usually show.

    That holds a mark too, where it stood for long: what the map leaves over on the whole is put back, by turns.
    """
    rotor = _mean(turned_back(s, k, deg) for (s, k), deg in zip(own, degs, strict=True))
    for _ in range(APART_ROUNDS):
        usual = _mean(((s - turned(rotor, deg)) * k, k) for (s, k), deg in zip(own, degs, strict=True))
        rotor = _mean(turned_back((s - usual) * k, k, deg) for (s, k), deg in zip(own, degs, strict=True))
    return rotor


class Mean:
    """Mean of strips where each is known; one after another, as all of them take much room."""

    def __init__(self) -> None:
        self.total: np.ndarray | float = 0.0
        self.count: np.ndarray | float = 0.0

    def add(self, strip: np.ndarray, known: np.ndarray) -> None:
        """One more."""
        self.total = self.total + strip * known
        self.count = self.count + known.astype(np.float32)

    def mean(self) -> np.ndarray:
        """Of those so far; 0 where none is known."""
        return (self.total / np.maximum(self.count, 1)).astype(np.float32)

    def known(self) -> np.ndarray:
        """Where there is one at least."""
        return np.asarray(self.count) > 0


def _mean(strips: Iterable[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    mean = Mean()
    for strip, known in strips:
        mean.add(strip, known)
    return mean.mean()
