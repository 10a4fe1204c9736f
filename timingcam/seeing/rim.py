"""Which of the rings is the rotor's rim: the one where the picture stops turning.

In:  the pictures of some dozens of flashes, the rings of their mean.
Out: the `Ring` that is the rim.
Not here: the rings themselves (`rings.py`), and where exactly the rotor stands (`view.py`, `rigid.py`).

Each place in the picture is told twice: by what it usually shows, and by what the rotor shows that has turned there. A
lead or a hand that crosses is told by neither, and each sector of a ring has one vote at most, however it stands out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.angles import Turn, fits, read_turn
from timingcam.seeing.cells import telling_cells
from timingcam.seeing.light import LitPicture
from timingcam.seeing.mosaic import lay
from timingcam.seeing.pose import Pose, ellipse_points, poses_of_ellipse
from timingcam.seeing.rings import Ring
from timingcam.seeing.rotor_map import RotorMap, build_map
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.stack import Stack
from timingcam.seeing.stills import some_of
from timingcam.seeing.strips import make_grid
from timingcam.seeing.turning_edge import FARTHEST, Edge, turning_edge
from timingcam.seeing.turning_pose import guesses

LARGE_ENOUGH_PX = 200  # our choice: a percent of the radius is two pixels
CENTRE_SD = 0.003  # our choice: parallax of a hand's small moves between rotor and case, in rotor radii
# Bolts, holes and the hub stand off the plane of the marks, or shine by their own angle: left out.
INNER = 0.6
MOST_RINGS = 4  # our choice: a rotor, its hub and two rings of the case
MOST_OF_CASE = 12  # our choice: rings, with those within which all flashes show the same, standing still
LEAST_ALIKE = 6  # flashes
CLEAR_SHARE = 0.5  # our choice: of what tells turning from standing still in the pose where that is clearest
WHOLE = 0.8  # our choice: of a ring's length, that it is no chance
EACH_ROW_SHOWN = 14  # our choice: times; more pictures add time and no clearness
ONE_POSE_PX = 1.5  # our choice: a map is not blurred by less
# Our choice: turning less than this, but for one flash in twenty at either end, tells nothing apart; a steady engine's
# sparks scatter by up to half of it.
LEAST_SPREAD_DEG = 1.0
# Our choice: of most flashes, more than a swaying hand moves what stands off the rotor's plane, less than an advancer
# moves the spark.
PLAIN_SPREAD_DEG = 3.0
# Our choice, of 160 rows: with less, what was read may be half of the case, and another ring may see the rotor better.
# That came to 14; slices of a rotor that show little at once, to 23; others to 50 and more.
PLAINLY = 20.0
WIDEST_GAP, NO_GAP = 1.08, 0.5  # our choice: between rim and bore, sizes; of a bore's length, where none is seen
RIM_WITHIN = 1.06  # our choice: the edge of what turns is found to a few percent
RIM_BEYOND = 1.04  # our choice: a chamfer
EDGE_SD = 0.03  # our choice: of the edge of what turns, a row or two and a chamfer
NEAREST = 1.10  # our choice: with no ring within, one that is this near is taken
OUT_OF_ROUND = 0.02  # our choice, rim radii, rms: several times what a chamfer or a step off the plane makes


# The pictures laid on one another by what is outside of a ring, its pose, and the turns read in it.
_Seen = tuple[Stack, Pose, np.ndarray]


def rim_of(
    before: Stack,
    families: Iterable[list[Ring]],
    shape: tuple[int, ...],
    within: Callable[[Ring], list[Ring]] = lambda ring: [],
) -> tuple[Ring, list[Ring]]:
    """The rim, by what turns within the likeliest ring; where no two flashes look alike there, within the next.

    Parameters
    ----------
    before : Stack
        The pictures, laid on one another by all they show.
    families : iterable of list of Ring
        Of the mean picture: rings about one centre, then about the next, the best supported first; at least one of
        each. The next centre is asked for where nothing turns about this one.
    shape : tuple of int
        Of the picture: height, width.
    within : callable, optional
        From a ring to the rings within it, about a centre of their own. Seen at an angle, a rotor that stands off the
        case has another than the case's rings have; asked for where what turns does not plainly end at one of these.

    Returns
    -------
    ring : Ring
    rings : list of Ring
        The family that it is of.

    Notes
    -----
    A ring of the case is none to see the rotor by: what stands still within it hides what turns, and seen at an angle
    it has another centre.
    """
    first: tuple[Ring, list[Ring]] | None = None
    for rings in families:
        which, worth = _which_of(before, rings, shape)
        outer = _next_whole(rings, rings[which]) if first is None and worth < PLAINLY else None
        first = first or (rings[which], rings)
        if outer is not None and (inner := within(outer)):
            other, more = _which_of(before, inner, shape)
            if more > max(worth, 0.0):
                return inner[other], inner
        if worth >= 0:
            return rings[which], rings
    if first is None:
        raise ValueError("no rings")
    return first


def _next_whole(rings: list[Ring], ring: Ring) -> Ring | None:
    """The smallest of the rings that are seen whole and no smaller than one of them."""
    whole = [one for one in rings if one.coverage >= WHOLE and one.size_px >= ring.size_px]
    return min(whole, key=lambda one: one.size_px, default=None)


def _which_of(before: Stack, rings: list[Ring], shape: tuple[int, ...]) -> tuple[int, float]:
    """`_which`, in pictures no larger than it takes to see that."""
    by = larger_than_needed(rings[0])
    small = [ring.smaller(by) for ring in rings]
    return _which(before.smaller(by), small, (shape[0] // by, shape[1] // by))


def _which(before: Stack, rings: list[Ring], shape: tuple[int, ...]) -> tuple[int, float]:
    """Which of the rings it is, and how much speaks for that: 0 where no more than that something turns within one of
    them, -1 where nothing does.

    Where what turns ends at no ring that is like a rim, the ring that it was seen by is a hub's or the case's own, and
    another may see it better.
    """
    reference = before.lit[0]  # in its pixels the rings are
    lit = some_of(sorted(before.lit, key=lambda one: (one.frame, one.first)), shape[0], EACH_ROW_SHOWN)
    lit = [reference, *(one for one in lit if one is not reference)]
    standing: int | None = None
    # Of rings within which most flashes differ; and of those within which few do, as where a hand's sway or what passes
    # moves the case a little: they count only where there is no other.
    plain, hardly, left = _Found(), _Found(), 2 * MOST_RINGS
    for k, ring in enumerate(rings[:MOST_OF_CASE]):
        if not plain.left or not left:
            break
        tried = list(side_by_side(lambda pose: seen_in(before, lit, pose), _poses_of(ring, shape)))
        turning = [one for one in tried if turns_within(one[2])]
        if not turning and any(np.isfinite(degs).sum() >= LEAST_ALIKE for _, _, degs in tried):
            standing = k if standing is None else standing
            continue
        found = hardly if turning and not any(_turns_plainly(one[2]) for one in turning) else plain
        left -= 1
        if found.left:
            found.left -= 1
            if found.look(turning, rings, k):
                break
    for found in (plain, hardly):
        if (which := found.which) is not None:
            return which, found.best[0]
    return (0 if standing is None else _beside_a_gap(rings)), -1.0


@dataclass(slots=True)
class _Found:
    """The ring that is most like a rim where the picture stops turning, how much speaks for it, and the nearest where
    there is none like it; and at how many more rings to look."""

    best: tuple[float, int] = (0.0, 0)
    near: int | None = None
    left: int = MOST_RINGS

    @property
    def which(self) -> int | None:
        """The ring; None while there is none."""
        return self.best[1] if self.best[0] > 0 else self.near

    def look(self, turning: list[_Seen], rings: list[Ring], k: int) -> bool:
        """What turns within the ring of number `k`, and whether to look at no other."""
        if not turning:
            return False
        plainly = [one for one in turning if _turns_plainly(one[2])]
        edges = _edges_in(plainly or turning, rings)
        self.best = max(self.best, _rim(edges, rings))
        if self.near is None:
            self.near = _nearest(edges, rings) if edges else k
        return self.best[0] > PLAINLY or bool(plainly and not edges)


def _beside_a_gap(rings: list[Ring]) -> int:
    """Which ring is most like the rim of a rotor that does not turn: darker outside, and just beyond it a ring that is
    brighter outside, the bore's."""

    def likeness(ring: Ring) -> float:
        beyond = [r.coverage for r in rings if r.sign > 0 and 1.0 < r.size_px / ring.size_px < WIDEST_GAP]
        return (ring.sign < 0) * ring.coverage * max(beyond, default=NO_GAP) * float(np.sqrt(ring.size_px))

    return max(range(len(rings)), key=lambda k: likeness(rings[k]))


def larger_than_needed(ring: Ring) -> int:
    """How many times smaller pictures may be to see what turns within a ring."""
    return max(1, int(ring.size_px // LARGE_ENOUGH_PX))


def turns_within(degs: np.ndarray) -> bool:
    """Whether enough flashes look alike, at angles that differ."""
    read = degs[np.isfinite(degs)]
    return len(read) >= LEAST_ALIKE and float(np.ptp(np.percentile(read, [5, 95]))) >= LEAST_SPREAD_DEG


def _turns_plainly(degs: np.ndarray) -> bool:
    """Whether most flashes show angles that differ by more than a swaying hand moves the case."""
    read = degs[np.isfinite(degs)]
    return len(read) >= LEAST_ALIKE and float(np.ptp(np.percentile(read, [20, 80]))) >= PLAIN_SPREAD_DEG


def _poses_of(ring: Ring, shape: tuple[int, ...]) -> list[Pose]:
    """Both poses that a ring allows, or one of them where they are as good as one."""
    both = poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, (shape[1], shape[0]))
    return both if np.hypot(*(both[0].centre_px - both[1].centre_px)) > ONE_POSE_PX else both[:1]


def seen_in(before: Stack, lit: list[LitPicture], pose: Pose) -> _Seen:
    """The pictures laid on one another by what is outside of the rotor, the pose, and the turns read in it."""
    # Outside of a ring of the case little may be left to lay them by: from where all they show put them, it is enough.
    stack, _, _ = lay(before.light, lit, pose, before=before)
    return stack, pose, _degs_within(stack, pose)


def pose_of(ring: Ring, shape: tuple[int, ...]) -> Pose:
    """One of the poses that a ring allows, seen by the usual lens."""
    return poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, (shape[1], shape[0]))[0]


def turns_of(
    rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], shown_by: int = 1
) -> list[Turn | None]:
    """Each strip's turn against what so many flashes showed of a map; None where it cannot be read."""
    cells = telling_cells(rotor, shown_by)
    return [read_turn(rotor, cells, s, k) for s, k in zip(strips, knowns, strict=True)]


def _degs_within(stack: Stack, pose: Pose) -> np.ndarray:
    """Turns of the flashes that look alike within a ring, NaN of the others."""
    grid = make_grid(pose.radius_px, INNER, 0.95, 1024, 48)
    strips, knowns = stack.strips(pose, grid)
    turns = turns_of(build_map(grid, strips, knowns, CENTRE_SD, rate_hz=stack.rate_hz), strips, knowns)
    return np.array([t.deg if t is not None and fits(t) else np.nan for t in turns])


def _edges_in(seen: list[_Seen], rings: list[Ring]) -> list[tuple[Edge, Pose]]:
    """How far out the picture turns, in each pose in which that can be told.

    A ring leans this way or that, or is none about the axis: what all rings agree on is tried too.
    """
    trials = [(stack, pose, degs) for stack, first, degs in seen for pose in _agreeing(first, rings)]
    edges = side_by_side(lambda trial: turning_edge(*trial), trials)
    return [(edge, pose) for edge, (_, pose, _) in zip(edges, trials, strict=True) if edge is not None]


def _rim(tried: list[tuple[Edge, Pose]], rings: list[Ring]) -> tuple[float, int]:
    """Which ring like a rim about the axis lies where the picture stops turning, after how much speaks for it; 0 if
    there is none.

    The pose counts in which turning and standing still are told apart clearly.
    """
    # What turns ends at the rotor's side of the gap, which is darker outside; the case's side stands off its plane. A
    # chamfer's shine stands still, so that the rim may lie a little beyond.
    clear = CLEAR_SHARE * max((edge.gain for edge, _ in tried), default=0.0)
    likely = [
        (edge.gain * _likeness(rings[k], edge.beyond(size)), k)
        for edge, pose in tried
        if edge.gain >= clear
        for k, size in _round_ones(pose, rings)
    ]
    return max(likely, default=(0.0, 0))


def _nearest(tried: list[tuple[Edge, Pose]], rings: list[Ring]) -> int | None:
    """Which ring about the axis is nearest to where the picture stops turning; None if none is near."""
    if not tried:
        return None
    edge, pose = max(tried, key=lambda one: one[0].gain)
    near = [(abs(np.log(size / edge.radius)), k) for k, size in _round_ones(pose, rings)]
    off, which = min(near, default=(np.inf, 0))
    return which if off < np.log(NEAREST) and edge.surely < FARTHEST else None


def _agreeing(pose: Pose, rings: list[Ring]) -> list[Pose]:
    """The pose, and it as all rings agree that it leans."""
    return [pose, *(replace(pose, lean_rad=g.lean_rad, centre_px=g.centre_px) for g in guesses(pose, rings))]


def _round_ones(pose: Pose, rings: list[Ring]) -> list[tuple[int, float]]:
    """The rings that are circles about the axis as a pose sees them, with their sizes in its radii."""
    return [(k, size) for k, ring in enumerate(rings) if (size := _size_in(pose, ring)) is not None]


def _likeness(ring: Ring, beyond: float) -> float:
    """How much a ring is like the rim, by its size over that of what turns; 0 where it is not."""
    if ring.sign > 0 or not 1 / RIM_WITHIN < beyond < RIM_BEYOND:
        return 0.0
    # Half a ring counts a quarter: it may be the shadow of anything round.
    return ring.coverage**2 * float(np.exp(-0.5 * (np.log(beyond) / EDGE_SD) ** 2))


def _size_in(pose: Pose, ring: Ring) -> float | None:
    """A ring's radius as a pose sees it, in that pose's radii; None where it is no circle about the axis."""
    at = pose.to_plane(ellipse_points(ring.centre_px, ring.axes_px, ring.angle_deg))
    radius = np.hypot(at[:, 0], at[:, 1])
    size = float(radius.mean())
    return size if radius.std() < OUT_OF_ROUND * size else None
