"""Which of the rings is the rotor's rim: the one where the picture stops turning.

In:  the pictures of some dozens of flashes, the rings of their mean.
Out: the `Ring` that is the rim.
Not here: the rings themselves (`rings.py`), and where exactly the rotor stands (`view.py`, `rigid.py`).

Each place in the picture is told twice: by what it usually shows, and by what the rotor shows that has turned there. A
lead or a hand that crosses is told by neither, and each sector of a ring has one vote at most, however it stands out.
"""

from __future__ import annotations

from collections.abc import Iterable
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
from timingcam.seeing.told_twice import N_SECTORS, told
from timingcam.seeing.turning_pose import guesses

LARGE_ENOUGH_PX = 200  # our choice: a percent of the radius is two pixels
CENTRE_SD = 0.003  # our choice: parallax of a hand's small moves between rotor and case, in rotor radii
# Bolts, holes and the hub stand off the plane of the marks, or shine by their own angle: left out.
INNER = 0.6
MOST_RINGS = 4  # our choice: a rotor, its hub and two rings of the case
MOST_OF_CASE = 12  # our choice: rings, with those within which all flashes show the same, standing still
ROWS_AT_ONCE = 32  # our choice: of a fine grid; all of them take ten times the strips' own room
LEAST_ALIKE = 6  # flashes
EACH_ROW_SHOWN = 14  # our choice: times; more pictures add time and no clearness
ONE_POSE_PX = 1.5  # our choice: a map is not blurred by less
# Our choice: turning less than this, but for one flash in twenty at either end, tells nothing apart; a steady engine's
# sparks scatter by up to half of it.
LEAST_SPREAD_DEG = 1.0
TELLS_NOTHING = 1e-4  # our choice: of what tells much
LEAST_GAIN = 3.0  # our choice: rows' votes in all
# Our choice, of 160 rows: with less, what was read may be half of the case, and another ring may see the rotor better.
# That came to 14; slices of a rotor that show little at once, to 23; others to 50 and more.
PLAINLY = 20.0
HALF_A_ROW, TELLS_LITTLE = 0.5, 0.02  # of a row's vote where it surely turns; our choice: of all votes
LEAST_CHANGE = 10.0  # our choice: of 160 rows, split in the middle, a change of their votes by a quarter
WIDEST_GAP, NO_GAP = 1.08, 0.5  # our choice: between rim and bore, sizes; of a bore's length, where none is seen
RIM_WITHIN = 1.06  # our choice: the edge of what turns is found to a few percent
RIM_BEYOND = 1.04  # our choice: a chamfer
EDGE_SD = 0.03  # our choice: of the edge of what turns, a row or two and a chamfer
NEAREST = 1.10  # our choice: with no ring within, one that is this near is taken
FARTHEST = 1.9  # our choice, radii: how far out of a ring to look for what turns
OUT_OF_ROUND = 0.02  # our choice, rim radii, rms: several times what a chamfer or a step off the plane makes


@dataclass(frozen=True, slots=True)
class _Edge:
    """Where the picture stops turning, in radii of a pose, and how clearly it does: between where the last row ends
    that surely turns, and where what tells of it is most."""

    surely: float
    radius: float
    gain: float

    def beyond(self, size: float) -> float:
        """A size over the nearest that the edge may have."""
        return size / float(np.clip(size, self.surely, self.radius))


# The pictures laid on one another by what is outside of a ring, its pose, and the turns read in it.
_Seen = tuple[Stack, Pose, np.ndarray]


def rim_of(before: Stack, families: Iterable[list[Ring]], shape: tuple[int, ...]) -> tuple[Ring, list[Ring]]:
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
        # Which ring it is is seen as well where pictures are no larger than that takes.
        by = larger_than_needed(rings[0])
        small = [ring.smaller(by) for ring in rings]
        which, turns = _which(before.smaller(by), small, (shape[0] // by, shape[1] // by))
        first = first or (rings[which], rings)
        if turns:
            return rings[which], rings
    if first is None:
        raise ValueError("no rings")
    return first


def _which(before: Stack, rings: list[Ring], shape: tuple[int, ...]) -> tuple[int, bool]:
    """Which of the rings it is, and whether anything turns within one of them.

    Where what turns ends at no ring that is like a rim, the ring that it was seen by is a hub's or the case's own, and
    another may see it better.
    """
    reference = before.lit[0]  # in its pixels the rings are
    lit = some_of(sorted(before.lit, key=lambda one: (one.frame, one.first)), shape[0], EACH_ROW_SHOWN)
    lit = [reference, *(one for one in lit if one is not reference)]
    standing: int | None = None
    near: int | None = None
    best = 0.0, 0
    left = MOST_RINGS
    for k, ring in enumerate(rings[:MOST_OF_CASE]):
        if not left:
            break
        tried = list(side_by_side(lambda pose: seen_in(before, lit, pose), _poses_of(ring, shape)))
        turning = [one for one in tried if turns_within(one[2])]
        if turning:
            edges = _edges_in(turning, rings)
            best = max(best, _rim(edges, rings))
            if best[0] > PLAINLY:
                break
            if near is None:
                near = _nearest(edges, rings)
            if not edges:
                near = k if near is None else near
                break
        elif any(np.isfinite(degs).sum() >= LEAST_ALIKE for _, _, degs in tried):
            standing = k if standing is None else standing
            continue
        left -= 1
    if best[0] > 0:
        return best[1], True
    if near is not None:
        return near, True
    return (0 if standing is None else _beside_a_gap(rings)), False


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


def _edges_in(seen: list[_Seen], rings: list[Ring]) -> list[tuple[_Edge, Pose]]:
    """How far out the picture turns, in each pose in which that can be told.

    A ring leans this way or that, or is none about the axis: what all rings agree on is tried too.
    """
    trials = [(stack, pose, degs) for stack, first, degs in seen for pose in _agreeing(first, rings)]
    edges = side_by_side(lambda trial: _turning_edge(*trial), trials)
    return [(edge, pose) for edge, (_, pose, _) in zip(edges, trials, strict=True) if edge is not None]


def _rim(tried: list[tuple[_Edge, Pose]], rings: list[Ring]) -> tuple[float, int]:
    """Which ring like a rim about the axis lies where the picture stops turning, after how much speaks for it; 0 if
    there is none.

    The pose counts in which turning and standing still are told apart clearly.
    """
    # What turns ends at the rotor's side of the gap, which is darker outside; the case's side stands off its plane. A
    # chamfer's shine stands still, so that the rim may lie a little beyond.
    likely = [
        (edge.gain * _likeness(rings[k], edge.beyond(size)), k)
        for edge, pose in tried
        for k, size in _round_ones(pose, rings)
    ]
    return max(likely, default=(0.0, 0))


def _nearest(tried: list[tuple[_Edge, Pose]], rings: list[Ring]) -> int | None:
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


def _turning_edge(stack: Stack, pose: Pose, degs: np.ndarray) -> _Edge | None:
    """Where the picture changes from turning to standing still; None if it cannot tell.

    References
    ----------
    .. [1] Page, Biometrika 41 (1954) 100-115: the cumulative sum about the mean, whose extreme is where a change lies.
    """
    good = np.flatnonzero(np.isfinite(degs))
    grid = make_grid(pose.radius_px, 0.25, FARTHEST, 1024, 160)
    few = stack.some(good)
    # Filled one after another: as a list and as one array they take twice the room.
    strips = np.empty((len(good), len(grid.radii), grid.n_angles), np.float32)
    knowns = np.empty(strips.shape, bool)
    for k, (strip, known) in enumerate(few.each_strip(pose, grid)):
        strips[k], knowns[k] = strip, known
    votes = [
        told(strips[:, k : k + ROWS_AT_ONCE], knowns[:, k : k + ROWS_AT_ONCE], degs[good])
        for k in range(0, len(grid.radii), ROWS_AT_ONCE)
    ]
    inner, outer = (np.concatenate(each) for each in zip(*votes, strict=True))
    # Each row's vote, for the radius that splits turning rows from still ones best. What crosses fills a few sectors,
    # and no more than one vote of each.
    both = inner + outer
    # Where flashes at one angle only were seen, the two say the same, and nothing.
    counts = both > TELLS_NOTHING * np.percentile(both, 95)
    usual = max(float(np.median(both[counts])), 1e-12) if counts.any() else 1.0
    n_told = np.maximum(counts.sum(axis=1), N_SECTORS / 4)
    vote = (np.clip((inner - outer) / usual, -1, 1) * counts).sum(axis=1) / n_told
    gain, fewest, at = _best_split(vote)
    # What speaks for the split is what turns inside of it, and what stands still outside.
    clear, worth = gain[at] - fewest[at] > LEAST_GAIN, float(2.0 * gain[at] - fewest[at] - gain[-1])
    if not clear:
        # So much stands still, a lead or shine, that the votes for it are more on either side: where they change most.
        vote = ((inner - outer) / (both + usual) * counts).sum(axis=1) / n_told
        gain = np.cumsum(vote - vote.mean())
        fewest, at = np.zeros_like(gain), int(np.argmax(gain))
        clear, worth = gain[at] > LEAST_CHANGE, float(gain[at])
    # Where a rim is bare, or little was seen of what stands still, nothing tells for a while which of the two rows do.
    inside = int(np.argmin(gain[: at + 1])) if fewest[at] < 0 else 0
    least = gain[at] - min(HALF_A_ROW, TELLS_LITTLE * (gain[at] - fewest[at]))
    surely = inside + int(np.argmax(gain[inside:] >= least))
    last_turning, edge = grid.radii[np.minimum([surely + 1, at + 1], len(grid.radii) - 1)]
    return _Edge(float(last_turning), float(edge), worth) if clear else None


def _best_split(vote: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """The sum of rows' votes from the innermost on, its least so far, and the row after which what turned stands still.

    Further in a shine may stand still, on the hub above all: what turns, turns from where the votes were fewest.
    """
    gain = np.cumsum(vote)
    fewest = np.minimum(np.minimum.accumulate(gain), 0.0)
    return gain, fewest, int(np.argmax(2.0 * gain - fewest))
