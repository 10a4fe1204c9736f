"""The rotor's centre, from arcs: through a small opening, what turns is smeared into arcs about a centre far outside.

In:  the mean picture of many flashes, the opening.
Out: a `Pose` to begin with, the rim's points, and those of other arcs.
Not here: the refining by the turning itself (`rigid.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from timingcam.seeing.by_speed import DARK_SHARE
from timingcam.seeing.opening import DO_OPENING, InView, NotAPart, Opening
from timingcam.seeing.pose import FOCAL_SHARE, Pose
from timingcam.seeing.rings import Edges, find_edges

BLUR_PX = 1.5
MOST_EDGES = 6000
TRIALS = 4000  # our choice: pairs of edges; half of the edges being arcs, a thousand would do
MOST_CENTRES = 1500
POINTS_AT = np.radians(2.0)  # our choice: an edge's direction is good to a degree or two
LEAST_APART = 0.25  # of the opening's longer side: nearer pairs cross anywhere
LEAST_EDGES = 60
LEAST_INNER = 0.3  # our choice, of what shows: nearer to the centre, it is no hole at the rim
NEAR_ROUND = 0.03  # our choice: of a circle's radius: seen at an angle it is no circle
FURTHER_OUT = (1.08, 1.16, 1.24)  # our choice: beside the circle itself and out of its grooves
SECTOR_DEG, MOST_ROUND = 3.0, 0.25  # our choice: of a circle; through a hole a tenth of it shows
ALIKE_PX, MOST_ARCS = 2.0, 6
LEAST_GAP = 0.05  # our choice, of the opening's longer side
WITH_A_LUG = 0.7  # our choice: of a gap, what a lug in it may fill
RIM_BEYOND, RIM_WITHIN = 0.10, 0.06  # our choice, of the opening's longer side: how far a mark ends from the rim


@dataclass(frozen=True, slots=True)
class HoleTold:
    """What a hole of the size that is told can show of the rotor: how wide a part at most, as an angle about its
    centre; and how far off that is at most, from the middle of what shows, in its longer sides."""

    widest_deg: float = 90.0
    farthest: float = np.inf


@dataclass(frozen=True, slots=True, eq=False)
class ArcsSeen:
    """A pose to begin with, in which the rim has radius 1; points of the rim, and of each of the other arcs."""

    pose: Pose
    rim_px: np.ndarray
    arcs_px: tuple[np.ndarray, ...]


def find_arcs(
    mean: np.ndarray,
    known: np.ndarray,
    opening: Opening,
    hole: HoleTold = HoleTold(),
    *,
    a_part: bool = False,
    centre: np.ndarray | None = None,
) -> ArcsSeen:
    """Find the centre that arcs in the opening are about, and the rim among them.

    Parameters
    ----------
    mean : ndarray, shape (h, w), float32
    known : ndarray of bool, same shape
    opening : Opening
    hole : HoleTold
    a_part : bool
        Whether it is known that only a part shows. The hole's own edge is round too, about a centre in it, and may show
        more edges than all arcs of the rotor: then it is not taken for that.
    centre : ndarray, shape (2,), optional
        Where that is known already, pixels: then there need not be any arcs.

    Raises
    ------
    NotAPart
        If there is no centre that arcs are about, or it lies in the opening itself, or too far off.
    """
    reach = opening.reach_px()
    found = find_edges(mean, known, BLUR_PX, 60000)
    keep = np.flatnonzero(_about(opening, found.xy))[:MOST_EDGES]
    edges = found.some(keep)
    if centre is None:
        centre, arcs, edges = _told_by_arcs(edges, opening, hole, a_part=a_part)
    else:
        arcs, edges = [], edges.some(np.abs(_aside(edges, centre)) < POINTS_AT)
    outer = _where_it_ends(mean, opening, centre)
    if _distance(opening, centre) > hole.farthest:
        raise _no_arcs("arcs in the opening about a centre further off than the rotor's own can be")
    if not _part_about(opening, hole, centre) or _all_round(found, centre, [r for r, _ in arcs]) > MOST_ROUND:
        raise InView(
            found="a rotor whose centre or most of whose rim is in view", expected="a part of its face, at a timing "
            "hole", do=DO_OPENING,
        )  # fmt: skip
    rim = _rim_of(edges, centre, (outer, reach))
    radius = rim[0] if rim is not None else outer
    others = tuple(xy for r, xy in arcs if rim is None or abs(r - rim[0]) > ALIKE_PX)
    return ArcsSeen(_facing_pose(centre, radius, mean.shape), np.zeros((0, 2)) if rim is None else rim[1], others)


def _about(opening: Opening, xy_px: np.ndarray) -> np.ndarray:
    """Which edges may be arcs: in the opening or beside what moves. A round hole's own edge is none of them."""
    shows, reach = opening.shows.astype(np.uint8), opening.reach_px()
    if opening.hole is None:
        margin = max(3, round(2 * RIM_BEYOND * reach)) | 1
        about = cv2.dilate(shows, np.ones((margin, margin), np.uint8))
    else:
        margin = max(3, round(RIM_WITHIN * reach)) | 1
        about = cv2.erode(shows, np.ones((margin, margin), np.uint8))
    x, y = np.clip(np.rint(xy_px.T).astype(int), 0, np.array(shows.shape)[::-1, None] - 1)
    return about[y, x] > 0


def _told_by_arcs(
    edges: Edges, opening: Opening, hole: HoleTold, *, a_part: bool
) -> tuple[np.ndarray, list[tuple[float, np.ndarray]], Edges]:
    """The centre that arcs are about, their radii and points, and the edges that face it."""
    if len(edges.xy) < LEAST_EDGES:
        raise _no_arcs("too few edges in the opening to tell where the rotor's centre is")

    def may_be(centre: np.ndarray) -> bool:
        return _part_about(opening, hole, centre) and _distance(opening, centre) <= hole.farthest

    centre = _common_centre(edges, opening.reach_px(), may_be if a_part else None)
    facing = np.abs(_aside(edges, centre)) < POINTS_AT
    if facing.sum() < LEAST_EDGES:
        raise _no_arcs("no arcs in the opening about one centre")
    edges = edges.some(facing)
    return *_arcs_about(edges, centre), edges


def _part_about(opening: Opening, hole: HoleTold, centre: np.ndarray) -> bool:
    """Whether what shows can be a part of a rotor about that centre, seen through a hole at its rim."""
    outer = float(np.linalg.norm(opening.hull_px - centre, axis=1).max())
    return _nearest(opening, centre) >= LEAST_INNER * outer and _span_deg(opening, centre) <= hole.widest_deg


def _distance(opening: Opening, centre: np.ndarray) -> float:
    """How far off a centre is from the middle of what shows, in its longer sides."""
    return float(np.linalg.norm(centre - opening.middle_px())) / (2 * opening.reach_px())


def _where_it_ends(mean: np.ndarray, opening: Opening, centre: np.ndarray) -> float:
    """The radius at which the rotor ends: where a dark gap before the hole's edge begins, else where the opening
    ends."""
    at = np.argwhere(opening.shows)[:, ::-1]
    light = mean[opening.shows]
    bright = light >= DARK_SHARE * float(np.median(light))
    radius = np.linalg.norm(at - centre, axis=1)
    first = int(radius[bright].min())
    ring = radius.astype(int) - first
    within = ring >= 0
    shown, lit = (np.bincount(ring[k], minlength=ring.max() + 1) for k in (within, within & bright))
    wide = max(3, round(LEAST_GAP * 2 * opening.reach_px()))
    # A lug that reaches into the gap may fill half of it; but then the rotor does not go on beyond.
    beyond = np.cumsum(lit[::-1])[::-1] < WITH_A_LUG * np.cumsum(shown[::-1])[::-1]
    unlit = (lit < 0.5 * shown) | ((lit < WITH_A_LUG * shown) & beyond)
    dark = np.convolve(unlit.astype(int), np.ones(wide, int), mode="valid") == wide
    # What is dark nearer to the centre than most of what shows is a shadow or a hole in the rotor.
    dark[: max(0, int(np.median(radius[bright])) - first)] = False
    gap = np.flatnonzero(dark)
    return float(first + gap[0]) if len(gap) else float(np.linalg.norm(opening.hull_px - centre, axis=1).max())


def _common_centre(edges: Edges, reach: float, may_be: Callable[[np.ndarray], bool] | None = None) -> np.ndarray:
    """Where most edges' normals meet, of the places where it may be."""
    rng = np.random.default_rng(0)
    n = len(edges.xy)
    weight = np.sqrt(edges.strength)
    one, other = rng.integers(0, n, TRIALS), rng.integers(0, n, TRIALS)
    apart = np.linalg.norm(edges.xy[one] - edges.xy[other], axis=1) > LEAST_APART * 2 * reach
    one, other = one[apart], other[apart]
    a, b = edges.unit[one], edges.unit[other]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    gap = edges.xy[other] - edges.xy[one]
    good = np.abs(cross) > 0.02
    along = (gap[good, 0] * b[good, 1] - gap[good, 1] * b[good, 0]) / cross[good]
    crossing = edges.xy[one[good]] + along[:, None] * a[good]
    # Marks run towards the centre and have normals across: arcs are what most normals point from.
    crossing = np.array([c for c in crossing[:MOST_CENTRES] if may_be is None or may_be(c)])
    score = [float(weight[np.abs(_aside(edges, c)) < POINTS_AT].sum()) for c in crossing]
    if not score:
        raise _no_arcs("no arcs in the opening about one centre")
    return crossing[int(np.argmax(score))]


def _aside(edges: Edges, centre: np.ndarray) -> np.ndarray:
    """Angle by which each edge's normal passes a centre by, radians."""
    to = centre - edges.xy
    to = to / np.maximum(np.linalg.norm(to, axis=1, keepdims=True), 1e-9)
    return np.arcsin(np.clip(to[:, 0] * edges.unit[:, 1] - to[:, 1] * edges.unit[:, 0], -1, 1))


def _nearest(opening: Opening, centre: np.ndarray) -> float:
    """How near to a centre the rotor shows, px; negative where the centre itself does."""
    return -cv2.pointPolygonTest(opening.hull_px.astype(np.float32), (float(centre[0]), float(centre[1])), True)


def _span_deg(opening: Opening, centre: np.ndarray) -> float:
    """How wide what shows is, seen from a centre."""
    off = opening.hull_px - centre
    middle = opening.middle_px() - centre
    turned = np.arctan2(off[:, 1] * middle[0] - off[:, 0] * middle[1], off @ middle)
    return float(np.degrees(np.ptp(turned)))


def _all_round(edges: Edges, centre: np.ndarray, radii: list[float]) -> float:
    """How much of the likeliest circle about a centre shows an edge, of all of it, beyond what circles further out show
    by chance: a pebbled cover has edges everywhere."""
    off = edges.xy - centre
    radius = np.linalg.norm(off, axis=1)
    facing = np.abs(_aside(edges, centre)) < 3 * POINTS_AT
    sector = np.floor(np.degrees(np.arctan2(off[:, 1], off[:, 0])) / SECTOR_DEG)

    def shown(r: float) -> int:
        return len(np.unique(sector[facing & (np.abs(radius - r) < NEAR_ROUND * r)]))

    beyond = [shown(r) - float(np.median([shown(r * further) for further in FURTHER_OUT])) for r in radii]
    return max(beyond, default=0.0) * SECTOR_DEG / 360.0


def _arcs_about(edges: Edges, centre: np.ndarray) -> tuple[np.ndarray, list[tuple[float, np.ndarray]]]:
    """The arcs at which edges crowd, and the centre that they agree on: radius and points of each."""
    arcs: list[tuple[float, np.ndarray]] = []
    for _ in range(4):
        radius = np.linalg.norm(edges.xy - centre, axis=1)
        arcs = []
        counts, border = np.histogram(radius, bins=np.arange(radius.min() - 1, radius.max() + 2, 1.0))
        counts = np.convolve(counts, np.ones(3), mode="same")
        for _ in range(MOST_ARCS):
            k = int(np.argmax(counts))
            if counts[k] < LEAST_EDGES / 3:
                break
            near = np.abs(radius - border[k] - 0.5) < ALIKE_PX
            arcs.append((float(np.median(radius[near])), edges.xy[near]))
            counts[max(0, k - 4) : k + 5] = 0
        if not arcs:
            raise _no_arcs("no arcs in the opening about one centre")
        centre = _fitted(arcs, centre)
    return centre, arcs


def _fitted(arcs: list[tuple[float, np.ndarray]], centre: np.ndarray) -> np.ndarray:
    """The centre about which all arcs are round."""

    def off(free: np.ndarray) -> np.ndarray:
        each = [np.linalg.norm(xy - free[:2], axis=1) - free[2 + k] for k, (_, xy) in enumerate(arcs)]
        return np.concatenate(each)

    start = np.r_[centre, [r for r, _ in arcs]]
    return least_squares(off, start, loss="soft_l1", x_scale=np.maximum(np.abs(start), 1.0)).x[:2]


def _rim_of(edges: Edges, centre: np.ndarray, ends: tuple[float, float]) -> tuple[float, np.ndarray] | None:
    """The arc at which the rotor ends, radius and points: the strongest near where what turns ends, brighter inside.

    It need not be one of those with the most edges: where little of it shows, grooves have more.
    """
    outer, reach = ends
    radius = np.linalg.norm(edges.xy - centre, axis=1)
    inward = ((centre - edges.xy) * edges.unit).sum(axis=1) > 0
    low, high = outer - RIM_WITHIN * 2 * reach, outer + RIM_BEYOND * 2 * reach
    strength, border = np.histogram(radius[inward], np.arange(low, high + 1.0), weights=edges.strength[inward])
    k = int(np.argmax(np.convolve(strength, np.ones(3), mode="same")))
    there = np.abs(radius - border[k] - 0.5) < ALIKE_PX
    if np.count_nonzero(there & inward) < LEAST_EDGES / 3:
        return None
    return float(np.median(radius[there])), edges.xy[there]


def _facing_pose(centre: np.ndarray, radius_px: float, shape: tuple[int, ...]) -> Pose:
    """A rotor whose face is square to the lens' own axis, wherever its centre appears."""
    size = np.array([shape[1], shape[0]])
    focal, middle = FOCAL_SHARE * float(size.max()), (size - 1) / 2.0
    off = (centre - middle) / focal
    far = float(np.hypot(*off))
    lean = np.arctan(far)
    return Pose(centre, radius_px * float(np.cos(lean)), lean * off / max(far, 1e-12), focal, middle)


def _no_arcs(found: str) -> NotAPart:
    return NotAPart(found=found, expected="a part of the rotor's face whose rim shows as an arc", do=DO_OPENING)
