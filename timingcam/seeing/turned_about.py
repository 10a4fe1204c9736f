"""The point that what shows in an opening turns about, from how it moves between flashes.

In:  pictures laid on one another, the opening.
Out: the centre, in the reference's pixels.
Not here: centres that arcs tell (`arcs.py`), which are more exact where there are any.

Letters, dots, ends of marks and rust are found again from flash to flash. A rigid move of them by an angle has one
fixed point. Through a small opening in which no groove shows, that is all that tells where the shaft is.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from timingcam.seeing.by_speed import by_speed, seen_at, usual_over
from timingcam.seeing.opening import Opening
from timingcam.seeing.stack import Stack

MOST_PICTURES = 36  # our choice: some six hundred pairs
SPREAD = 4.0  # of greys, our choice: sds of what changes, from black to white
RATIO = 0.8  # Lowe, IJCV 60(2), 91-110 (2004): a match nearly as near as the next is none (from memory)
WITHIN_PX, FEWEST_FOUND = 2.5, 6  # our choice: coding and tilt; two points tell a move, three times as many prove it
MOST_GROWN = 0.06  # our choice: what turns in a plane that is seen at an angle grows and shrinks a little
LEAST_TURN_DEG, MOST_TURN_DEG = 2.5, 60.0  # our choice: a smaller turn has no fixed point worth the name
FEWEST_PAIRS, AGREE_SHARE = 6, 0.2  # our choice: of pairs that agree on the centre to that share of its distance


@dataclass(frozen=True, slots=True, eq=False)
class Centre:
    """Where it is, pixels of the reference, shape (2,), and its sd as a share of its distance from what shows."""

    at_px: np.ndarray
    sd: float


def centre_by_turning(stack: Stack, opening: Opening, mean: np.ndarray) -> Centre | None:
    """Find the point about which what shows turns.

    Parameters
    ----------
    stack : Stack
    opening : Opening
    mean : ndarray, shape (h, w), float32
        Of all pictures.

    Returns
    -------
    Centre or None
        None where too few pairs of flashes agree on one.

    References
    ----------
    .. [1] Lowe, IJCV 60(2), 91-110 (2004): features that are found again (OpenCV's).
    .. [2] Fischler & Bolles, CACM 24(6), 381-395 (1981): a move that most of them agree on (OpenCV's).
    """
    stack, rate_hz = by_speed(stack)
    rows, cols = np.nonzero(opening.shows)
    if not len(rows):
        return None
    box = slice(rows.min(), rows.max() + 1), slice(cols.min(), cols.max() + 1)
    usual = usual_over(stack, rate_hz, mean, opening.shows)[box]
    corner = np.array([box[1].start, box[0].start], float)
    some = np.unique(np.linspace(0, len(stack.lit) - 1, MOST_PICTURES).round().astype(int))
    seen = [seen_at(stack, k, mean.shape, box) for k in some]
    # Less what is usual, light that stands still is not in the way; but where a mark rests for long it is usual, and
    # missing from all that show it there.
    found = [move for less in (usual, float(np.median(usual))) for move in _moves(seen, less, opening.shows[box])]
    if len(found) < FEWEST_PAIRS:
        return None
    about, worth = np.array([c for c, _ in found]) + corner, np.array([w for _, w in found])
    centre = _usual_point(about, worth)
    far = float(np.linalg.norm(centre - opening.middle_px()))
    agree = np.linalg.norm(about - centre, axis=1) < AGREE_SHARE * far
    if agree.sum() < FEWEST_PAIRS or worth[agree].sum() < 0.5 * worth.sum():
        return None
    at_px = np.average(about[agree], axis=0, weights=worth[agree])
    spread = np.average(((about[agree] - at_px) ** 2).sum(axis=1), weights=worth[agree])
    # Pairs share their pictures: there are no more that say something of their own than pictures.
    return Centre(at_px, float(np.sqrt(spread / min(agree.sum(), len(some)))) / far)


def _moves(seen: list[np.ndarray], less: np.ndarray | float, shows: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """Fixed points of the moves between pictures, and what each is worth."""
    features = [_features(one - less, shows) for one in seen]
    return [move for one, other in combinations(features, 2) if (move := _moved(one, other)) is not None]


_Features = tuple[np.ndarray, np.ndarray | None]  # places (n, 2), what they look like


def _features(off: np.ndarray, shows: np.ndarray) -> _Features:
    """What is found again, of what is not as usual."""
    known = np.isfinite(off) & shows
    if not known.any():
        return np.zeros((0, 2)), None
    sd = float(np.std(off[known])) + 1e-9
    grey = np.clip(128 + 127 / SPREAD * np.where(known, off, 0.0) / sd, 0, 255).astype(np.uint8)
    sift = cv2.SIFT_create()  # type: ignore[attr-defined]
    points, looks = sift.detectAndCompute(grey, (known * 255).astype(np.uint8))
    return np.array([p.pt for p in points], float).reshape(-1, 2), looks


def _moved(one: _Features, other: _Features) -> tuple[np.ndarray, float] | None:
    """The fixed point of the move from one picture to another, and what it is worth; None where they show none."""
    (at, looks), (there, others) = one, other
    if looks is None or others is None or min(len(at), len(there)) < FEWEST_FOUND:
        return None
    pairs = [p for p in cv2.BFMatcher().knnMatch(looks, others, k=2) if len(p) == 2]
    same = [a for a, b in pairs if a.distance < RATIO * b.distance]
    if len(same) < FEWEST_FOUND:
        return None
    a, b = at[[m.queryIdx for m in same]], there[[m.trainIdx for m in same]]
    matrix, fits = cv2.estimateAffinePartial2D(a, b, ransacReprojThreshold=WITHIN_PX)
    if matrix is None or fits.sum() < FEWEST_FOUND:
        return None
    turn, grown = np.arctan2(matrix[1, 0], matrix[0, 0]), float(np.hypot(matrix[0, 0], matrix[1, 0]))
    if abs(grown - 1) > MOST_GROWN or not LEAST_TURN_DEG < abs(np.degrees(turn)) < MOST_TURN_DEG:
        return None
    # As if it had not grown: the fixed point of the turn that moves their middle as it was moved.
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s], [s, c]])
    kept = np.asarray(fits).ravel() > 0
    middle, moved = a[kept].mean(axis=0), b[kept].mean(axis=0)
    about = np.linalg.solve(np.eye(2) - rotation, moved - rotation @ middle)
    return about, float(turn**2 * kept.sum())


def _usual_point(at: np.ndarray, worth: np.ndarray) -> np.ndarray:
    """The weighted geometric median (Weiszfeld's steps)."""
    point = np.average(at, axis=0, weights=worth)
    for _ in range(50):
        weight = worth / np.maximum(np.linalg.norm(at - point, axis=1), 1e-6)
        point = np.average(at, axis=0, weights=weight)
    return point
