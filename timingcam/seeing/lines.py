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
START_Z = 1.2  # what a cell must exceed, in noise sds, to lengthen a line


@dataclass(frozen=True, slots=True)
class Line:
    """A radial line: its angle and width in degrees, its inner and outer end in rotor radii.

    `sign` is 1 for bright on dark, -1 for dark on bright; `score` the sum of its cells' excess over noise.
    """

    deg: float
    width_deg: float
    inner: float
    outer: float
    sign: int
    score: float


def line_response(strip: np.ndarray, grid: Grid, width_deg: float) -> np.ndarray:
    """How much brighter each cell is than what lies `width_deg` to both sides, in sds of its row, (n_radii, n_angles)."""
    w = max(1, round(width_deg / grid.step_deg))
    pad = 3 * w + 1
    ring = np.concatenate([strip[:, -pad:], strip, strip[:, :pad]], axis=1).astype(np.float32)
    inside = cv2.blur(ring, (w | 1, 1))
    left, right = np.roll(inside, -(w + (w + 1) // 2), axis=1), np.roll(inside, w + (w + 1) // 2, axis=1)
    bright = inside - np.maximum(left, right)  # brighter than both sides: an edge alone is no line
    dark = inside - np.minimum(left, right)
    response = np.where(bright > 0, bright, np.where(dark < 0, dark, 0.0))[:, pad:-pad]
    both = (inside - 0.5 * (left + right))[:, pad:-pad]
    sd = 1.4826 * np.median(np.abs(both - np.median(both, axis=1, keepdims=True)), axis=1, keepdims=True)
    floor = float(np.median(sd)) * 0.5 + 1e-6
    return response / np.maximum(sd, floor)


def find_lines(strip: np.ndarray, grid: Grid, most: int = 40) -> list[Line]:
    """The clearest radial lines of a strip.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles)
    grid : Grid
    most : int

    Returns
    -------
    list of Line
        By score, falling; no two overlap in angle by more than half the narrower one's width.
    """
    found: list[Line] = []
    for width in WIDTHS_DEG:
        response = np.clip(line_response(strip, grid, width), -12, 12)
        for sign in (1, -1):
            score, first, last = _best_run(sign * response - START_Z)
            # A wide line answers to narrow filters too, all across it; the filter of its own width answers most.
            for k in _peaks(score, max(2, round(0.5 * width / grid.step_deg))):
                found.append(
                    Line(k * grid.step_deg, width, float(grid.radii[first[k]]), float(grid.radii[last[k]]), sign,
                         float(score[k]))
                )  # fmt: skip
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
    ring = np.concatenate([score[-half:], score, score[:half]]).astype(np.float32)
    crest = cv2.dilate(ring[None, :], np.ones((1, width), np.uint8))[0][half:-half]
    return np.flatnonzero((score >= crest - 1e-6) & (score > 0))


def centreline(strip: np.ndarray, grid: Grid, line: Line, span: tuple[float, float]) -> tuple[float, float, float]:
    """Middle of a line between its two edges, over a span of radii.

    Parameters
    ----------
    strip : ndarray, shape (n_radii, n_angles)
    grid : Grid
    line : Line
    span : (float, float)
        Radii over which to average: the end nearest the index.

    Returns
    -------
    deg, sd_deg, width_deg : float
        The angle half-way between the points where the light is half-way to its crest; its standard uncertainty from
        the scatter of single radii; the line's width there.
    """
    rows = np.flatnonzero((grid.radii >= span[0] - 1e-9) & (grid.radii <= span[1] + 1e-9))
    if len(rows) == 0:
        rows = np.array([int(np.argmin(np.abs(grid.radii - 0.5 * sum(span))))])
    reach = max(3.0 * line.width_deg, 8 * grid.step_deg)
    offset = np.arange(-reach, reach + 1e-9, grid.step_deg / 4)
    column = (line.deg + offset) / grid.step_deg
    low = np.floor(column).astype(int)
    part = column - low
    n = grid.n_angles
    block = strip[rows]
    profile = line.sign * (block[:, low % n] * (1 - part) + block[:, (low + 1) % n] * part)
    middle, width = _middle(profile.mean(axis=0), offset, line.width_deg)
    parts = [_middle(chunk.mean(axis=0), offset, line.width_deg)[0] for chunk in np.array_split(profile, 4)
             if len(chunk)]  # fmt: skip
    spread = float(np.std(parts, ddof=1)) / np.sqrt(len(parts)) if len(parts) > 1 else 0.5 * width
    return (line.deg + middle) % 360.0, max(spread, 0.02 * width), width


def _middle(profile: np.ndarray, offset: np.ndarray, width_deg: float) -> tuple[float, float]:
    """Half-way between the two crossings of half height about the crest nearest the middle; and their distance."""
    near = np.abs(offset) <= 0.6 * width_deg + 2 * (offset[1] - offset[0])
    crest_at = np.flatnonzero(near)[int(np.argmax(profile[near]))]
    side = np.abs(offset - offset[crest_at]) > 0.9 * width_deg
    base = float(np.median(profile[side])) if side.any() else float(profile.min())
    within = np.abs(offset - offset[crest_at]) <= 0.35 * width_deg
    half = base + 0.5 * (float(np.median(profile[within])) - base)
    left = crest_at
    while left > 0 and profile[left] > half:
        left -= 1
    right = crest_at
    while right < len(profile) - 1 and profile[right] > half:
        right += 1
    step = offset[1] - offset[0]
    a = offset[left] + step * _part(profile[left], profile[min(left + 1, len(profile) - 1)], half)
    b = offset[right] - step * _part(profile[right], profile[max(right - 1, 0)], half)
    return 0.5 * (a + b), float(b - a)


def _part(outside: float, inside: float, half: float) -> float:
    return float(np.clip((half - outside) / (inside - outside), 0, 1)) if inside > outside else 0.5
