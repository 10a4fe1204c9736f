"""Lines that are no marks of their own: the ground beside a plainer line, the other line of a pair, old paint.

In:  the lines of one way to lay the marks, and of a rival.
Out: lines without such; whether the rival is made of such.
Not here: the ways themselves (`constellation.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.circle import wrap
from timingcam.seeing.lines import Line, are_twins

FLANK = 1.2  # of the widths together: what lies beside a line, of the other sign, is its own background
# Our choice: times the light that sets a line off; where all is plain, scores no longer tell lines apart. Coding and a
# lens draw the ground beside such lines out, by that many widths.
CONTRASTING, WIDE_FLANK = 2.0, 2.0
PLAINER = 1.5  # our choice, of scores, in which what is plain counts little more the plainer it is
GROUND_SHARE = 0.5  # our choice: of the ground's score, the lines that make it one are about as plain
MOSTLY = 2.0 / 3.0  # our choice: of a rival's lines, that the ground must be; the rest fit by chance

Lines = tuple[Line | None, ...]


def is_explained(lines: Lines, rivals: Lines, rim: float) -> bool:
    """Whether a rival is what other lines of the same marks make: old paint, the other line of pairs, or the ground.

    Parameters
    ----------
    lines, rivals : tuple of Line or None
        One for each mark, of the best way to name them and of a rival.
    rim : float
        The rim's radius, in rotor radii.
    """
    return _plainer(lines, rivals) or _twins_of(lines, rivals, rim) or of_the_ground(lines, rivals)


def of_the_ground(lines: Lines, rivals: Lines) -> bool:
    """Whether a rival is read off the ground beside lines that are plainer, or mostly so."""
    n_ours = sum(line is not None for line in lines)
    theirs = [rival for rival in rivals if rival is not None and rival not in lines]
    n_ground = sum(_beside_plainer(rival, lines) for rival in theirs)
    return 2 * len(theirs) > n_ours and n_ground >= MOSTLY * len(theirs)


def borders(line: Line, other: Line, flank: float = FLANK) -> bool:
    """Whether two lines of either sign lie so near that the one is the other's background, by their widths together."""
    apart = abs(wrap(other.deg - line.deg))
    return other.sign != line.sign and apart < flank * (line.width_deg + other.width_deg)


def but_ground(lines: list[Line]) -> list[Line]:
    """All but the ground between two lines of the other sign, which looks like a line itself."""

    def beside(line: Line, other: Line) -> float:
        """On which side the other borders on it, 0 where it does not."""
        near = borders(line, other) and other.score > GROUND_SHARE * line.score
        return float(np.sign(wrap(other.deg - line.deg))) if near else 0.0

    return [line for line in lines if not {-1.0, 1.0} <= {beside(line, other) for other in lines}]


def but_flanks(matched: Lines) -> Lines:
    """The same without those that are the ground beside a plainer one of them: a broad notch has bright flanks."""
    return tuple(None if line is not None and _beside_plainer(line, matched) else line for line in matched)


def _beside_plainer(line: Line, others: Lines) -> bool:
    """Whether a line borders on a plainer one of the other sign, whose background it then is."""
    return any(_is_background(line, other) for other in others if other is not None)


def _is_background(line: Line, of: Line) -> bool:
    if of.contrast > CONTRASTING * line.contrast > 0:
        return borders(line, of, WIDE_FLANK)
    return borders(line, of) and _is_plainer(of, line)


def _is_plainer(one: Line, other: Line) -> bool:
    """On a smooth rotor without scratches the ground between two lines scores as they do, but by a trace of light."""
    high, low = max(one.contrast, other.contrast), min(one.contrast, other.contrast)
    return one.contrast > other.contrast if high > CONTRASTING * low else one.score > other.score


def _plainer(lines: Lines, rivals: Lines) -> bool:
    """Whether each line is clearer than its rival, and all together plainly: of marks painted anew, the old lines show
    beside the new ones, and are spaced alike."""
    pairs = [(one, other) for one, other in zip(lines, rivals, strict=True) if one is not None or other is not None]
    both = [(one.score, other.score) for one, other in pairs if one is not None and other is not None]
    # A line that is one mark by one reading and the next by the other is no old paint.
    if len(both) < max(len(pairs), 1) or {one for one, _ in pairs} & {other for _, other in pairs}:
        return False
    scores = np.array(both)
    return bool((scores[:, 0] > scores[:, 1]).all() and scores[:, 0].sum() > PLAINER * scores[:, 1].sum())


def _twins_of(lines: Lines, rivals: Lines, rim: float) -> bool:
    """Whether a rival is read off the other lines of marks that are drawn as two, which stand on one side of all."""
    both = [(one, other) for one, other in zip(lines, rivals, strict=True) if one is not None and other is not None]
    twins = [np.sign(wrap(other.deg - one.deg)) for one, other in both if are_twins(one, other, rim)]
    free = not {one for one, _ in both} & {other for _, other in both}
    return free and 2 * len(twins) > len(lines) and len(set(twins)) == 1
