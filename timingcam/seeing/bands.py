"""Row brightness of every frame to the bands of rows that flashes lit.

In:  the mean light of each row of each frame, shape (n_frames, n_rows).
Out: `Bands`: for each lit run of rows its first and last edge, to a fraction of a row.
Not here: which bands belong to one flash, and when it was (`flashes.py`).

A row's light is what the scene gives by itself plus a share for every flash within the row's exposure. A flash that
fell while a row was exposed lights it whole; the edges of its band are ramps, as tall as the flash is long. The middle
of a ramp's area is the moment at which half of the flash's light had come.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.errors import CannotMeasure

MIN_BAND_ROWS = 6  # our choice: shorter runs are noise or cannot hold a mark
LONGEST_RAMP_ROWS = 60
RAMP_SHARE = 0.7  # of an edge's height; plateaus are uneven, so not more
TOO_TALL = 1.12  # our choice: of the usual height; noise and a stepping exposure stay below
LEAST_OF_AMBIENT = 0.06  # our choice: what a passing shadow, or exposure that hunts, may do to whole rows
MIN_CONTRAST = 5.0  # our choice: a flash must stand this many row-noise sds over the ambient light
DO_LIGHT = "film nearer, with the strobe nearer to the marks and less light from elsewhere"


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Lit runs of rows in order of frame and row; arrays of shape (n_bands,).

    `start_row` and `end_row` are where the band begins and ends, rows; NaN where the frame cut it off. `inner_first`
    and `inner_last` are the first and last row lit in full. `row_sd` is the standard uncertainty of an edge.
    """

    frame: np.ndarray
    start_row: np.ndarray
    end_row: np.ndarray
    inner_first: np.ndarray
    inner_last: np.ndarray
    level: np.ndarray  # mean light of the flash, relative to the typical flash
    row_sd: float
    ramp_rows: float
    n_frames: int
    n_rows: int

    def __post_init__(self) -> None:
        columns = (self.frame, self.start_row, self.end_row, self.inner_first, self.inner_last, self.level)
        if len({len(c) for c in columns}) != 1:
            raise ValueError("one value a band in every column")
        for column in columns:
            column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.frame)


def row_light(luma: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Mean linear light of each row, shape (n_rows,), from every fourth column."""
    return table[luma[:, ::4]].mean(axis=1, dtype=np.float32)


def find_bands(light: np.ndarray) -> Bands:
    """Find the bands of rows that flashes lit.

    Parameters
    ----------
    light : ndarray, shape (n_frames, n_rows)
        Mean light of each row, linear.

    Returns
    -------
    Bands

    Raises
    ------
    CannotMeasure
        If nothing in the clip brightens and darkens as rows lit by a flash do.
    """
    lit, noise = _share_of_flash(light)
    columns: list[tuple[float, ...]] = []
    for frame in range(len(lit)):
        for first, last in _runs(lit[frame] > 0.5):
            if last - first + 1 >= MIN_BAND_ROWS:
                columns.append((frame, first, last))
    if not columns:
        raise CannotMeasure(found="no flash in the whole clip", expected="bands of rows lit by a strobe", do=DO_LIGHT)
    runs = np.array(columns, int)
    ramp_rows = _typical_ramp(lit, runs)
    edges = np.array([_edges(lit[f], a, b, ramp_rows) for f, a, b in runs])
    # A sliver at the frame's side has no edge that could be placed, and shows next to nothing.
    sliver = np.isnan(edges[:, 0]) & np.isnan(edges[:, 1]) & (runs[:, 2] - runs[:, 1] < 0.5 * light.shape[1])
    good = ~sliver & (edges[:, 4] > 0.35)  # a run that hardly rises over half a flash is not one
    runs, edges = runs[good], edges[good]
    if not len(runs):
        raise CannotMeasure(found="no flash in the whole clip", expected="bands of rows lit by a strobe", do=DO_LIGHT)
    runs, edges = _split(runs, edges, light.shape[1])
    # An edge is where the ramp's area is halved: its noise is that of some ramp_rows sums of row noise.
    row_sd = float(np.hypot(0.29, noise * np.sqrt(2 * ramp_rows + 4)))
    return Bands(
        runs[:, 0], edges[:, 0], edges[:, 1], edges[:, 2].astype(int), edges[:, 3].astype(int), edges[:, 4],
        row_sd, ramp_rows, *light.shape,
    )  # fmt: skip


def _split(runs: np.ndarray, edges: np.ndarray, n_rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Part runs that are taller than a flash can light: two flashes whose bands touch or overlap.

    The first begins at the run's start and the last ends at its end; rows that both may have lit belong to neither.
    """
    height = edges[:, 1] - edges[:, 0]
    whole = height[np.isfinite(height)]
    if len(whole) < 5:
        return runs, edges
    tall = float(np.median(whole))
    lit = np.where(np.isfinite(edges[:, 1]), edges[:, 1], n_rows) - np.where(np.isfinite(edges[:, 0]), edges[:, 0], 0)
    out_runs, out_edges = [], []
    for run, (start, end, inner_first, inner_last, level), rows in zip(runs, edges, lit, strict=True):
        if rows < TOO_TALL * tall:
            out_runs.append(run)
            out_edges.append((start, end, inner_first, inner_last, level))
            continue
        # Where one cannot have reached yet, or any more: the other's end, a height away, bounds it.
        if np.isfinite(start):
            last = np.nanmin([start + tall, end - tall if np.isfinite(end) else n_rows - 1.0]) - 3
            out_runs.append(run)
            out_edges.append((start, np.nan, inner_first, last, level))
        if np.isfinite(end):
            first = np.nanmax([end - tall, start + tall if np.isfinite(start) else 0.0]) + 3
            out_runs.append(run)
            out_edges.append((np.nan, end, first, inner_last, level))
    return np.array(out_runs).reshape(-1, 3), np.array(out_edges, float).reshape(-1, 5)


def _share_of_flash(light: np.ndarray) -> tuple[np.ndarray, float]:
    """Light as a share of a typical flash: 0 where only ambient light fell, 1 in a band; and the rows' noise."""
    ambient = np.percentile(light, 4, axis=0)
    over = light - ambient
    # Noise of one row: differences from row to row hold next to nothing of the scene once its own profile is out.
    noise = 1.4826 * float(np.median(np.abs(np.diff(over, axis=1)))) / np.sqrt(2) + 1e-7
    n_top = max(3, round(0.004 * len(light)))
    top = np.partition(over, -n_top, axis=0)[-n_top:].mean(axis=0) if len(light) > n_top else over.max(axis=0)
    top = _smooth(top, max(3, light.shape[1] // 40))
    if float(np.median(top)) < MIN_CONTRAST * noise or float(np.median(top)) < LEAST_OF_AMBIENT * float(
        np.median(ambient)
    ):
        raise CannotMeasure(
            found="no flash that stands out from the light of the place",
            expected=f"rows at least {MIN_CONTRAST:.0f} times their noise brighter under the flash",
            do=DO_LIGHT,
        )
    flash = np.maximum(top, 0.15 * float(np.median(top)))
    for _ in range(2):
        # The brightest frames overstate a flash, and rows that two flashes lit most of all: the usual level of lit
        # rows.
        bright = np.where(over > 0.5 * flash, over, np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # rows that were never lit have no median
            usual = np.nanmedian(bright, axis=0)
        usual = np.where(np.isfinite(usual), usual, flash)
        flash = np.maximum(_smooth(usual, max(2, light.shape[1] // 80)), 0.15 * float(np.median(usual)))
    return (over / flash).astype(np.float32), noise / float(np.median(flash))


def _smooth(profile: np.ndarray, half: int) -> np.ndarray:
    width = 2 * half + 1
    return cv2.blur(profile.astype(np.float32)[None, :], (width, 1), borderType=cv2.BORDER_REPLICATE)[0]


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of True, gaps of up to three closed."""
    index = np.flatnonzero(mask)
    if not len(index):
        return []
    cuts = np.flatnonzero(np.diff(index) > 4)
    firsts = index[np.r_[0, cuts + 1]]
    lasts = index[np.r_[cuts, len(index) - 1]]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def _typical_ramp(lit: np.ndarray, runs: np.ndarray) -> float:
    """Rows that a band's edge takes to rise, from the edges of up to 200 bands.

    The light some rows inside of an edge, less that as many outside, grows with their number until the ramp is spanned.
    """
    n_rows = lit.shape[1]
    ramps = []
    for frame, first, last in runs[:: max(1, len(runs) // 200)]:
        reach = min(LONGEST_RAMP_ROWS, (last - first) // 2)
        for edge, inward in ((first, 1), (last, -1)):
            if not reach <= edge < n_rows - reach or reach < 4:
                continue
            k = np.arange(1, reach)
            # The edge lies between the first lit row and the one outside of it.
            across = lit[frame][edge + inward * (k - 1)] - lit[frame][edge - inward * k]
            most = float(across.max())
            if most > 0.3:
                ramps.append(k[int(np.argmax(across >= RAMP_SHARE * most))] / (0.5 * RAMP_SHARE))
    return max(2.0, float(np.median(ramps))) if ramps else 2.0


def _edges(row: np.ndarray, first: int, last: int, ramp_rows: float) -> tuple[float, float, float, float, float]:
    """Start and end (NaN where cut), first and last fully lit row, level."""
    half = round(ramp_rows) + 3
    a = min(first + half, last)
    b = max(last - half, first)
    inner = row[a : b + 1] if b >= a else row[first : last + 1]
    level = float(np.median(inner))
    start = _edge(row, first, half, level, rising=True)
    end = _edge(row, last, half, level, rising=False)
    margin = ramp_rows / 2 + 1.5
    # Too near to the frame's side to place the edge, the band still ends where its light crosses half.
    lit_from = start if np.isfinite(start) else first - 0.5
    lit_to = end if np.isfinite(end) else last + 0.5
    inner_first = 0 if first == 0 else int(np.ceil(lit_from + margin))
    inner_last = len(row) - 1 if last == len(row) - 1 else int(np.floor(lit_to - margin))
    return start, end, float(inner_first), float(inner_last), level


def _edge(row: np.ndarray, crossing: int, half: int, level: float, *, rising: bool) -> float:
    """Where the ramp's area is halved, in rows (edges between rows lie at the half); NaN where the frame cuts it."""
    lo, hi = crossing - half, crossing + half
    if lo < 1 or hi > len(row) - 2:
        return float("nan")
    window = row[lo : hi + 1].astype(float)
    outside = window[:3] if rising else window[-3:]
    inside = window[-3:] if rising else window[:3]
    low, high = float(np.median(outside)), float(np.median(inside))
    if high - low < 0.3 * level:
        return float("nan")
    area = float(np.clip((window - low) / (high - low), -0.5, 1.5).sum())
    return hi + 0.5 - area if rising else lo - 0.5 + area
