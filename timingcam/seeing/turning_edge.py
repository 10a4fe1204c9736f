"""Where the picture stops turning: how far out what turns reaches.

In:  pictures laid on one another, a pose, the turns read in it.
Out: `Edge`.
Not here: which ring that is (`rim.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.pose import Pose
from timingcam.seeing.stack import Stack
from timingcam.seeing.strips import make_grid
from timingcam.seeing.told_twice import N_SECTORS, told

ROWS_AT_ONCE = 32  # our choice: of a fine grid; all of them take ten times the strips' own room
TELLS_NOTHING = 1e-4  # our choice: of what tells much
LEAST_GAIN = 3.0  # our choice: rows' votes in all
HALF_A_ROW, TELLS_LITTLE = 0.5, 0.02  # of a row's vote where it surely turns; our choice: of all votes
LEAST_CHANGE = 10.0  # our choice: of 160 rows, split in the middle, a change of their votes by a quarter
FARTHEST = 1.9  # our choice, radii: how far out of a ring to look for what turns


@dataclass(frozen=True, slots=True)
class Edge:
    """Where the picture stops turning, in radii of a pose, and how clearly it does: between where the last row ends
    that surely turns, and where what tells of it is most."""

    surely: float
    radius: float
    gain: float

    def beyond(self, size: float) -> float:
        """A size over the nearest that the edge may have."""
        return size / float(np.clip(size, self.surely, self.radius))


def turning_edge(stack: Stack, pose: Pose, degs: np.ndarray) -> Edge | None:
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
    return Edge(float(last_turning), float(edge), worth) if clear else None


def _best_split(vote: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """The sum of rows' votes from the innermost on, its least so far, and the row after which what turned stands still.

    Further in a shine may stand still, on the hub above all: what turns, turns from where the votes were fewest.
    """
    gain = np.cumsum(vote)
    fewest = np.minimum(np.minimum.accumulate(gain), 0.0)
    return gain, fewest, int(np.argmax(2.0 * gain - fewest))
