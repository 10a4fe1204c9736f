"""All of the rotor in view: where it stands.

In:  some dozens of pictures, each with the rows that one flash lit.
Out: `View`, with the second pose that the rim allows where that is another.
Not here: a rotor of which only a part shows (`part_view.py`); what a view is made of (`view.py`).

The pictures are first laid on one another by all they show, then rings are looked for in their mean, then the pictures
are laid again by what stands outside of the rotor. Where the rotor ends is where the picture stops turning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import chain

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import fits
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.memory import give_back
from timingcam.seeing.mosaic import lay, tallest_first
from timingcam.seeing.overexposure import refuse_over_exposed
from timingcam.seeing.place import by_the_place, leading
from timingcam.seeing.pose import CLEARLY_LESS, FOCAL_SHARE, ZOOMS, Pose, ellipse_points, poses_of_ellipse
from timingcam.seeing.rigid import MIN_SPREAD_DEG, N_RIGID, Evidence, refine_pose, unexplained
from timingcam.seeing.rim import CENTRE_SD, INNER, pose_of, rim_of, turns_of
from timingcam.seeing.rings import Ring, find_rings, whole_enough
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.shift import moved_by
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.stack import Stack, strips_by_pose
from timingcam.seeing.strips import Part, make_grid
from timingcam.seeing.turning_pose import flattening_between, guesses
from timingcam.seeing.uncovered import uncovered_part
from timingcam.seeing.view import DO_VIEW, OtherView, View, assembled

ENOUGH_RINGS, OTHER_SHAPE = 3, 0.004  # our choice, the latter of the rim's size: twice the usual error of a rim's axes
HOPELESS = 1.8  # our choice: what one way of leaning leaves unexplained over what the other does, before refining
WHOLE_RING = 0.9  # of its length, our choice
# Our choice: other centres to look about where nothing turns about the first; of a ring's length, that it is no chance;
# of its radius, as far as its own edges reach.
MORE_CENTRES, SURE_RING, BESIDE = 3, 0.8, 1.1
WELL_WITHIN = 0.96  # our choice, of a ring's radius: none of its own edges
WHOLLY = 255  # of 255: between pixels of which all are known
# Our choice: of the rotor, that a flash shows enough of it to tell how it lies; of slices half a usual one, and three
# times as many.
ENOUGH_SHOWN, HALF_A_SLICE, MORE_SLICES = 0.15, 0.5, 3.0
OTHER_POSE_DEG = 3.0  # our choice: poses closer than this are one
# Our choice: a pose that refining moves by less, the latter of the radius, reads the same turns to some hundredths of a
# degree.
POSE_ROUNDS, SETTLED_DEG, SETTLED_ASIDE = 3, 1.0, 0.006
LENS_ROUNDS, LENS_TELLS_RAD = 3, np.radians(5.0)  # our choice: leaning by less, a rotor does not tell the lens


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
    lit = tallest_first(_widest(lit))
    place = leading(by_the_place(light, lit))
    stack, mean, known = lay(light, lit, lead=place)
    if centre_px is not None:
        centre_px = _into_reference(stack, centre_px)
    try:
        ring, rings, uncovered = _rim_in((mean, known), stack, centre_px)
    except CannotMeasure as fault:
        by_place = None if place is None else _as_the_place_shows(light, place, stack)
        if by_place is None:
            raise
        try:
            ring, rings, uncovered = _rim_in(by_place, stack, centre_px)
        except CannotMeasure:
            raise fault from None
    give_back()
    stack, mean, known = lay(light, lit, pose_of(ring, mean.shape), before=place or stack)
    stack = replace(stack, uncovered=uncovered)
    # Both ways of leaning ask for the same ones.
    starts = cache(partial(_starts, ring, rings, mean.shape))
    (pose, covariance), *second = _rigid(stack, starts, _circles(ring, rings))
    far = bool(second) and _apart_deg(pose, second[0][0]) > OTHER_POSE_DEG
    other = OtherView(*second[0], stack, known) if far else None
    return assembled(stack, (pose, covariance), (mean, known), other)


def _as_the_place_shows(light: FlashLight, place: Stack, stack: Stack) -> tuple[np.ndarray, np.ndarray] | None:
    """The square root of the place's own light in the pixels of a stack's reference, and where that is known; None
    where there is none, or that picture was not laid by it."""
    reference = stack.lit[stack.reference]
    shift = next((s for p, s in zip(place.lit, place.shifts, strict=True) if p is reference), None)
    if light.ambient is None or shift is None:
        return None
    size = (light.ambient.shape[1], light.ambient.shape[0])
    known = cv2.warpPerspective((light.ambient > 0).astype(np.uint8) * 255, shift.matrix(), size)
    return cv2.warpPerspective(np.sqrt(light.ambient), shift.matrix(), size), known == WHOLLY


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
    """A place pointed at in the clip's first picture, in the reference's pixels."""
    first = min(range(len(stack.lit)), key=lambda k: stack.lit[k].frame)
    return moved_by(np.linalg.inv(stack.shifts[first].matrix()), np.asarray(xy_px, float))


def _rim_in(
    picture: tuple[np.ndarray, np.ndarray], stack: Stack, centre_px: np.ndarray | None
) -> tuple[Ring, list[Ring], Part | None]:
    """The rim, the rings of its family, and what no cover hides, in a picture and where that is known."""
    mean, known = picture
    rings = _rings(mean, known, centre_px)
    refuse_over_exposed(stack.lit, stack.light.table, rings[0])
    if centre_px is None:
        families = chain([rings], _elsewhere(rings, mean, known))
        rim, family = rim_of(stack, families, mean.shape, partial(_within, mean, known))
    else:
        rim, family = rim_of(stack, [rings], mean.shape)
    uncovered = uncovered_part(stack, rim, mean.shape)
    return whole_enough(rim, mean.shape, uncovered), family, uncovered


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


def _within(mean: np.ndarray, known: np.ndarray, ring: Ring) -> list[Ring]:
    """Rings within one, about a centre of their own."""
    inside = known & (_in_radii(ring, known.shape) < WELL_WITHIN)
    return find_rings(mean, inside) if inside.any() else []


def _in_radii(ring: Ring, shape: tuple[int, ...]) -> np.ndarray:
    """How far from a ring's centre each pixel is, in its radii, shape (h, w)."""
    yx = np.mgrid[0 : shape[0], 0 : shape[1]].reshape(2, -1).T
    return np.linalg.norm((yx[:, ::-1] - ring.centre_px) @ np.linalg.inv(ring.shape_px()), axis=1).reshape(shape)


def _elsewhere(rings: list[Ring], mean: np.ndarray, known: np.ndarray) -> Iterator[list[Ring]]:
    """Rings about the next centres, outside of those found before: a cover or a generator has more of them than the
    rotor has, and all of them round."""
    for _ in range(MORE_CENTRES):
        sure = [ring for ring in rings if ring.coverage >= SURE_RING]
        if not sure:
            return
        outer = max(sure, key=lambda ring: ring.size_px)
        known = known & ~(_in_radii(outer, known.shape) < BESIDE)
        if not known.any() or not (rings := find_rings(mean, known)):
            return
        yield rings


def _starts(ring: Ring, rings: list[Ring], shape: tuple[int, ...], zoom: float = 1.0) -> list[_Start]:
    """The poses to start from, through a lens so many times as long as the usual one: both that the rim allows, or the
    one that rings of all sizes agree on.

    A rim with a chamfer shows one of its two edges here and the other there. Where that makes it lean otherwise than
    several other rings do, their tilt and centre are taken, and only its size.
    """
    focal_px = zoom * FOCAL_SHARE * max(shape[:2])
    both = poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, (shape[1], shape[0]), focal_px)
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


def _through_its_lens(
    stack: Stack, start: _Start, starts: Callable[[float], list[_Start]], circles_px: tuple[np.ndarray, ...]
) -> tuple[_Start, Evidence]:
    """A start, or the same through the lens with which the rotor turns as one, and the flashes as that shows them.

    Near a rotor that is seen obliquely its far side is smaller than its near side, and its centre off the middle of its
    rim; from further away, zoomed, less so. Square-on they are the same, and the lens does not matter.
    """
    seen = _evidence(stack, start, circles_px)
    here, clearly = 1.0, CLEARLY_LESS
    for _ in range(LENS_ROUNDS):
        if np.hypot(*start.pose.lean_rad) < LENS_TELLS_RAD or not len(seen.turns_deg):
            break
        others = {zoom: min(starts(zoom), key=lambda one: _apart_deg(one.pose, start.pose)) for zoom in ZOOMS}
        shares = {zoom: unexplained(one.pose, seen) for zoom, one in others.items()}
        best = min(shares, key=lambda zoom: shares[zoom])
        if best == here or not shares[best] < clearly * shares[here]:
            break
        # Turns were read in the pose before, which speaks for its lens: once more, in the new one.
        start, here, clearly = others[best], best, 1.0
        seen = _evidence(stack, start, circles_px)
    return start, seen


def _rigid(
    stack: Stack, starts: Callable[[float], list[_Start]], circles_px: tuple[np.ndarray, ...]
) -> list[tuple[Pose, np.ndarray]]:
    """Refine the poses with the flashes that differ most in angle, the better one first.

    How far the rotor turned is read in each pose by itself: leaning the other way, the same picture tells other angles,
    and each would be held against the pose that it was not read in.
    """
    tried = list(side_by_side(lambda start: _through_its_lens(stack, start, starts, circles_px), starts(1.0)))
    left = [unexplained(start.pose, seen) if len(seen.turns_deg) else np.nan for start, seen in tried]
    # Leaning the wrong way by much, the pictures do not fit one rotor, and no refining makes them.
    least = min((share for share in left if np.isfinite(share)), default=np.nan)
    hopeful = [one for one, share in zip(tried, left, strict=True) if not share > HOPELESS * least]
    fitted = []
    del tried
    # One after the other, and gone after that: each takes twenty times the room of its strips.
    while hopeful:
        start, evidence = hopeful.pop(0)
        pose, covariance, cost = refine_pose(start.pose, evidence)
        for _ in range(POSE_ROUNDS):
            if not len(evidence.turns_deg) or _are_near(start.pose, pose):
                break
            # Turns were read in the pose before, and hold to it: once more, in the new one.
            start = replace(start, pose=pose)
            evidence = _evidence(stack, start, circles_px)
            pose, covariance, cost = refine_pose(pose, evidence)
        turning = len(evidence.turns_deg) > 0
        # A pose in which nothing that turns was recognised comes last, and by its rim.
        rank = (0, unexplained(pose, evidence)) if turning else (1, cost)
        fitted.append((rank, pose, covariance))
    fitted.sort(key=lambda fit: fit[0])
    return [(pose, covariance) for _, pose, covariance in fitted]


def _are_near(one: Pose, other: Pose) -> bool:
    """Whether turns that were read in one pose are as good as read in the other."""
    aside = float(np.hypot(*(one.centre_px - other.centre_px))) / other.radius_px
    return _apart_deg(one, other) < SETTLED_DEG and aside < SETTLED_ASIDE


def _evidence(stack: Stack, start: _Start, circles_px: tuple[np.ndarray, ...]) -> Evidence:
    """The flashes that differ most in angle, as one pose shows them."""
    grid = make_grid(start.pose.radius_px, INNER, 0.97, 1024, 40)
    strips, knowns = stack.strips(start.pose, grid)
    rotor = build_map(grid, strips, knowns, CENTRE_SD, rate_hz=stack.rate_hz)
    turns = turns_of(rotor, strips, knowns)
    shown = np.array([known.mean() for known in knowns])
    usual = float(np.median(shown[shown > 0])) if (shown > 0).any() else 1.0
    least = min(ENOUGH_SHOWN, HALF_A_SLICE * usual)
    usable = [i for i, t in enumerate(turns) if t is not None and fits(t) and shown[i] > least]
    degs = np.array([turns[i].deg for i in usable])  # type: ignore[union-attr]
    if len(usable) < 6 or np.ptp(degs) < MIN_SPREAD_DEG:
        usable, degs = [], np.zeros(0)
    order = np.argsort(degs)
    most = round(N_RIGID * float(np.clip(2 * ENOUGH_SHOWN / usual, 1.0, MORE_SLICES)))
    spaced = np.linspace(0, max(len(order) - 1, 0), min(most, len(order))).round().astype(int)
    chosen = order[np.unique(spaced)]
    some = [usable[i] for i in chosen]
    # What a cover hides was not seen.
    rim_px = start.rim_px if stack.uncovered is None else start.rim_px[stack.uncovered.shows_at(start.rim_px)]
    return Evidence(strips_by_pose(stack.some(some), start.pose, grid), grid, degs[chosen], rim_px, circles_px)
