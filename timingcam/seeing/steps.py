"""How many flashes' light each row holds to the steps at which flashes begin and end.

In:  light in units of one flash, shape (n_frames, n_rows).
Out: `Steps`: for each the frame, the row to a fraction, and whether a flash begins there or ends.
Not here: which beginning belongs to which end (`bands.py`).

A step is a ramp as tall as the flash is long; the middle of its area is the moment at which half of the flash's light
had come.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import median_filter

from timingcam.seeing.medians import median

LEAST_STEP = 0.4  # flashes: less is a bright screw that the hand moved, or the place's own light
NEITHER = (0.22, 0.7)  # flashes, our choice: neither none nor one
SURE_STEP = 0.6  # flashes, our choice: a lower one may be half of what it seems, and tells no time
WIDE_SHARE = 0.125  # of the rows: as far as one flash's light is looked at on either side of a step
UNEVEN_SDS = 2.0  # our choice: between the two sides, in sds of the rows about their median
LONGEST_RAMP_ROWS = 60
RAMP_SHARE = 0.7  # of an edge's height; plateaus are uneven, so not more
GAIN_WINDOW = 15  # steps over which the camera's gain is taken as even
GAIN_MATTERS = 0.15  # our choice: a gain this far from 1 is divided out


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Beginnings and ends in order of frame and row; arrays of shape (n_steps,).

    `up` is whether a flash begins. `beside` is the last row of a step's near side: the first lit row of a beginning,
    the last of an end. `row` is the place to a fraction, NaN where the frame cuts the ramp. `height` in flashes, NaN
    there too. `ramp_rows` is within which an edge surely rises, `flash_rows` what it takes on the whole.
    """

    frame: np.ndarray
    up: np.ndarray
    beside: np.ndarray
    row: np.ndarray
    height: np.ndarray
    ramp_rows: float
    flash_rows: float

    def __len__(self) -> int:
        return len(self.frame)


def find_steps(lit: np.ndarray, noise: float, dim: np.ndarray | None = None) -> tuple[Steps, np.ndarray]:
    """Find where flashes begin and end.

    Parameters
    ----------
    lit : ndarray, shape (n_frames, n_rows)
        Light in units of a typical flash.
    noise : float
        Of a row, in the same.
    dim : ndarray, shape (n_rows,), bool, optional
        Rows where a short run of brighter or darker light is no flash.

    Returns
    -------
    steps : Steps
    lit : ndarray, shape (n_frames, n_rows)
        With the camera's changes of gain divided out.
    """
    dim = np.zeros(lit.shape[1], bool) if dim is None else dim
    steps = _steps(lit, noise, dim)
    gain = _gain(steps, len(lit))
    if np.abs(gain - 1).max(initial=0.0) < GAIN_MATTERS:
        return steps, lit
    lit = (lit / gain[:, None]).astype(np.float32)
    return _steps(lit, noise, dim), lit


def _gain(steps: Steps, n_frames: int) -> np.ndarray:
    """How bright a flash is about each frame, as a share of the typical one, shape (n_frames,)."""
    told = np.isfinite(steps.height)
    if told.sum() < GAIN_WINDOW:
        return np.ones(n_frames)
    usual = median_filter(steps.height[told], GAIN_WINDOW, mode="nearest")
    return np.maximum(np.interp(np.arange(n_frames), steps.frame[told], usual), 0.2)


def _steps(lit: np.ndarray, noise: float, dim: np.ndarray) -> Steps:
    # Rows whose mean quietens the noise to a quarter of the least step.
    over = max(4, int(np.ceil(2 * (4 * noise / LEAST_STEP) ** 2)))
    ramp_rows, flash_rows = _typical_ramp(lit, *_changes(lit, max(4, lit.shape[1] // 48), over))
    gap = int(np.ceil(ramp_rows / 2))
    frame, beside, up = _changes(lit, gap, over)
    real = np.array(
        [_is_from_a_level(lit[f], b, u, (gap, over)) for f, b, u in zip(frame, beside, up, strict=True)], bool
    )
    frame, beside, up = frame[real], beside[real], up[real]
    real = _stands_out(lit, frame, beside, up)
    frame, beside, up = frame[real], beside[real], up[real]
    half = round(ramp_rows) + 3
    kept = _without_specks(frame, beside, up, 2 * half) | ~_widened(dim, half)[beside]
    frame, beside, up = frame[kept], beside[kept], up[kept]
    row, height = np.full(len(frame), np.nan), np.full(len(frame), np.nan)
    for i in range(len(frame)):
        room = half
        for j in (i - 1, i + 1):
            if 0 <= j < len(frame) and frame[j] == frame[i]:
                room = min(room, abs(int(beside[j]) - int(beside[i])) // 2)
        row[i], height[i] = _placed(lit[frame[i]], int(beside[i]), (half, room), bool(up[i]))
    return Steps(frame, up, beside, row, height, ramp_rows, flash_rows)


def _changes(lit: np.ndarray, gap: int, over: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where the mean of rows below differs from that of rows above: frames, rows beside, whether it brightens.

    Compared are `over` rows on either side, `gap` rows off, so that a ramp counts in full; near the frame's sides
    fewer. Levels do not matter: a camera's tone gives a second flash less than the first.
    """
    n_rows = lit.shape[1]
    total = np.cumsum(np.pad(lit.astype(np.float64), ((0, 0), (1, 0))), axis=1)
    at = np.arange(n_rows - 1)  # the change lies between row `at` and the next

    def mean(first: np.ndarray, after: np.ndarray) -> np.ndarray:
        first, after = np.clip(first, 0, n_rows - 1), np.clip(after, 1, n_rows)
        return (total[:, after] - total[:, first]) / np.maximum(after - first, 1)

    change = mean(at + 1 + gap, at + 1 + gap + over) - mean(at + 1 - gap - over, at + 1 - gap)
    steep = np.abs(change).astype(np.float32)
    around = np.ones((1, 2 * (gap + over) + 1), np.uint8)
    found: list[tuple[int, int, bool]] = []
    for sign in (1.0, -1.0):
        same = np.where(np.sign(change) == sign, steep, 0).astype(np.float32)
        top = (same >= cv2.dilate(same, around)) & (same > LEAST_STEP)
        frames, peaks = np.nonzero(top)
        steps = zip(frames.tolist(), peaks.tolist(), strict=True)
        found += [(f, _middle(same[f], p, gap + over), sign > 0) for f, p in steps]
    # Peaks as high as each other within one stretch are one step.
    found = sorted(set(found))
    kept = [step for step, before in zip(found, [None, *found], strict=False) if not _same(step, before, gap + over)]
    frame, above, up = np.array(kept, int).reshape(-1, 3).T
    above = np.array([_crossing(lit[f], a, gap, over) for f, a in zip(frame, above, strict=True)], int)
    return frame, np.where(up > 0, above + 1, above), up > 0


def _without_specks(frame: np.ndarray, beside: np.ndarray, up: np.ndarray, rows: int) -> np.ndarray:
    """Which steps to keep: not a beginning and an end so near that neither could be placed."""
    kept = np.ones(len(frame), bool)
    for i in range(len(frame) - 1):
        if kept[i] and frame[i] == frame[i + 1] and up[i] != up[i + 1] and beside[i + 1] - beside[i] < rows:
            kept[i : i + 2] = False
    return kept


def _stands_out(lit: np.ndarray, frame: np.ndarray, beside: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Which steps between lit rows are more than the unevenness of what lies on either side up to the next step.

    Rows that a flash seldom lit, or that a hand moves up and down, look uneven under one flash.
    """
    n_rows = lit.shape[1]
    wide = max(4, round(WIDE_SHARE * n_rows))
    kept = np.ones(len(frame), bool)
    for i in range(len(frame)):
        first_below = int(beside[i]) + (0 if up[i] else 1)
        near = [int(beside[j]) for j in (i - 1, i + 1) if 0 <= j < len(frame) and frame[j] == frame[i]]
        top = max([0, first_below - wide, *(n + 1 for n in near if n < beside[i])])
        foot = min([n_rows, first_below + wide, *(n for n in near if n > beside[i])])
        above, below = lit[frame[i], top:first_below], lit[frame[i], first_below:foot]
        if min(len(above), len(below)) < 4:
            continue
        levels = np.array([median(above), median(below)])
        if levels.min() < NEITHER[1]:
            continue
        spread = 1.4826 * max(median(np.abs(p - m)) for p, m in zip((above, below), levels, strict=True))
        kept[i] = abs(levels[1] - levels[0]) > max(0.5 * LEAST_STEP, UNEVEN_SDS * spread)
    return kept


def _widened(rows: np.ndarray, by: int) -> np.ndarray:
    return cv2.dilate(rows.astype(np.uint8)[None, :], np.ones((1, 2 * by + 1), np.uint8))[0] > 0


def _is_from_a_level(row: np.ndarray, beside: int, up: bool, reach: tuple[int, int]) -> bool:
    """Whether the darker side holds no flash or one, and nothing in between: a hand that shakes brings darker metal
    where brighter was."""
    gap, over = reach
    first, last = (beside - gap - over, beside - gap - 1) if up else (beside + gap + 1, beside + gap + over)
    darker = row[max(first, 0) : max(last + 1, 0)]
    return not len(darker) or not NEITHER[0] < median(darker) < NEITHER[1]


def _crossing(row: np.ndarray, above: int, gap: int, over: int) -> int:
    """The row nearest to `above` between which and the next the light crosses the middle of the levels beside."""
    first, last = max(above - gap - over, 0), min(above + gap + over + 1, len(row) - 1)
    part = row[first : last + 1]
    n = max(1, min(over, len(part) // 3))
    middle = 0.5 * (median(part[:n]) + median(part[-n:]))
    crossings = np.flatnonzero(np.diff(part > middle))
    return above if not len(crossings) else first + int(crossings[np.argmin(np.abs(first + crossings - above))])


def _same(step: tuple[int, int, bool], before: tuple[int, int, bool] | None, within: int) -> bool:
    return before is not None and (before[0], before[2]) == (step[0], step[2]) and step[1] - before[1] <= within


def _middle(steep: np.ndarray, peak: int, within: int) -> int:
    """Middle of the stretch about a peak that is at least half as steep: the comparison of means is symmetric."""
    first, last = peak, peak
    half = 0.5 * steep[peak]
    while first > max(0, peak - within) and steep[first - 1] > half:
        first -= 1
    while last < min(len(steep) - 1, peak + within) and steep[last + 1] > half:
        last += 1
    return round(0.5 * (first + last))


def _typical_ramp(lit: np.ndarray, frame: np.ndarray, beside: np.ndarray, up: np.ndarray) -> tuple[float, float]:
    """Rows that an edge takes to rise, from up to 400 of them: whole rows on either side, and between rows.

    The light some rows inside of an edge, less that as many outside, grows with their number until the ramp is spanned.
    """
    n_rows = lit.shape[1]
    ramps, finer = [], []
    for i in range(0, len(frame), max(1, len(frame) // 400)):
        edge, inward = int(beside[i]), 1 if up[i] else -1
        room = [abs(int(beside[j]) - edge) for j in (i - 1, i + 1) if 0 <= j < len(frame) and frame[j] == frame[i]]
        reach = min([LONGEST_RAMP_ROWS, *(r // 2 for r in room)])
        if not reach <= edge < n_rows - reach or reach < 4:
            continue
        k = np.arange(1, reach)
        # The edge lies between the first lit row and the one outside of it.
        across = lit[frame[i]][edge + inward * (k - 1)] - lit[frame[i]][edge - inward * k]
        most = float(across.max())
        if most > 0.3:
            spans = int(np.argmax(across >= RAMP_SHARE * most))
            ramps.append(k[spans] / (0.5 * RAMP_SHARE))
            # Half a row on either side is the edge itself: there is no difference yet.
            before = across[spans - 1] if spans else -across[0]
            part = (RAMP_SHARE * most - before) / (across[spans] - before)
            finer.append((2 * (k[spans] - 1 + part) - 1) / RAMP_SHARE)
    return (max(2.0, median(np.array(ramps))), median(np.array(finer))) if ramps else (2.0, 0.0)


def _placed(row: np.ndarray, beside: int, reach: tuple[int, int], up: bool) -> tuple[float, float]:
    """Where the ramp's area is halved, in rows (edges between rows lie at the half), and its height; NaN where the
    frame cuts it."""
    half, room = reach
    if beside - half < 1 or beside + half > len(row) - 2:
        return float("nan"), float("nan")
    if room < half:
        # Another step is too near for an area: between the two rows where the light crosses.
        return (beside - 0.5 if up else beside + 0.5), float("nan")
    window = row[beside - half : beside + half + 1].astype(float)
    # The levels' own noise counts once for every row of the window: told from as many rows as lie beside a ramp.
    n = max(3, half // 4)
    outside, inside = (window[:n], window[-n:]) if up else (window[-n:], window[:n])
    low, high = median(outside), median(inside)
    if high - low < SURE_STEP:
        return float("nan"), high - low
    area = float(np.clip((window - low) / (high - low), -0.5, 1.5).sum())
    return (beside + half + 0.5 - area if up else beside - half - 0.5 + area), high - low
