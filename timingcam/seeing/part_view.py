"""Where the rotor stands, when only a part of it shows: through a timing hole, or its edge seen from the side.

In:  the clip, its flashes, pictures of some of them; what the engine file says of the marks.
Out: `View`.
Not here: the whole rotor in view (`view.py`).

The place where the picture changes from flash to flash is what shows of the rotor. Through a hole, the arcs there tell
the centre; on an edge, marks that slow down away from the middle tell where the shaft is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn
from timingcam.seeing.arcs import LEAST_INNER, HoleTold
from timingcam.seeing.by_speed import bright_of, by_speed, refuse_gap, usual_over
from timingcam.seeing.chain import SURELY_ALIKE, chained_turns
from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.drum import Drum
from timingcam.seeing.drum_start import EDGE_WIDTH, by_its_lens, find_drum, moved_aside, unexplained
from timingcam.seeing.face_start import find_face
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.lines import Line, find_lines
from timingcam.seeing.marks import INSIDE, Maps, Place
from timingcam.seeing.mosaic import lay, tallest_first
from timingcam.seeing.opening import DO_OPENING, InView, NotAPart, Opening, find_opening, pictures_showing
from timingcam.seeing.pose import Pose
from timingcam.seeing.rigid import MIN_SPREAD_DEG, N_RIGID, Evidence, refine_pose
from timingcam.seeing.spacing import USUAL_LOG_SD, rescaled, scale_lever, scale_of
from timingcam.seeing.stack import Stack, strips_by_pose
from timingcam.seeing.strips import Grid, Part, make_grid
from timingcam.seeing.view import FINEST_PART, WITHIN_RIM, PartSeen, View, assembled, rotor_apart, still_of
from timingcam.seeing.ways import CLEAR_MARK_A_RADIUS, least_clear

BESIDE_PX, FEWEST = 4.0, 6  # our choice: an opening's edge, softened by coding; flashes
ROUNDS, SPACED_ROUNDS = 2, 6  # our choice: pose and turns tell one another
N_ROWS = 28  # our choice: of strips that the pose is fitted to
QUICK_ROWS, QUICK_OUTER = 60, 1.3
MIDDLE_RADIUS = 0.9  # of marks
SCALE_ROUNDS, SETTLED_SCALE, LEAST_SCALE_SD = 6, 0.03, 0.004  # our choice: as well as marks are put on
SQUARE_SD_RAD = 0.2  # our choice: who films through a hole looks in squarely, to some ten degrees
NO_WORSE = 1.03  # our choice: what is left unexplained hangs on which cells are seen, a little
ENDS_PERCENT = 99.5  # our choice: of what shows of an edge, a few pixels are beside it
SIZE_SD = 1e-4  # where no rim is seen, where radius 1 lies is a name only

Judge = Callable[[Maps], float]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the engine file says.

    `places` are those of its marks, `sense` is as in `Maps`; `on_edge` says whether the marks are on the rotor's edge;
    `hole` what can show of a face through a hole of the file's size. `judge` tells how well
    a map with an index beside it can be read, to choose on which side of an edge the index is. `surely` says that the
    rotor is not in view as a whole.
    """

    places: list[Place]
    sense: int
    on_edge: bool
    hole: HoleTold
    judge: Judge
    surely: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Pictures laid on one another, their mean and where it is known, and what shows of the rotor."""

    stack: Stack
    mean: np.ndarray
    known: np.ndarray
    opening: Opening
    part: Part
    rate_hz: np.ndarray  # of flashes, about each of the pictures

    @property
    def still(self) -> np.ndarray:
        """What surely stands still."""
        return self.opening.beside(BESIDE_PX) & self.known


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    """A pose to begin with, arcs and rim to be round in it, what is held of it, and the least radius that shows."""

    pose: Pose | Drum
    arcs_px: tuple[np.ndarray, ...]
    rim_px: np.ndarray
    hold: np.ndarray
    inner: float


def find_part_view(info: ClipInfo, flashes: Flashes, light: FlashLight, lit: list[LitPicture], told: Told) -> View:
    """Find what shows of the rotor.

    Parameters
    ----------
    info : ClipInfo
    flashes : Flashes
    light : FlashLight
    lit : list of LitPicture
        From all over the clip.
    told : Told

    Raises
    ------
    CannotMeasure
        If no such part is found, or it does not turn as one.
    NotAPart
        If the rotor's centre is within what shows of its face, or nothing says where it is.
    """
    if len(lit) < FEWEST:
        raise _too_few(len(lit))
    lit = tallest_first(lit)
    stack, mean, known = lay(light, lit, None, np.ones(lit[0].luma.shape, bool))
    opening = find_opening(stack, mean, known, may_be_round=not told.on_edge)
    if not told.on_edge:
        # If all of the rotor shows, it need not be looked for here any further.
        find_face(stack, (mean, known), opening, told.hole, a_part=told.surely)
    showing, beside = pictures_showing(info, flashes, opening, 2 * FEWEST)
    if len(showing) < FEWEST:
        raise _too_few(len(showing))
    lit = _led_by(lit[0], showing)  # in whose pixels the opening was found
    try:
        return _closer(light, lit, beside, (opening, told))
    except InView:
        raise
    except NotAPart as fault:
        # It was seen to be a part, and is not to be looked for as a whole.
        raise CannotMeasure(found=fault.found, expected=fault.expected, do=fault.do) from fault


def _led_by(first: LitPicture, lit: list[LitPicture]) -> list[LitPicture]:
    """The pictures, a certain one first."""
    same = first.frame, first.rows
    return [first, *(p for p in lit if (p.frame, p.rows) != same)]


def _closer(light: FlashLight, lit: list[LitPicture], beside: list[LitPicture], what: tuple[Opening, Told]) -> View:
    """The view from all pictures that show the opening; what is beside it, from others too."""
    opening, told = what
    stack, mean, known = lay(light, [*lit, *beside], None, opening.beside(BESIDE_PX))
    stack = stack.without(beside)
    opening = find_opening(stack, mean, known, before=opening)
    stack, rate_hz = by_speed(stack)
    usual = usual_over(stack, rate_hz, mean, opening.shows)
    seen = _Seen(stack, mean, known, opening, Part(bright_of(opening.shows, usual), usual), rate_hz)
    start = _start_on_edge(seen, told) if told.on_edge else _start_on_face(seen, told.hole)
    start, covariance = _placed(seen, told, start)
    start = _from_end_to_end(seen, start)
    turns, _ = _chained(seen, start.pose, start.inner)
    return assembled(
        seen.stack, (start.pose, covariance), (mean, known), None, PartSeen(seen.part, seen.still, turns, start.inner)
    )


def _placed(seen: _Seen, told: Told, start: _Start) -> tuple[_Start, np.ndarray]:
    """The start where all that tells of it puts it, and the covariance of its pose."""
    if isinstance(start.pose, Pose):
        # Arcs and the marks' spacing tell how a face lies better than its turning: the little that shows of it bends by
        # less than what a mark that rests for long leaves in the usual picture.
        spaced = _spaced(seen, told, *_refined(seen, start, by_turning=False))
        if spaced is not None:
            return spaced
    refined = _refined(seen, start, by_turning=True)
    return _spaced(seen, told, *refined) or refined


def _refined(seen: _Seen, start: _Start, *, by_turning: bool) -> tuple[_Start, np.ndarray]:
    """The pose that arcs, and the turning, ask for, as long as it explains what moves no worse; and its covariance."""
    covariance = np.eye(6)
    turns, share = _chained(seen, start.pose, start.inner)
    for _ in range(ROUNDS):
        try:
            evidence = _evidence(seen, (_grid(start.pose, start.inner), turns), start)
        except CannotMeasure:
            refuse_gap(seen.rate_hz, turns)  # what is behind it
            raise
        if not by_turning:
            evidence = replace(evidence, turns_deg=np.zeros(0))
        pose, covariance = _fitted(start.pose, evidence)
        turns, left = _chained(seen, pose, start.inner)
        if not left < NO_WORSE * share:
            break
        start, share = replace(start, pose=pose), left
    return start, covariance


def _spaced(seen: _Seen, told: Told, start: _Start, covariance: np.ndarray) -> tuple[_Start, np.ndarray] | None:
    """The pose in which the marks are spaced as the engine file says; None where they are not told apart."""
    middle = start.pose.to_plane(seen.opening.middle_px())
    at_deg = float(np.degrees(np.arctan2(middle[1], middle[0])))
    best: tuple[float, _Start, np.ndarray] | None = None
    for _ in range(SPACED_ROUNDS):
        maps = _quick_maps(seen, told, start.pose, start.inner)
        scale = scale_of(maps, _mark_lines(maps), told.places)
        if scale is None or not scale.may_be():
            break
        scale = replace(scale, sd=float(np.hypot(scale.sd, LEAST_SCALE_SD)))
        lever = scale_lever(start.pose, at_deg, MIDDLE_RADIUS)
        pose, left = rescaled(start.pose, covariance, lever, scale)
        off = abs(float(np.log(scale.times)))  # more than it ought to be: then its doubt is too small
        left = left * max(1.0, (off / scale.sd) ** 2)
        if off < LEAST_SCALE_SD:
            return start, left
        start = replace(start, pose=pose)
        best = (off, start, left) if best is None or off < best[0] else best
    return None if best is None else best[1:]


def _from_end_to_end(seen: _Seen, start: _Start) -> _Start:
    """The same with radius 1 where the edge ends towards the index, which a change of tilt moves."""
    if not isinstance(start.pose, Drum):
        return start
    at_px = np.argwhere(seen.part.shows)[:, ::-1].astype(float)
    radius = np.linalg.norm(start.pose.to_plane(at_px), axis=1)
    inner, outer = np.nanpercentile(radius, [100 - ENDS_PERCENT, ENDS_PERCENT])
    return replace(start, pose=start.pose.between(float(inner), float(outer), EDGE_WIDTH))


def _mark_lines(maps: Maps) -> list[Line]:
    """Lines on the rotor that are clear enough for marks."""
    inside = maps.grid.radii < INSIDE
    lines = find_lines(maps.rotor[inside], maps.grid.some(inside))
    return [n for n in lines if n.score > least_clear(maps.rotor, CLEAR_MARK_A_RADIUS) and maps.shows_about(n)]


def _fitted(pose: Pose | Drum, evidence: Evidence) -> tuple[Pose | Drum, np.ndarray]:
    if isinstance(pose, Drum):  # the fit gives back what it was given
        return refine_pose(pose, evidence)[:2]
    return refine_pose(pose, evidence)[:2]


def _grid(pose: Pose | Drum, inner: float) -> Grid:
    return make_grid(pose.radius_px, inner, WITHIN_RIM, FINEST_PART, N_ROWS)


def _chained(seen: _Seen, pose: Pose | Drum, inner: float) -> tuple[list[Turn | None], float]:
    """Turns in a pose, and the share of what moves that it leaves unexplained."""
    strips, knowns = seen.stack.strips(pose, _grid(pose, inner), seen.part)
    turns = _turns(seen, pose, strips, knowns)
    return turns, unexplained(strips, knowns, turns)


def _turns(seen: _Seen, pose: Pose | Drum, strips: list[np.ndarray], knowns: list[np.ndarray]) -> list[Turn | None]:
    if isinstance(pose, Drum):
        return chained_turns(strips, knowns)
    return chained_turns(strips, knowns, SURELY_ALIKE, seen.rate_hz)


def _start_on_face(seen: _Seen, hole: HoleTold) -> _Start:
    """From arcs through the hole, or what moves in it."""
    face = find_face(seen.stack, (seen.mean, seen.known), seen.opening, hole, a_part=True)
    arcs = face.arcs
    inner = float(np.linalg.norm(arcs.pose.to_plane(seen.opening.hull_px), axis=1).min())
    hold = np.diag([*[1 / face.centre_sd**2] * 2, 0, *[1 / SQUARE_SD_RAD**2] * 2, 0])
    if not len(arcs.rim_px):
        hold[2, 2] = 1 / SIZE_SD**2
    return _Start(arcs.pose, arcs.arcs_px, arcs.rim_px, hold, max(inner, LEAST_INNER))


def _start_on_edge(seen: _Seen, told: Told) -> _Start:
    """From how the marks move, their spacing, and the side on which there is an index."""
    tried = [_scaled(seen, told, drum) for drum in find_drum(seen.stack, seen.opening, seen.part)]
    if (through := by_its_lens(seen.stack, max(tried, key=lambda one: one[1])[0], seen.part)) is not None:
        tried.append(_scaled(seen, told, through))
    drum, clear, sd = max(tried, key=lambda one: one[1])
    if clear <= 0:
        raise CannotMeasure(
            found="no marks on the rotor's edge spaced as the engine file's are, with an index at either side of it",
            expected="two marks at least, and an index beside them", do=DO_OPENING,
        )  # fmt: skip
    # What the spacing tells is how large the rotor is where it is nearest.
    lever = scale_lever(drum, float(np.degrees(drum.out_rad)), MIDDLE_RADIUS)
    return _Start(drum, (), np.zeros((0, 2)), np.outer(lever, lever) / sd**2, 1 - EDGE_WIDTH)


def _scaled(seen: _Seen, told: Told, drum: Drum) -> tuple[Drum, float, float]:
    """The edge at the size that its marks' spacing asks for, how well it can be read, and the size's relative sd."""
    best = drum, 0.0, USUAL_LOG_SD
    for _ in range(SCALE_ROUNDS):
        maps = _quick_maps(seen, told, drum, 1 - EDGE_WIDTH)
        scale = scale_of(maps, _mark_lines(maps), told.places)
        if scale is None:
            break
        if abs(np.log(scale.times)) < SETTLED_SCALE:
            # Only where the marks fit as they are seen is there anything to be read.
            read = drum, told.judge(maps), float(np.hypot(scale.sd, LEAST_SCALE_SD))
            best = max(best, read, key=lambda one: one[1])
            if abs(np.log(scale.times)) < LEAST_SCALE_SD:
                break
        drum = moved_aside(seen.stack, drum.nearer(scale.times), seen.part)
    return best


def _quick_maps(seen: _Seen, told: Told, pose: Pose | Drum, inner: float) -> Maps:
    """Maps from rough turns, good enough to see lines on."""
    fine = make_grid(pose.radius_px, inner, WITHIN_RIM, FINEST_PART)
    grid = Grid(np.linspace(inner, QUICK_OUTER, QUICK_ROWS), fine.n_angles)
    strips, knowns = seen.stack.strips(pose, grid, seen.part)
    turns = _turns(seen, pose, strips, knowns)
    good = [k for k, turn in enumerate(turns) if turn is not None]
    degs = np.array([turns[k].deg for k in good])  # type: ignore[union-attr]
    if len(good) < FEWEST:
        raise _too_few(len(good))
    rotor = rotor_apart([(strips[k], knowns[k]) for k in good], degs)
    still = still_of(seen.mean, seen.known, pose, grid)
    return Maps(grid, rotor, still, degs, 1.0, told.sense, pose, np.eye(6), False)


def _evidence(seen: _Seen, how: tuple[Grid, list[Turn | None]], start: _Start) -> Evidence:
    """The flashes that differ most in angle, and the arcs."""
    grid, turns = how
    stack, part = seen.stack, seen.part
    usable = [k for k, turn in enumerate(turns) if turn is not None]
    degs = np.array([turns[k].deg for k in usable])  # type: ignore[union-attr]
    if len(usable) < FEWEST:
        raise CannotMeasure(
            found=f"{len(usable)} flashes in which what shows of the rotor looks alike", do=DO_OPENING,
            expected="marks that stay in view from flash to flash, as the advance moves them",
        )  # fmt: skip
    if np.ptp(degs) < MIN_SPREAD_DEG:
        raise CannotMeasure(
            found=f"a part of the rotor that the flashes show turned by no more than {np.ptp(degs):.1f} degrees",
            expected=f"{MIN_SPREAD_DEG:.0f} at least, to tell where its centre is", do="open the throttle from idle to "
            "full advance and close it again while filming, or film with the whole rotor in view",
        )  # fmt: skip
    order = np.argsort(degs)
    spaced = np.linspace(0, max(len(order) - 1, 0), min(N_RIGID, len(order))).round().astype(int)
    chosen = order[np.unique(spaced)]
    some = [usable[k] for k in chosen]
    few = stack.some(some)
    return Evidence(
        strips_by_pose(few, start.pose, grid, part), grid, degs[chosen], start.rim_px, (), start.arcs_px, start.hold
    )


def _too_few(n: int) -> CannotMeasure:
    return CannotMeasure(
        found=f"{n} flashes that light what shows of the rotor", expected=f"{FEWEST} at least", do=DO_OPENING
    )
