"""Circles about one centre, seen at an angle: where the rotor may be.

In:  a picture averaged over many flashes (what turns is smeared into rings; what stands still is sharp).
Out: `Ring`s: ellipses about a common centre, the best supported first.
Not here: which of them is the rotor's rim.

Edges vote for the centre along their gradients. A tilted circle's gradients miss its centre, so the vote is taken on
copies of the picture stretched back by a set of tilts, and the sharpest vote wins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.consensus import agreed_ellipse
from timingcam.seeing.pose import ellipse_points, poses_of_ellipse
from timingcam.seeing.register import sample
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.strips import Part

VOTE_WIDTH = 360  # our choice: ellipses are refined at full size afterwards
TILTS_DEG = (0.0, 14.0, 22.0, 29.0, 35.0)
N_DIRECTIONS = 8
MIN_RADIUS = 0.10  # of the picture's shorter side
MAX_RADIUS = 0.75
FINE_STEP_PX = 1.5
CRESTS_AMONG = 8  # our choice: strong pixels to a crest; an edge is three to five wide, and some are thinned out
VOTERS = 3000  # our choice: the strongest edge points are enough
MAY_REACH = 4.0  # our choice: times the tolerance
OBLIQUE_WITHIN = 0.012  # our choice: a step of the case and the rim are further apart
WHOLE, MOST_AGREED = 0.8, 3  # our choice: of the best ring's length; rings about which another is looked for
ROUNDS, BETTER = 3, 0.05  # our choice; the latter of a ring's length
MIN_COVERAGE = 0.3  # our choice: a third of a ring's edge, in view, must be there
LEAST_COVERAGE = 0.6  # our choice: of a ring's length; half a ring may be the shadow of anything round
# Our choice: of the length, and of as much as lies in the picture: a rim that is cut off by the picture's edge shows
# nearly all that can be seen of it.
LEAST_HALF, NEARLY_ALL = 0.45, 0.85


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """An ellipse: centre, half axes and the direction of the first, degrees; the share of it that has an edge."""

    centre_px: np.ndarray
    axes_px: tuple[float, float]
    angle_deg: float
    coverage: float
    sign: int  # -1 where it is brighter inside

    def shape_px(self) -> np.ndarray:
        """The symmetric matrix that takes the unit circle to the ellipse about its centre, shape (2, 2)."""
        a = np.radians(self.angle_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        return turn @ np.diag(self.axes_px) @ turn.T

    @property
    def size_px(self) -> float:
        """Half the long axis."""
        return max(self.axes_px)

    def smaller(self, by: int) -> Ring:
        """The ring in a picture so many times smaller."""
        a, b = self.axes_px
        return replace(self, centre_px=(self.centre_px + 0.5) / by - 0.5, axes_px=(a / by, b / by))


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edge points with the direction of their gradient: `xy` (n, 2), `unit` (n, 2), `strength` (n,)."""

    xy: np.ndarray
    unit: np.ndarray
    strength: np.ndarray

    def some(self, which: np.ndarray) -> Edges:
        """Some of them."""
        return Edges(self.xy[which], self.unit[which], self.strength[which])


def find_edges(picture: np.ndarray, known: np.ndarray, blur_px: float, most: int) -> Edges:
    """The strongest edge points of a picture, thinned across the edge, placed to a fraction of a pixel."""
    soft = cv2.GaussianBlur(np.log(np.maximum(picture, 1e-3 * float(picture.max()) + 1e-9)), (0, 0), blur_px)
    gx, gy = cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32
    strength = cv2.magnitude(gx, gy)
    margin = int(np.ceil(3 * blur_px)) + 2
    safe = cv2.erode(known.astype(np.uint8), np.ones((2 * margin + 1, 2 * margin + 1), np.uint8), borderValue=0)
    strength *= safe
    # Crests are a part of the strong pixels: the weaker ones need not be looked at.
    rows, cols = np.nonzero(strength > _least_of(strength, CRESTS_AMONG * most))
    value = strength[rows, cols]
    unit = np.stack([gx[rows, cols], gy[rows, cols]], axis=1) / np.maximum(value, 1e-9)[:, None]
    at = np.stack([cols, rows], axis=1).astype(np.float32)
    ahead, behind = sample(strength, at + unit), sample(strength, at - unit)
    crest = np.flatnonzero((value > ahead) & (value >= behind))
    keep = crest[np.argsort(value[crest])[::-1][:most]]
    a, b, c = behind[keep], value[keep], ahead[keep]
    part = np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9), -0.5, 0.5)
    return Edges(at[keep] + part[:, None] * unit[keep], unit[keep], value[keep])


def _least_of(strength: np.ndarray, most: int) -> float:
    """What so many pixels exceed at most; 0 where there are no more than that."""
    if strength.size <= most:
        return 0.0
    return float(np.partition(strength, -most, axis=None)[-most])


def find_rings(picture: np.ndarray, known: np.ndarray) -> list[Ring]:
    """Rings about the best common centre.

    Parameters
    ----------
    picture : ndarray, shape (h, w), float32
    known : ndarray of bool, same shape

    Returns
    -------
    list of Ring
        Best supported first; empty where there is none.
    """
    scale = max(1.0, picture.shape[1] / VOTE_WIDTH)
    size = (round(picture.shape[1] / scale), round(picture.shape[0] / scale))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    small_known = cv2.resize(known.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
    edges = find_edges(small, small_known, 1.2, VOTERS)
    if len(edges.xy) < 50:
        return []
    stretches = _stretches()
    votes = list(side_by_side(lambda stretch: _vote(edges, stretch, size), stretches))
    best = int(np.argmax([score for score, _ in votes]))
    centre, stretch = votes[best][1], stretches[best]
    full = find_edges(picture, known, 1.5, 60000)
    rough = (centre + 0.5) * scale - 0.5
    found = []
    for sign in (1, -1):  # brighter outside, brighter inside: the two sides of a gap lie close together
        for radius in _radii(edges, centre, stretch, (min(size), sign)):
            found.append(_refined(full, rough, np.linalg.inv(stretch) * radius * scale, (0.06, sign)))
    rings, size_px = _ordered(found), (picture.shape[1], picture.shape[0])
    for _ in range(ROUNDS):
        if not rings:
            break
        # Again about the best one, finely: a bevel or a groove beside the rim is a ring of its own. The vote may have
        # put the centre so far off that the best one is of half an edge: then a better one comes of it, and more.
        best_ring = rings[0]
        for sign in (1, -1):
            for radius in _fine_radii(full, best_ring, sign):
                found.append(_refined(full, best_ring.centre_px, best_ring.shape_px() * radius, (0.02, sign)))
        found += _seen_obliquely(full, best_ring, size_px)
        if best_ring.coverage < WHOLE:
            found += _agreed(full, rings[:MOST_AGREED])
        rings = _ordered(found)
        if rings[0].coverage <= best_ring.coverage + BETTER:
            break
    return rings


def whole_enough(ring: Ring, shape: tuple[int, ...], uncovered: Part | None = None) -> Ring:
    """The same ring, if enough of it is seen to be sure that it is the rim; else `CannotMeasure`.

    A ring that ends where a cover begins, which stands still while what is within the ring turns, is no shadow.
    """
    least = LEAST_HALF if uncovered is None else MIN_COVERAGE
    nearly_all = ring.coverage >= max(least, NEARLY_ALL * in_picture(ring, shape, uncovered))
    if ring.coverage < LEAST_COVERAGE and not nearly_all:
        raise CannotMeasure(
            found=f"no circle that could be the rotor's rim: of the likeliest, {ring.coverage:.0%} shows an edge",
            expected=f"the rim, {LEAST_COVERAGE:.0%} of it at least, in view, lit and sharp",
            do="film square-on with the whole rotor in view and in focus, or point at its centre with --centre X,Y",
        )
    return ring


def in_picture(ring: Ring, shape: tuple[int, ...], uncovered: Part | None = None) -> float:
    """Share of a ring's length that lies in the picture, and that no cover hides."""
    at = ellipse_points(ring.centre_px, ring.axes_px, ring.angle_deg)
    inside = ((at >= 0) & (at <= np.array([shape[1], shape[0]]) - 1)).all(axis=1)
    return float((inside if uncovered is None else inside & uncovered.shows_at(at)).mean())


def _agreed(edges: Edges, rings: list[Ring]) -> list[Ring | None]:
    """Rings that most edge points near some rings agree on: those may be of points of several."""
    found = []
    for ring in rings:
        for sign in (1, -1):
            agreed = agreed_ellipse(edges.xy, sign * edges.unit, ring.centre_px, ring.shape_px())
            if agreed is not None:
                found.append(_refined(edges, *agreed, (OBLIQUE_WITHIN, sign)))
    return found


def _seen_obliquely(edges: Edges, ring: Ring, size: tuple[int, int]) -> list[Ring | None]:
    """Rings of other sizes in the planes in which a ring is a circle: their ellipses have other middles than its own,
    by the more the nearer and the more oblique the camera."""
    poses = poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, size)
    if np.hypot(*(poses[0].centre_px - poses[1].centre_px)) < FINE_STEP_PX:
        return []
    found = []
    for pose in poses:
        at, ahead = pose.to_plane(edges.xy), pose.to_plane(edges.xy + edges.unit)
        radius, change = np.linalg.norm(at, axis=1), ahead - at
        facing = (at * change).sum(axis=1) / np.maximum(radius * np.linalg.norm(change, axis=1), 1e-9)
        for sign in (1, -1):
            for r in _crowded(radius[sign * facing > 0.97], ring.size_px):
                (cx, cy), (d1, d2), angle = cv2.fitEllipseAMS(pose.to_image(r * unit_circle()).astype(np.float32))
                start = Ring(np.array([cx, cy]), (d1 / 2, d2 / 2), float(angle), 1.0, sign)
                found.append(_refined(edges, start.centre_px, start.shape_px(), (OBLIQUE_WITHIN, sign)))
    return found


def unit_circle() -> np.ndarray:
    """Points of it every five degrees, shape (72, 2)."""
    a = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return np.stack([np.cos(a), np.sin(a)], axis=1)


def _ordered(rings: list[Ring | None]) -> list[Ring]:
    return _distinct(sorted((r for r in rings if r is not None), key=lambda r: -r.coverage * np.sqrt(r.size_px)))


def _fine_radii(edges: Edges, ring: Ring, sign: int) -> list[float]:
    """Radii, in those of a ring, at which edges of one sign crowd."""
    shape = ring.shape_px()
    u = (edges.xy - ring.centre_px) @ np.linalg.inv(shape)
    normal = edges.unit @ shape
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    radius = np.linalg.norm(u, axis=1)
    facing = sign * (u * normal).sum(axis=1) / np.maximum(radius, 1e-9) > 0.97
    return _crowded(radius[facing], ring.size_px)


def _crowded(radius: np.ndarray, size_px: float) -> list[float]:
    """Radii at which edges crowd, in those of a ring of this size."""
    step = FINE_STEP_PX / size_px
    counts, _ = np.histogram(radius, bins=np.arange(0.3, 1.7, step))
    counts = np.convolve(counts, np.ones(3), mode="same")
    middle = 0.3 + (np.arange(len(counts)) + 0.5) * step
    coverage = counts / (2 * np.pi * middle * size_px)
    result = []
    for _ in range(10):
        k = int(np.argmax(coverage))
        if coverage[k] < MIN_COVERAGE:
            break
        result.append(float(middle[k]))
        coverage[max(0, k - 2) : k + 3] = 0
    return result


def _distinct(rings: list[Ring]) -> list[Ring]:
    """Without those that came out as another once more."""
    kept: list[Ring] = []
    for ring in rings:
        if all(abs(ring.size_px - k.size_px) > 1.0 or ring.sign != k.sign for k in kept):
            kept.append(ring)
    return kept


def _stretches() -> list[np.ndarray]:
    """Affine maps that undo a tilt: longer along the direction of foreshortening."""
    result = [np.eye(2)]
    for tilt in TILTS_DEG[1:]:
        for k in range(N_DIRECTIONS):
            a = np.pi * k / N_DIRECTIONS
            d = np.array([np.cos(a), np.sin(a)])
            result.append(np.eye(2) + (1 / np.cos(np.radians(tilt)) - 1) * np.outer(d, d))
    return result


def _stretched(edges: Edges, stretch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    xy = edges.xy @ stretch
    normal = edges.unit @ np.linalg.inv(stretch)
    return xy, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def _vote(edges: Edges, stretch: np.ndarray, size: tuple[int, int]) -> tuple[float, np.ndarray]:
    """Height of the sharpest peak of votes above the crowd, and its place in the small picture."""
    xy, normal = _stretched(edges, stretch)
    short = min(size)
    distance = np.arange(MIN_RADIUS * short, MAX_RADIUS * short, 1.5)
    reach = np.concatenate([-distance, distance])
    at = xy[:, None, :] + reach[None, :, None] * normal[:, None, :]
    corner = np.array([[0, 0], [size[0], 0], [0, size[1]], [size[0], size[1]]], float) @ stretch
    low = corner.min(axis=0)
    span = np.ceil(corner.max(axis=0) - low).astype(int) + 1
    cell = np.round(at - low).astype(int)
    inside = ((cell >= 0) & (cell < span)).all(axis=2)
    # A point at distance r spreads its vote over an arc that grows with r; strong edges count little more than weak.
    weight = np.broadcast_to(np.sqrt(edges.strength)[:, None], inside.shape)[inside]
    flat = cell[inside]
    counted = np.bincount(flat[:, 1] * span[0] + flat[:, 0], weight, minlength=span[0] * span[1])
    votes = cv2.GaussianBlur(counted.reshape(span[1], span[0]).astype(np.float32), (0, 0), 1.3)
    broad = cv2.GaussianBlur(votes, (0, 0), 12)
    _, top, _, (x, y) = cv2.minMaxLoc(votes - broad)
    return float(top), (np.array([x, y], float) + low) @ np.linalg.inv(stretch)


def _radii(edges: Edges, centre: np.ndarray, stretch: np.ndarray, kind: tuple[int, int]) -> list[float]:
    """Radii, in stretched small pixels, at which edges facing the centre crowd; `kind` the shorter side and the
    sign."""
    short, sign = kind
    xy, normal = _stretched(edges, stretch)
    d = xy - centre @ stretch
    radius = np.linalg.norm(d, axis=1)
    facing = sign * (d * normal).sum(axis=1) / np.maximum(radius, 1e-9) > 0.97
    counts, _ = np.histogram(radius[facing], bins=np.arange(0, MAX_RADIUS * short + 1, 1.0))
    counts = np.convolve(counts, np.ones(3), mode="same")
    coverage = counts / (2 * np.pi * np.maximum(np.arange(len(counts)) + 0.5, 1))
    coverage[: int(MIN_RADIUS * 0.5 * short)] = 0
    result = []
    for _ in range(6):
        k = int(np.argmax(coverage))
        if coverage[k] < 0.5 * MIN_COVERAGE:
            break
        result.append(k + 0.5)
        coverage[max(0, k - 3) : k + 4] = 0
    return result


def _refined(edges: Edges, centre: np.ndarray, shape: np.ndarray, kind: tuple[float, int]) -> Ring | None:
    """Fit an ellipse to the full-size edge points of one sign near a rough one, `shape` taking the unit circle to
    it."""
    tolerance, sign = kind
    ring = None
    # Only what may come to lie within reach: each fit moves the ellipse by less than what it was fitted to.
    around = np.abs(np.linalg.norm((edges.xy - centre) @ np.linalg.inv(shape), axis=1) - 1) < MAY_REACH * tolerance
    xy, unit = edges.xy[around], edges.unit[around]
    for _ in range(10):
        u = (xy - centre) @ np.linalg.inv(shape)
        radial = np.linalg.norm(u, axis=1)
        normal = unit @ shape
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        facing = sign * (u * normal).sum(axis=1) / np.maximum(radial, 1e-9)
        near = (np.abs(radial - 1) < tolerance) & (facing > 0.95)
        if near.sum() < 40:
            return None
        sector = np.floor(np.degrees(np.arctan2(u[near, 1], u[near, 0])) / 3).astype(int)
        coverage = len(np.unique(sector)) / 120
        if coverage < MIN_COVERAGE:
            return None
        (cx, cy), (d1, d2), angle = cv2.fitEllipseAMS(xy[near].astype(np.float32))
        if not np.isfinite([cx, cy, d1, d2]).all() or min(d1, d2) < 0.6 * max(d1, d2) or min(d1, d2) <= 0:
            return None
        ring = Ring(np.array([cx, cy]), (d1 / 2, d2 / 2), float(angle), coverage, sign)
        shape, centre = ring.shape_px(), ring.centre_px
        tolerance = max(tolerance * 0.65, 1.5 / ring.size_px)
    return ring
