"""Radial lines on a strip: candidates for marks and for the index.

In:  an evened-out strip, radius down and angle along.
Out: `Line`s, the clearest first, and the centreline of one to a fraction of a column.
Not here: which line is which (`marks.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.strips import Grid

WIDTHS_DEG = (0.6, 0.9, 1.4, 2.1, 3.2, 4.8, 7.0)  # our choice: lines from a scribe's to a broad pointer's
PLAIN_Z = 12.0
# Our choice, of the light there: what coding and evening out leave of a smooth ground, of which a code's step is a
# hundredth and flashes' mean a part of that; the maps of worn metal have that and ten times more.
LEAST_SD = 0.003
RUNS_ON_ROTOR = 2  # our choice: a mark, and a pole's edge or a scratch further in
START_Z = 1.2  # what a cell must exceed, in noise sds, to lengthen a line
# Our choice: lines drawn as a pair are a few degrees apart and alike in all they are.
TWIN_DEG, TWIN_SHARE, TWIN_ENDS = (1.0, 4.5), 0.7, 0.06


@dataclass(frozen=True, slots=True)
class Line:
    """A radial line: its angle and width in degrees, its inner and outer end in rotor radii.

    `sign` is 1 for bright on dark, -1 for dark on bright; `score` the sum of its cells' excess over noise, in which
    what is plain counts little more the plainer it is; `contrast` how far its light is from that of what lies beside
    it, 0 where that was not looked at; `shaded` whether it casts a shadow beside itself.
    """

    deg: float
    width_deg: float
    inner: float
    outer: float
    sign: int
    score: float
    contrast: float = 0.0
    shaded: bool = False


def are_alike(line: Line, other: Line, rim: float) -> bool:
    """Whether another line looks as a line does; `rim`: its radius, in rotor radii."""
    ends = max(abs(line.inner - other.inner), abs(line.outer - other.outer))
    return (
        line.sign == other.sign
        and min(line.score, other.score) > TWIN_SHARE * max(line.score, other.score)
        and max(line.width_deg, other.width_deg) < 1.6 * min(line.width_deg, other.width_deg)
        and ends < TWIN_ENDS * rim
    )


def are_beside(line: Line, other: Line) -> bool:
    """Whether two lines pass through some radius in common."""
    return max(line.inner, other.inner) < min(line.outer, other.outer)


def are_twins(line: Line, other: Line, rim: float) -> bool:
    """Whether another line looks as a line does, and stands beside it; `rim`: its radius, in rotor radii."""
    apart_deg = abs((other.deg - line.deg + 180.0) % 360.0 - 180.0)
    return TWIN_DEG[0] < apart_deg < TWIN_DEG[1] and are_alike(line, other, rim)


def line_response(strip: np.ndarray, grid: Grid, width_deg: float) -> np.ndarray:
    """How much brighter each cell is than what lies `width_deg` to both sides, in sds of its row, (n_radii,
    n_angles)."""
    return _in_sds(*_light_apart(strip, grid, width_deg), strip != 0)


def _light_apart(strip: np.ndarray, grid: Grid, width_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """By how much each cell is brighter than both its sides, or darker, else 0; and than the mean of the two."""
    w = max(1, round(width_deg / grid.step_deg))
    pad = 3 * w + 1
    ring = np.concatenate([strip[:, -pad:], strip, strip[:, :pad]], axis=1).astype(np.float32)
    inside = cv2.blur(ring, (w | 1, 1))
    left, right = np.roll(inside, -(w + (w + 1) // 2), axis=1), np.roll(inside, w + (w + 1) // 2, axis=1)
    bright = inside - np.maximum(left, right)  # brighter than both sides: an edge alone is no line
    dark = inside - np.minimum(left, right)
    response = np.where(bright > 0, bright, np.where(dark < 0, dark, 0.0))[:, pad:-pad]
    return response, (inside - 0.5 * (left + right))[:, pad:-pad]


def _in_sds(response: np.ndarray, both: np.ndarray, known: np.ndarray) -> np.ndarray:
    sd = _row_sd(both, known)
    floor = max(float(np.median(sd)) * 0.5, LEAST_SD)
    return response / np.maximum(sd, floor)


def _row_sd(both: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Robust sd of each row where it is known, shape (n_radii, 1): of a part of a rotor most of a row is not."""
    seen = np.where(known, both, np.nan)
    seen[~known.any(axis=1)] = 0.0
    return 1.4826 * np.nanmedian(np.abs(seen - np.nanmedian(seen, axis=1, keepdims=True)), axis=1, keepdims=True)


def find_lines(strip: np.ndarray, grid: Grid, most: int = 40, runs: int = 1) -> list[Line]:
    """The clearest radial lines of a strip.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles)
    grid : Grid
    most : int
    runs : int
        How many lines to look for at one angle: on a rotor a mark may stand at the same angle as a pole's edge.

    Returns
    -------
    list of Line
        By score, falling; no two overlap in angle by more than half the narrower one's width.
    """
    found: list[Line] = []
    for width in WIDTHS_DEG:
        apart, both = _light_apart(strip, grid, width)
        response = _in_sds(apart, both, strip != 0)
        # What is plain as day counts little more than what is plain, yet still in order.
        response = response / (1 + np.abs(response) / PLAIN_Z)
        for sign in (1, -1):
            gain = sign * response - START_Z
            for _ in range(runs):
                score, first, last = _best_run(gain)
                # A wide line answers to narrow filters too, all across it; the filter of its own width answers most.
                for k in _peaks(score, max(2, round(0.5 * width / grid.step_deg))):
                    found.append(
                        Line(k * grid.step_deg, width, float(grid.radii[first[k]]), float(grid.radii[last[k]]), sign,
                             float(score[k]), float(sign * apart[first[k] : last[k] + 1, k].mean()))
                    )  # fmt: skip
                row = np.arange(len(gain))[:, None]
                gain = np.where((row >= first) & (row <= last), -np.inf, gain)
    found.sort(key=lambda line: -line.score)
    kept: list[Line] = []
    for line in found:
        if line.score < 4.0 or len(kept) >= most:
            break
        if all(_apart(line, other) for other in kept):
            kept.append(line)
    return kept


def _apart(line: Line, other: Line) -> bool:
    gap = abs((line.deg - other.deg + 180) % 360 - 180)
    overlap = min(line.outer, other.outer) - max(line.inner, other.inner)
    return gap > 0.5 * (line.width_deg + other.width_deg) * 0.9 or overlap < 0


def _best_run(gain: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each column the run of rows with the largest sum: the sum, the first and the last row (Kadane)."""
    n_rows, n = gain.shape
    current, start = np.zeros(n), np.zeros(n, int)
    best, first, last = np.zeros(n), np.zeros(n, int), np.zeros(n, int)
    for row in range(n_rows):
        fresh = current <= 0
        current = np.where(fresh, gain[row], current + gain[row])
        start = np.where(fresh, row, start)
        better = current > best
        best = np.where(better, current, best)
        first, last = np.where(better, start, first), np.where(better, row, last)
    return best, first, last


def _peaks(score: np.ndarray, half: int) -> np.ndarray:
    """Indices of local maxima around the ring."""
    width = 2 * half + 1
    score = score.astype(np.float32)  # as OpenCV's crest is, or rounding would make a crest of none
    ring = np.concatenate([score[-half:], score, score[:half]])
    crest = cv2.dilate(ring[None, :], np.ones((1, width), np.uint8))[0][half:-half]
    return np.flatnonzero((score >= crest) & (score > 0))


def centreline(strip: np.ndarray, grid: Grid, line: Line, span: tuple[float, float]) -> tuple[float, float]:
    """Middle of a line: the angle about which it is most nearly its own mirror image, over a span of radii.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles)
    grid : Grid
    line : Line
    span : (float, float)
        Radii to look at: the end nearest the index.

    Returns
    -------
    deg, sd_deg : float
        The angle; its standard uncertainty from the scatter between parts of the span.

    Notes
    -----
    A scribed line, a painted bar, a pointer with a line on it and a notch are all symmetric about their centreline, so
    this asks for no edge and no sign. Light from one side makes a groove's walls differ; that is in the scatter at
    most.
    """
    rows = np.flatnonzero((grid.radii >= span[0] - 1e-9) & (grid.radii <= span[1] + 1e-9))
    if len(rows) < 2:
        nearest = int(np.argmin(np.abs(grid.radii - 0.5 * sum(span))))
        rows = np.array(sorted({max(nearest - 1, 0), nearest, min(nearest + 1, len(grid.radii) - 1)}))
    half = max(1.1 * line.width_deg, 5 * grid.step_deg)
    deg = line.deg + _mirror(strip[rows], grid, line.deg, (half, 0.6 * line.width_deg + grid.step_deg))
    # Once more, closely, so that the window is centred on the line itself.
    deg += _mirror(strip[rows], grid, deg, (half, 2 * grid.step_deg))
    parts = [
        _mirror(strip[part], grid, deg, (half, 2 * grid.step_deg)) for part in np.array_split(rows, 4) if len(part) > 0
    ]
    spread = float(np.std(parts, ddof=1)) / np.sqrt(len(parts)) if len(parts) > 1 else 0.25 * line.width_deg
    return deg % 360.0, max(spread, 0.01 * line.width_deg)


def _mirror(block: np.ndarray, grid: Grid, about_deg: float, reach: tuple[float, float]) -> float:
    """Where, within a reach of an angle, a block is most nearly its own mirror image; `reach` is (half window,
    search)."""
    half, search = reach
    step = grid.step_deg / 2
    offset = np.arange(0.5 * step, half, step)
    trials = np.arange(-search, search + step / 2, step / 2)
    cost = np.empty(len(trials))
    for i, trial in enumerate(trials):
        right = _at(block, grid, about_deg + trial + offset)
        left = _at(block, grid, about_deg + trial - offset)
        both = right + left
        # Relative to how much pattern there is: a bare patch is symmetric about anything.
        spread = float(((both - both.mean(axis=1, keepdims=True)) ** 2).sum())
        cost[i] = float(((right - left) ** 2).sum()) / (spread + 1e-9)
    k = int(np.argmin(cost))
    if not 0 < k < len(trials) - 1:
        return float(trials[k])
    before, here, after = cost[k - 1 : k + 2]
    bend = before - 2 * here + after
    part = 0.5 * (before - after) / bend if bend > 0 else 0.0
    return float(trials[k] + np.clip(part, -0.5, 0.5) * (trials[1] - trials[0]))


def _at(block: np.ndarray, grid: Grid, deg: np.ndarray) -> np.ndarray:
    """A block's light at angles between its columns, linear, shape (n_rows, n)."""
    column = deg / grid.step_deg
    low = np.floor(column).astype(int)
    part = column - low
    return block[:, low % grid.n_angles] * (1 - part) + block[:, (low + 1) % grid.n_angles] * part
