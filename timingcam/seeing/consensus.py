"""The ellipse that most edge points agree on, where several lie close together.

In:  edge points, where they face, about where the ellipse is.
Out: the ellipse that the most directions about it speak for.
Not here: which ellipses are circles about one centre (`rings.py`).

A rim, its chamfer and the gap beside it are ellipses a few pixels apart, and seen at an angle they have different
middles. A fit to all points between them is none of them; one through a few points that happen to be of one of them is.

References
----------
.. [1] Fischler & Bolles, Comm. ACM 24 (1981) 381-395: random sample consensus (from memory).
"""

from __future__ import annotations

import cv2
import numpy as np

TRIALS = 240  # our choice: of three edges alike, one sample in 3^5 is of one of them by chance
SAMPLE = 6  # points, one of each sixth of the way round: five tell an ellipse
BAND = 0.08  # our choice, of its size: as far off as the rough ellipse may be
OFF_PX = 1.5  # as far as an edge that is a pixel or two wide scatters
FACING, NARROW = 0.9, 0.6  # of the normal's cosine; of the long axis, the short one of a rotor seen at 50 degrees
MOST_POINTS = 4000  # our choice


def agreed_ellipse(
    xy: np.ndarray, outwards: np.ndarray, centre: np.ndarray, shape: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Centre and shape of the ellipse that most directions about it speak for; None where there are too few points.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Edge points.
    outwards : ndarray, shape (n, 2)
        Their normals, pointing outwards if they are of the ellipse.
    centre : ndarray, shape (2,)
    shape : ndarray, shape (2, 2)
        The symmetric matrix that takes the unit circle to the rough ellipse about its centre.
    """
    u, facing = _seen_from(xy, outwards, centre, shape)
    near = np.flatnonzero((np.abs(np.linalg.norm(u, axis=1) - 1) < BAND) & (facing > FACING))
    rng = np.random.default_rng(0)
    if len(near) > MOST_POINTS:
        near = np.sort(rng.choice(near, MOST_POINTS, replace=False))
    xy, outwards, u = xy[near], outwards[near], u[near]
    part = np.floor((np.arctan2(u[:, 1], u[:, 0]) / (2 * np.pi) + 0.5) * SAMPLE).astype(int) % SAMPLE
    parts = [members for k in range(SAMPLE) if len(members := np.flatnonzero(part == k))]
    if len(parts) < SAMPLE - 1:
        return None
    best, found = 0, None
    for _ in range(TRIALS):
        some = [int(rng.choice(parts[k % len(parts)])) for k in range(SAMPLE)]
        ellipse = _through(xy[some])
        if ellipse is not None and (spoken := _directions(xy, outwards, *ellipse)) > best:
            best, found = spoken, ellipse
    return found


def _through(points: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    (cx, cy), (d1, d2), angle = cv2.fitEllipseAMS(points.astype(np.float32))
    if not np.isfinite([cx, cy, d1, d2]).all() or min(d1, d2) <= NARROW * max(d1, d2):
        return None
    a = np.radians(angle)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.array([cx, cy]), turn @ np.diag([d1 / 2, d2 / 2]) @ turn.T


def _directions(xy: np.ndarray, outwards: np.ndarray, centre: np.ndarray, shape: np.ndarray) -> int:
    """In how many directions, of 120, a point lies on the ellipse and faces as it does."""
    u, facing = _seen_from(xy, outwards, centre, shape)
    size_px = float(np.sqrt(np.linalg.det(shape)))
    on = (np.abs(np.linalg.norm(u, axis=1) - 1) * size_px < OFF_PX) & (facing > FACING)
    return len(np.unique(np.floor(np.degrees(np.arctan2(u[on, 1], u[on, 0])) / 3)))


def _seen_from(
    xy: np.ndarray, outwards: np.ndarray, centre: np.ndarray, shape: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Points as if the ellipse were the unit circle, and the cosine of how they face away from its middle."""
    u = (xy - centre) @ np.linalg.inv(shape)
    normal = outwards @ shape
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return u, (u * normal).sum(axis=1) / np.maximum(np.linalg.norm(u, axis=1), 1e-9)
