"""Lit pictures to where the rotor stands.

In:  some dozens of pictures, each with the rows that one flash lit.
Out: `View`: the reference picture, the rotor's plane in it, its map, and what stands still.
Not here: the names of the marks, and the flashes that were not among these pictures.

The pictures are first laid on one another by all they show, then rings are looked for in their mean, then the pictures
are laid again by what stands outside of the rotor. Where the rotor ends is where the picture stops turning.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import RotorMap, Turn, fits, read_turn, telling_cells, turned
from timingcam.seeing.drum import Drum
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.mosaic import Stack, lay, outside
from timingcam.seeing.overexposure import refuse_over_exposed
from timingcam.seeing.pose import Pose, ellipse_points, poses_of_ellipse
from timingcam.seeing.register import Reference, Shift, make_reference, no_shift
from timingcam.seeing.rigid import MIN_SPREAD_DEG, N_RIGID, Evidence, refine_pose, unexplained
from timingcam.seeing.rim import CENTRE_SD, INNER, pose_of, rim_of, turns_of
from timingcam.seeing.rings import Ring, find_rings
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.strips import Grid, Part, make_grid, make_sampler, read_strip, recentred
from timingcam.seeing.turning_pose import flattening_between, guesses

DO_VIEW = "film square-on with the whole rotor in view, lit by the strobe, or point at its centre with --centre X,Y"

WITHIN_RIM = 0.97  # rim radii: a rim a little too large takes in edges that stand still
ENOUGH_RINGS, OTHER_SHAPE = 3, 0.004  # our choice, the latter of the rim's size: twice the usual error of a rim's axes
HOPELESS = 1.8  # our choice: what one way of leaning leaves unexplained over what the other does, before refining
FINEST_PART = 4096  # our choice: columns a turn, where the rotor is seen near: a pixel of a rotor 1300 px across
APART_ROUNDS = 4
WHOLE_RING = 0.9  # of its length, our choice
SHOWN, SHOWN_PART = 1.3, 1.7  # our choice: the index lies a fifth beyond the rim at most, beside an opening at its edge
OTHER_POSE_DEG = 3.0  # our choice: poses closer than this are one


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
    rotor: RotorMap
    wide: Grid
    still_strip: np.ndarray
    rotor_on_wide: np.ndarray
    turns_deg: np.ndarray
    mean: np.ndarray  # the reference picture: mean over the flashes
    warnings: tuple[str, ...]
    other: OtherView | None  # the second pose that the rim allows, where it is another
    part: Part | None = None  # where only a part of the rotor shows
    laid: tuple[tuple[int, Shift], ...] = ()  # frames of the pictures looked at, rising, and where each lies

    def near(self, frame: int) -> Shift | None:
        """Where the picture nearest in time lies: a hand hardly moves from one frame to the next."""
        if not self.laid:
            return None
        at = bisect_left(self.laid, frame, key=lambda one: one[0])
        beside = self.laid[max(at - 1, 0) : at + 1]
        return min(beside, key=lambda one: abs(one[0] - frame))[1]

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


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    """A pose to begin with, and the rim's points that go with it."""

    pose: Pose
    rim_px: np.ndarray


def find_view(light: FlashLight, lit: list[LitPicture], centre_px: np.ndarray | None = None) -> View:
    """Find the rotor.

    Parameters
    ----------
    light : FlashLight
    lit : list of LitPicture
        From all over the clip.
    centre_px : ndarray, shape (2,), optional
        The user's own idea of the rotor's centre, stored pixels in the first of the pictures.

    Raises
    ------
    CannotMeasure
        If no rotor is found, or no picture shows enough of it.
    """
    lit = _widest(lit)
    stack, mean, known = lay(light, lit)
    if centre_px is not None:
        centre_px = _into_reference(stack, centre_px)
    rings = _rings(mean, known, centre_px)
    refuse_over_exposed(lit, light.table, rings[0])
    ring = rim_of(stack, rings, mean.shape)
    stack, mean, known = lay(light, lit, pose_of(ring, mean.shape), before=stack)
    (pose, covariance), *second = _rigid(stack, _starts(ring, rings, mean.shape), _circles(ring, rings))
    far = bool(second) and _apart_deg(pose, second[0][0]) > OTHER_POSE_DEG
    other = OtherView(*second[0], stack, known) if far else None
    return assembled(stack, (pose, covariance), (mean, known), other)


def other_view(view: View) -> View:
    """The view with the other pose that the rim allows.

    Raises
    ------
    ValueError
        If there is none.
    """
    if view.other is None:
        raise ValueError("this view has no other pose")
    other = view.other
    return assembled(other.stack, (other.pose, other.covariance), (view.mean, other.known), None)


def _widest(lit: list[LitPicture]) -> list[LitPicture]:
    """Those that show most rows: half of the tallest at least."""
    if not lit:
        raise CannotMeasure(found="no flash to look at", expected="pictures lit by the strobe", do=DO_VIEW)
    tallest = max(p.last - p.first for p in lit)
    return [p for p in lit if p.last - p.first >= 0.5 * tallest]


def _into_reference(stack: Stack, xy_px: np.ndarray) -> np.ndarray:
    """A place pointed at in the first picture, in the reference's pixels: the stack begins with the tallest picture."""
    first = min(range(len(stack.lit)), key=lambda k: stack.lit[k].frame)
    inverse = np.linalg.inv(stack.shifts[first].matrix())
    return inverse[:2, :2] @ np.asarray(xy_px, float) + inverse[:2, 2]


def _rings(mean: np.ndarray, known: np.ndarray, centre_px: np.ndarray | None) -> list[Ring]:
    rings = find_rings(mean, known)
    if centre_px is not None:
        rings = [r for r in rings if np.hypot(*(r.centre_px - centre_px)) < 0.15 * r.size_px]
    if not rings:
        raise CannotMeasure(
            found="no circle that could be the rotor's rim",
            expected="the rim, or most of it, in view and lit",
            do=DO_VIEW,
        )
    return rings


def _starts(ring: Ring, rings: list[Ring], shape: tuple[int, ...]) -> list[_Start]:
    """The poses to start from: both that the rim allows, or the one that rings of all sizes agree on.

    A rim with a chamfer shows one of its two edges here and the other there. Where that makes it lean otherwise than
    several other rings do, their tilt and centre are taken, and only its size.
    """
    both = poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, (shape[1], shape[0]))
    rim_px = ellipse_points(ring.centre_px, ring.axes_px, ring.angle_deg)
    agreed = guesses(both[0], rings)
    starts = []
    for guess in agreed:
        pose = min(both, key=lambda one: float(np.hypot(*(one.lean_rad - guess.lean_rad))))
        off = flattening_between(pose.lean_rad, guess.lean_rad)
        if guess.n_rings >= ENOUGH_RINGS and off > OTHER_SHAPE:
            pose = replace(pose, lean_rad=guess.lean_rad, centre_px=guess.centre_px)
            angle = np.linspace(0, 2 * np.pi, len(rim_px), endpoint=False)
            starts.append(_Start(pose, pose.to_image(np.stack([np.cos(angle), np.sin(angle)], axis=1))))
        else:
            starts.append(_Start(pose, rim_px))
    if len(agreed) > 1 and all(start.rim_px is rim_px for start in starts):
        starts = [_Start(pose, rim_px) for pose in both]
    # So near to square-on that either way of leaning ends in the same place.
    if len(starts) > 1 and _apart_deg(starts[0].pose, starts[1].pose) < OTHER_POSE_DEG:
        starts = starts[:1]
    return starts


def _apart_deg(one: Pose, other: Pose) -> float:
    return float(np.degrees(np.hypot(*(one.lean_rad - other.lean_rad))))


def _circles(rim: Ring, rings: list[Ring]) -> tuple[np.ndarray, ...]:
    """Points of the rings that were seen nearly whole, but for the rim."""
    return tuple(
        ellipse_points(ring.centre_px, ring.axes_px, ring.angle_deg)
        for ring in rings
        if ring is not rim and ring.coverage >= WHOLE_RING
    )


def _rigid(stack: Stack, starts: list[_Start], circles_px: tuple[np.ndarray, ...]) -> list[tuple[Pose, np.ndarray]]:
    """Refine the poses with the flashes that differ most in angle, the better one first.

    How far the rotor turned is read in each pose by itself: leaning the other way, the same picture tells other angles,
    and each would be held against the pose that it was not read in.
    """
    tried = list(side_by_side(lambda start: (start, _evidence(stack, start, circles_px)), starts))
    left = [unexplained(start.pose, seen) if len(seen.turns_deg) else np.nan for start, seen in tried]
    # Leaning the wrong way by much, the pictures do not fit one rotor, and no refining makes them.
    least = min((share for share in left if np.isfinite(share)), default=np.nan)
    hopeful = [one for one, share in zip(tried, left, strict=True) if not share > HOPELESS * least]
    fits_of = side_by_side(lambda one: (one[1], refine_pose(one[0].pose, one[1])), hopeful)
    fitted = []
    for evidence, (pose, covariance, cost) in fits_of:
        turning = len(evidence.turns_deg) > 0
        # A pose in which nothing that turns was recognised comes last, and by its rim.
        rank = (0, unexplained(pose, evidence)) if turning else (1, cost)
        fitted.append((rank, pose, covariance))
    fitted.sort(key=lambda fit: fit[0])
    return [(pose, covariance) for _, pose, covariance in fitted]


def _evidence(stack: Stack, start: _Start, circles_px: tuple[np.ndarray, ...]) -> Evidence:
    """The flashes that differ most in angle, as one pose shows them."""
    grid = make_grid(start.pose.radius_px, INNER, 0.97, 1024, 40)
    strips, knowns = stack.strips(start.pose, grid)
    rotor = build_map(grid, strips, knowns, CENTRE_SD)
    turns = turns_of(rotor, strips, knowns)
    usable = [i for i, t in enumerate(turns) if t is not None and fits(t) and knowns[i].mean() > 0.15]
    degs = np.array([turns[i].deg for i in usable])  # type: ignore[union-attr]
    if len(usable) < 6 or np.ptp(degs) < MIN_SPREAD_DEG:
        usable, degs = [], np.zeros(0)
    order = np.argsort(degs)
    spaced = np.linspace(0, max(len(order) - 1, 0), min(N_RIGID, len(order))).round().astype(int)
    chosen = order[np.unique(spaced)]
    some = [usable[i] for i in chosen]
    part = Stack(stack.light, [stack.lit[i] for i in some], [stack.shifts[i] for i in some])
    pictures = [part.light.picture(p.luma, p.rows) for p in part.lit]

    def strips_of(trial: Pose) -> tuple[np.ndarray, np.ndarray]:
        sampler = make_sampler(grid, trial)
        strips, masks = [], []
        for picture, lit, shift in zip(pictures, part.lit, part.shifts, strict=True):
            strip, known = read_strip(sampler, picture, shift, lit.rows)
            strips.append(strip)
            masks.append(known)
        return np.stack(strips), np.stack(masks)

    return Evidence(strips_of, grid, degs[chosen], start.rim_px, circles_px)


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
    strips, knowns = stack.strips(pose, grid, part)
    begun = None if seen is None else seen.turns
    rotor = build_map(grid, strips, knowns, CENTRE_SD, begun)
    turns = turns_of(rotor, strips, knowns) if begun is None else _turns_near(rotor, strips, knowns, begun)
    degs = np.array([t.deg if t is not None and fits(t) else np.nan for t in turns])
    if np.isfinite(degs).sum() < 3:
        raise CannotMeasure(
            found="a rotor whose flashes do not look alike",
            expected="the same marks and bolts in every flash",
            do=DO_VIEW,
        )
    wide = make_grid(pose.radius_px, 0.5, 1.45, most_radii=160, **finest)
    wide_strips, wide_knowns = stack.strips(pose, wide, part)
    good = np.flatnonzero(np.isfinite(degs))
    # About each flash's own centre, as its turn is meant.
    own = [recentred(wide_strips[i], wide_knowns[i], wide, turns[i].centre) for i in good]  # type: ignore[union-attr]
    if part is None:
        still_strip = _mean(wide_strips, wide_knowns)
        rotor_on_wide = _rotor_of(own, degs[good])
    else:
        still_strip = still_of(mean, known, pose, wide)
        rotor_on_wide = rotor_apart(own, degs[good])
    still = seen.still if seen is not None else outside(mean.shape, pose, 1.02) & known
    about_px = pose.centre_px if seen is None else np.array(mean.shape[::-1]) / 2.0
    reference = make_reference(mean, still, about_px)
    return View(
        pose, covariance, reference, stack.lit[0].frame, rotor, wide, still_strip, rotor_on_wide, degs, mean, (), other,
        part, _laid(stack),
    )  # fmt: skip


def _laid(stack: Stack) -> tuple[tuple[int, Shift], ...]:
    pairs = zip(stack.lit, stack.shifts, strict=True)
    return tuple(sorted(((lit.frame, shift) for lit, shift in pairs), key=lambda one: one[0]))


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


def _rotor_of(own: list[tuple[np.ndarray, np.ndarray]], degs: np.ndarray) -> np.ndarray:
    """The mean of strips, each turned back."""
    return _mean(
        [turned(strip, -deg) for (strip, _), deg in zip(own, degs, strict=True)],
        [turned(seen.astype(np.float32), -deg) > 0.5 for (_, seen), deg in zip(own, degs, strict=True)],
    )


def rotor_apart(own: list[tuple[np.ndarray, np.ndarray]], degs: np.ndarray) -> np.ndarray:
    """The rotor's map where strips were held against what their places usually show.

    That holds a mark too, where it stood for long: what the map leaves over on the whole is put back, by turns.
    """
    rotor = _rotor_of(own, degs)
    for _ in range(APART_ROUNDS):
        left = [(s - turned(rotor, deg)) * k for (s, k), deg in zip(own, degs, strict=True)]
        usual = _mean(left, [k for _, k in own])
        rotor = _rotor_of([((s - usual) * k, k) for s, k in own], degs)
    return rotor


def _mean(strips: list[np.ndarray], knowns: list[np.ndarray]) -> np.ndarray:
    count = np.sum([k.astype(np.float32) for k in knowns], axis=0)
    total = np.sum([s * k for s, k in zip(strips, knowns, strict=True)], axis=0)
    return (total / np.maximum(count, 1)).astype(np.float32)
