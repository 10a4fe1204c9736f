"""Bands of lit rows to flashes: when each was, and which rows of which frames show it.

In:  `Bands`, and the frames' times.
Out: `Flashes`, with the sensor's line time and exposure.
Not here: what the flash shows; crank speed.

Row r of frame n is exposed from t_n + r·L for E seconds, so a flash at s begins its band at row (s − E − t_n)/L and
ends it at row (s − t_n)/L. The height of a whole band is E/L. A flash that lights the foot of one frame and the head
of the
next gives L at once. Everywhere, L must make the flashes of an engine that turns smoothly come evenly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import Bands
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.evenness import line_time_from_evenness

# Our choice of bounds: published read-outs are 10 to 65 µs a line of the sensor at 30 fps, down to a few µs at 240 fps.
MIN_LINE_TIME_S = 1e-6
LEAST_READOUT = 0.1  # our choice: of the frame period; faster sensors hardly roll
MIN_FLASHES = 12  # our choice: fewer say nothing about a curve


@dataclass(frozen=True, slots=True, eq=False)
class Flashes:
    """Every flash of a clip, in time order, and the pieces of frames that show them.

    Flashes: arrays of shape (n_flashes,). Pieces, in order of flash: shape (n_pieces,); most flashes have one, a flash
    that fell across two frames has two. `line_time_s` is None where frames were lit whole, without edges.
    """

    time_s: np.ndarray
    time_sd_s: np.ndarray
    piece_of: np.ndarray
    piece_frame: np.ndarray
    piece_first: np.ndarray  # first and last row lit in full
    piece_last: np.ndarray
    line_time_s: float | None
    line_time_sd_s: float
    exposure_s: float | None
    ramp_s: float
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.time_s.shape != self.time_sd_s.shape:
            raise ValueError(f"one sd a time: {self.time_s.shape}, {self.time_sd_s.shape}")
        if np.any(np.diff(self.time_s) < 0):
            raise ValueError("flashes are not in time order")
        for column in (self.time_s, self.time_sd_s, self.piece_of, self.piece_frame, self.piece_first, self.piece_last):
            column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True)
class Shutter:
    """The sensor's line time and exposure, with how well the first is known."""

    line_time_s: float
    line_time_sd_s: float
    exposure_s: float


def find_flashes(
    bands: Bands, clock: FrameClock, line_time_s: float | None = None, exposure_s: float | None = None
) -> Flashes:
    """Times of all flashes, and the rows that show them.

    Parameters
    ----------
    bands : Bands
        Lit runs of rows.
    clock : FrameClock
        Times of the frames.
    line_time_s, exposure_s : float, optional
        Where the user knows them; else they are found from the bands.

    Raises
    ------
    CannotMeasure
        If there are too few flashes.
    """
    if len(bands) < MIN_FLASHES:
        raise CannotMeasure(
            found=f"{len(bands)} flashes", expected=f"at least {MIN_FLASHES}",
            do="film for longer, with the strobe on the marks all the time",
        )  # fmt: skip
    time_s = clock.time_s
    edged = np.isfinite(bands.start_row) | np.isfinite(bands.end_row)
    if edged.mean() < 0.3:
        return _whole_frames(bands, time_s, exposure_s)
    shutter = _shutter(bands, time_s, line_time_s, exposure_s)
    return _timed(bands, time_s, shutter, clock.jitter_s if not clock.regular else 0.0)


def _shutter(bands: Bands, time_s: np.ndarray, line_time_s: float | None, exposure_s: float | None) -> Shutter:
    period_s = float(np.median(np.diff(time_s)))
    height = bands.end_row - bands.start_row
    whole = height[np.isfinite(height)]
    rows = float(np.median(whole)) if len(whole) >= 3 else None
    longest_s = period_s / bands.n_rows  # a frame must be read before the next one begins
    straddle = _straddling(bands)
    if line_time_s is not None:
        given = line_time_s
        exposure = exposure_s or (rows * given if rows else _exposure_across(bands, straddle, time_s, given))
        return Shutter(given, 0.002 * given, exposure)
    low = max(MIN_LINE_TIME_S, LEAST_READOUT * longest_s)

    def event_times(line_s: float) -> np.ndarray:
        exposure = exposure_s or (rows * line_s if rows else _exposure_across(bands, straddle, time_s, line_s))
        return _merged(bands, time_s, Shutter(line_s, 0.0, exposure))[0]

    found, sd = line_time_from_evenness(event_times, (low, 1.01 * longest_s))
    if sd > 0.02 * found and rows is not None and len(straddle) >= 3:
        # Flashes too uneven or too seldom: those that lie across two frames still tell, if they agree.
        step_s = time_s[bands.frame[straddle + 1]] - time_s[bands.frame[straddle]]
        each = step_s / np.maximum(rows + bands.start_row[straddle] - bands.end_row[straddle + 1], 1.0)
        spread = 1.4826 * float(np.median(np.abs(each - np.median(each))))
        if spread < 0.02 * found and low < np.median(each) < 1.01 * longest_s:
            found, sd = float(np.median(each)), max(spread / np.sqrt(len(each)), 0.002 * found)
    exposure = exposure_s or (rows * found if rows else _exposure_across(bands, straddle, time_s, found))
    return Shutter(found, sd, exposure)


def _straddling(bands: Bands) -> np.ndarray:
    """Indices of bands cut by the foot of their frame and followed by one cut by the head of the next frame."""
    i = np.arange(len(bands) - 1)
    next_frame = bands.frame[1:] == bands.frame[:-1] + 1
    cut = np.isfinite(bands.start_row[:-1]) & np.isnan(bands.end_row[:-1])
    cut &= np.isnan(bands.start_row[1:]) & np.isfinite(bands.end_row[1:])
    return i[next_frame & cut]


def _exposure_across(bands: Bands, straddle: np.ndarray, time_s: np.ndarray, line_time_s: float) -> float:
    """Exposure from flashes across two frames, where no band was seen whole."""
    if not len(straddle):
        return bands.n_rows * line_time_s
    step_s = time_s[bands.frame[straddle + 1]] - time_s[bands.frame[straddle]]
    rows = bands.start_row[straddle] - bands.end_row[straddle + 1]
    return max(float(np.median(step_s - rows * line_time_s)), line_time_s)


def _merged(bands: Bands, time_s: np.ndarray, shutter: Shutter) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Flash times, which flash each band belongs to, and how many edges each time rests on."""
    base = time_s[bands.frame]
    by_start = base + bands.start_row * shutter.line_time_s + shutter.exposure_s
    by_end = base + bands.end_row * shutter.line_time_s
    edges = np.isfinite(by_start).astype(int) + np.isfinite(by_end).astype(int)
    each = np.where(np.isfinite(by_start), by_start, 0.0) + np.where(np.isfinite(by_end), by_end, 0.0)
    each /= np.maximum(edges, 1)
    # Two bands are one flash where they stand at the foot of a frame and the head of the next and agree in time.
    tolerance_s = 0.25 * shutter.exposure_s + 20 * shutter.line_time_s
    # A band that fills its frame has no edge: somewhere between its last row's opening and its first row's closing.
    blind = edges == 0
    each[blind] = base[blind] + 0.5 * (bands.n_rows * shutter.line_time_s + shutter.exposure_s)
    same = np.zeros(len(bands), bool)
    same[1:] = (bands.frame[1:] == bands.frame[:-1] + 1) & (np.abs(np.diff(each)) < tolerance_s)
    same[1:] &= np.isnan(bands.start_row[1:]) & np.isnan(bands.end_row[:-1])
    flash = np.cumsum(~same) - 1
    weight = np.maximum(edges, 1e-3)
    total = np.bincount(flash, weight)
    when = np.bincount(flash, weight * each) / total
    return when, flash, np.bincount(flash, edges).astype(int)


def _timed(bands: Bands, time_s: np.ndarray, shutter: Shutter, stamp_sd_s: float) -> Flashes:
    when, flash, edges = _merged(bands, time_s, shutter)
    edge_sd_s = bands.row_sd * shutter.line_time_s
    blind_sd_s = abs(shutter.exposure_s - bands.n_rows * shutter.line_time_s) / np.sqrt(12) + edge_sd_s
    sd = np.where(edges > 0, edge_sd_s / np.sqrt(np.maximum(edges, 1)), blind_sd_s)
    # A line time that is off moves flashes by their distance from the middle row, early or late.
    seen_row = np.bincount(flash, bands.inner_first + bands.inner_last) / (2 * np.bincount(flash))
    sd = np.sqrt(sd**2 + stamp_sd_s**2 + (shutter.line_time_sd_s * (seen_row - bands.n_rows / 2)) ** 2)
    order = np.argsort(when, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    pieces = np.lexsort((bands.inner_first, bands.frame, rank[flash]))
    tall = (bands.inner_last - bands.inner_first)[pieces] >= 2
    pieces = pieces[tall]
    warnings = []
    if shutter.line_time_sd_s > 0.02 * shutter.line_time_s:
        warnings.append(
            "The clip does not tell the sensor's line time well "
            f"({shutter.line_time_s * 1e6:.1f} ± {shutter.line_time_sd_s * 1e6:.1f} µs): rpm is less certain. "
            "Give --line-time, or change the speed while filming."
        )
    return Flashes(
        when[order], sd[order], rank[flash][pieces], bands.frame[pieces], bands.inner_first[pieces],
        bands.inner_last[pieces], shutter.line_time_s, shutter.line_time_sd_s, shutter.exposure_s,
        bands.ramp_rows * shutter.line_time_s, tuple(warnings),
    )  # fmt: skip


def _whole_frames(bands: Bands, time_s: np.ndarray, exposure_s: float | None) -> Flashes:
    """Frames lit whole: a flash's time is known to about the exposure only."""
    period_s = float(np.median(np.diff(time_s)))
    sd = np.full(len(bands), (exposure_s or period_s) / np.sqrt(12))
    return Flashes(
        time_s[bands.frame] + 0.5 * (exposure_s or period_s), sd, np.arange(len(bands)), bands.frame, bands.inner_first,
        bands.inner_last, None, 0.0, exposure_s, 0.0,
        ("Flashes light whole frames, so each is timed to a frame only: give the speed with --rpm, or film with a "
         "shorter exposure.",),
    )  # fmt: skip
