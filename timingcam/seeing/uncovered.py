"""What a cover hides of a rotor that is seen as a whole otherwise.

In:  pictures laid on one another, the ring that is the rim.
Out: the part of the picture that shows no cover; None where there is none.
Not here: a rotor behind a timing hole (`opening.py`), of which little shows.

Half a casing left on, or a plate that was not taken off, stands still within the rim while the rest turns. Taken for
the rotor it blurs the map, and marks beneath it look as if they were missing.
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.pose import Pose
from timingcam.seeing.rim import INNER, larger_than_needed, pose_of, seen_in, turns_within
from timingcam.seeing.rings import Ring, in_picture
from timingcam.seeing.stack import Stack
from timingcam.seeing.strips import Part, make_grid
from timingcam.seeing.told_twice import N_SECTORS, told

# Our choice: of a rim's length in the picture; where nearly all of it shows an edge, nothing that matters lies over it.
MOST_SHOWN = 0.8
WITHIN, N_RADII, N_ANGLES = 0.97, 40, 1024
# Our choice: times as well told by the one as by the other. Covered sectors come to 15 and more, others to a third.
CLEARLY = 3.0
FEWEST_SECTORS = 3  # our choice: a third of a right angle; what is narrower, a lead or a glare, does little harm
BEYOND_RIM = 1.02  # our choice, rim radii: a cover has no rim


def uncovered_part(before: Stack, ring: Ring, shape: tuple[int, ...]) -> Part | None:
    """What no cover hides, where one hides some of the rotor.

    Parameters
    ----------
    before : Stack
        The pictures, laid on one another by all they show.
    ring : Ring
        The rim.
    shape : tuple of int
        Of the picture: height, width.
    """
    if ring.coverage >= MOST_SHOWN * in_picture(ring, shape):
        return None
    by = larger_than_needed(ring)
    small, size = before.smaller(by), (shape[0] // by, shape[1] // by)
    covered = covered_sectors(*seen_in(small, small.lit, pose_of(ring.smaller(by), size)))
    return Part(_beside(pose_of(ring, shape), covered, shape)) if covered.any() else None


def covered_sectors(stack: Stack, pose: Pose, degs: np.ndarray) -> np.ndarray:
    """Which sectors stand still while the others turn, shape (N_SECTORS,) of bool.

    Parameters
    ----------
    stack : Stack
    pose : Pose
    degs : ndarray, shape (n,)
        The rotor's turn in each picture; NaN where it was not read.
    """
    if not turns_within(degs):
        return np.zeros(N_SECTORS, bool)
    good = np.flatnonzero(np.isfinite(degs))
    grid = make_grid(pose.radius_px, INNER, WITHIN, N_ANGLES, N_RADII)
    strips, knowns = stack.some(good).strips(pose, grid)
    turning, standing = (part.sum(axis=0) for part in told(np.array(strips), np.array(knowns), degs[good]))
    turns, stands = turning > CLEARLY * standing, standing > CLEARLY * turning
    return _runs(stands, ~turns)


def _runs(surely: np.ndarray, maybe: np.ndarray) -> np.ndarray:
    """Runs round the ring of sectors that may be covered, of which enough surely are."""
    if maybe.all():
        return np.zeros_like(maybe)  # nothing turns
    first = int(np.argmin(maybe))  # no run goes over the end of a ring that begins beside one
    surely, maybe = np.roll(surely, -first), np.roll(maybe, -first)
    label = np.cumsum(~maybe)
    enough = np.bincount(label, surely & maybe) >= FEWEST_SECTORS
    return np.roll(maybe & enough[label], first)


def _beside(pose: Pose, covered: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """The picture without covered sectors of a rotor, shape (h, w) of bool."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    at = pose.to_plane(np.stack([x, y], axis=-1).reshape(-1, 2).astype(float))
    sector = (np.arctan2(at[:, 1], at[:, 0]) % (2 * np.pi) / (2 * np.pi) * N_SECTORS).astype(int) % N_SECTORS
    hidden = covered[sector] & (np.hypot(at[:, 0], at[:, 1]) < BEYOND_RIM)
    return ~hidden.reshape(shape[0], shape[1])
