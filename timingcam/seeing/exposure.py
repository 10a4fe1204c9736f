"""Where a camera changes its exposure while it films: bands as they would be had it not.

In:  `Bands`, and the frames' times.
Out: the same bands, their starts moved; without those of which nobody can tell how long they were exposed.
Not here: the line time, and how long the exposure is (`flashes.py`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.seeing.bands import Bands, usual_heights

ALIKE_ROWS = 0.02  # our choice: of the frame's height, about what a stepping exposure or a stamp may move
STEADY_ROWS = 0.02  # our choice: of a band's height; less is the edges' noise
BESIDE_FRAMES, FEWEST_BESIDE = 30, 5  # our choice: a step of the exposure may lie within, and is outvoted
STEP_ROWS = 0.1  # our choice: of a band's height; less is a drift, and the nearer one tells it
FEWEST_LONGER = 3  # our choice: one or two may be of a hand that crosses


def as_if_exposed_alike(bands: Bands, time_s: np.ndarray) -> Bands:
    """Starts moved to where they would be had the camera not changed its exposure: the ends do not depend on it.

    Parameters
    ----------
    bands : Bands
    time_s : ndarray, shape (n_frames,)
        When each frame began.
    """
    height = _with_those_across(bands, time_s, bands.end_row - bands.start_row)
    usual = usual_heights(bands.frame, height)
    if usual is None:
        return bands
    typical = float(np.median(height[np.isfinite(height)]))
    extra = usual - typical
    if np.abs(extra).max() < max(STEADY_ROWS * typical, 4 * bands.row_sd):
        extra = np.zeros(len(bands))
    # Where the other edge would have to be in the frame, it is none of a flash that lasted as usual.
    edge = 2 * bands.ramp_rows + 0.1 * usual
    longer = np.isnan(height) & ((bands.start_row + usual < bands.n_rows - edge) | (bands.end_row - usual > edge))
    told = np.isfinite(height)
    untold = (_untold(told, longer) | _at_a_step(told, usual, STEP_ROWS * typical)) & np.isfinite(bands.start_row)
    start_row = np.where(untold, np.nan, bands.start_row + extra)
    return replace(bands, start_row=start_row).some(~untold | np.isfinite(bands.end_row))


def _untold(told: np.ndarray, longer: np.ndarray) -> np.ndarray:
    """Bands that stand among several that are longer than usual, how much longer none of them tells.

    Parameters
    ----------
    told, longer : ndarray, shape (n_bands,), bool
        Whether a band's height is known; whether it is at least longer than usual.
    """
    run = np.cumsum(told)  # those between two told ones have the same number
    counts = np.bincount(run, longer & ~told)
    return ~told & (counts >= FEWEST_LONGER)[run]


def _at_a_step(told: np.ndarray, usual: np.ndarray, rows: float) -> np.ndarray:
    """Bands between two of which the heights are known, and differ by more than so many rows: either may be theirs."""
    at = np.flatnonzero(told)
    after = np.clip(np.searchsorted(at, np.arange(len(told))), 1, len(at) - 1)
    return ~told & (np.abs(usual[at[after]] - usual[at[after - 1]]) > rows)


def _with_those_across(bands: Bands, time_s: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Heights of bands, with those of flashes that lie across two frames: under a long exposure none is seen whole.

    What such a flash lacks is the rows that would be read between two frames. Where bands are seen whole beside, they
    tell how many those are, and the camera never changes that.
    """
    foot, head, gap = pairs_across(bands)
    usual = usual_heights(bands.frame, height)
    if usual is None or not len(foot):
        return height
    whole = bands.frame[np.isfinite(height)]
    beside = _nearest(bands.frame[foot], whole) <= BESIDE_FRAMES
    step = time_s[bands.frame[head]] - time_s[bands.frame[foot]]
    step = step / np.median(step)
    period_rows = (usual[foot] + gap) / step
    if beside.sum() < FEWEST_BESIDE:
        return height
    between = float(np.median(period_rows[beside]))
    if 1.4826 * np.median(np.abs(period_rows[beside] - between)) > ALIKE_ROWS * bands.n_rows:
        return height
    across = between * step - gap
    height = height.copy()
    height[foot], height[head] = across, across
    return height


def _nearest(frame: np.ndarray, others: np.ndarray) -> np.ndarray:
    """How far each frame is from the nearest of some others, of which there is one at least."""
    others = np.sort(others)
    at = np.searchsorted(others, frame)
    before, after = others[np.maximum(at - 1, 0)], others[np.minimum(at, len(others) - 1)]
    return np.minimum(np.abs(frame - before), np.abs(frame - after))


def pairs_across(bands: Bands) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """All pairs of a band cut by the foot of its frame and one cut by the head of the next that may be one flash, and
    the rows between the beginning of the one and the end of the other: no exposure is longer than a frame's period."""
    cut_foot = np.flatnonzero(np.isfinite(bands.start_row) & np.isnan(bands.end_row))
    cut_head = np.flatnonzero(np.isnan(bands.start_row) & np.isfinite(bands.end_row))
    first = np.searchsorted(bands.frame[cut_head], bands.frame[cut_foot] + 1, side="left")
    last = np.searchsorted(bands.frame[cut_head], bands.frame[cut_foot] + 1, side="right")
    foot = np.repeat(cut_foot, last - first)
    head = np.concatenate([cut_head[a:b] for a, b in zip(first, last, strict=True)] or [cut_head[:0]])
    rows = bands.start_row[foot] - bands.end_row[head]
    possible = rows > -ALIKE_ROWS * bands.n_rows
    return foot[possible], head[possible], rows[possible]


def missing_across(bands: Bands, time_s: np.ndarray, line_time_s: float, exposure_s: float) -> float:
    """Share of the bands cut by a frame's edge that must go on in the frame beside, with such a line time and exposure,
    and do not; 0 where few must.

    Parameters
    ----------
    bands : Bands
    time_s : ndarray, shape (n_frames,)
    line_time_s, exposure_s : float
    """
    margin = ALIKE_ROWS * bands.n_rows
    step_s = np.diff(time_s)
    cut_foot = np.flatnonzero(np.isfinite(bands.start_row) & np.isnan(bands.end_row))
    cut_head = np.flatnonzero(np.isnan(bands.start_row) & np.isfinite(bands.end_row))
    before = cut_foot[bands.frame[cut_foot] < len(step_s)]
    after = cut_head[bands.frame[cut_head] > 0]
    # Where the flash would have ended a band in the next frame, and begun one in the one before.
    end_row = bands.start_row[before] + (exposure_s - step_s[bands.frame[before]]) / line_time_s
    start_row = bands.end_row[after] - (exposure_s - step_s[bands.frame[after] - 1]) / line_time_s
    on, back = before[end_row > margin], after[start_row < bands.n_rows - margin]
    if len(on) + len(back) < FEWEST_BESIDE:
        return 0.0
    there = np.isin(bands.frame[on] + 1, bands.frame[cut_head]), np.isin(bands.frame[back] - 1, bands.frame[cut_foot])
    return 1.0 - float(np.concatenate(there).mean())
