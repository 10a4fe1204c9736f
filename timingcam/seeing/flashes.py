"""Bands of lit rows to flashes: when each was, and which rows of which frames show it.

In:  `Bands`, and the frames' times.
Out: `Flashes`, with the sensor's line time and exposure.
Not here: what the flash shows; crank speed.

Row r of frame n is exposed from t_n + r·L for E seconds, so a flash at s begins its band at row (s − E − t_n)/L and
ends it at row (s − t_n)/L. The height of a whole band is E/L. A flash that lights the foot of one frame and the head
of the next gives L at once. Everywhere, L must make the flashes of an engine that turns smoothly come evenly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.optimize import minimize_scalar

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import Bands
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.evenness import line_time_from_evenness, sd_by_evenness, unevenness
from timingcam.seeing.exposure import ALIKE_ROWS, as_if_exposed_alike, missing_across, pairs_across

# Our choice of bounds: published read-outs are 10 to 65 µs a line of the sensor at 30 fps, down to a few µs at 240 fps.
MIN_LINE_TIME_S = 1e-6
LEAST_READOUT = 0.1  # our choice: of the frame period; faster sensors hardly roll
N_SHARES = 9
# Our choice: trials of the longest line time; of bands that must go on in the frame beside, and are faint or hidden.
N_LONGEST, MOST_MISSING = 120, 0.5
AS_GOOD = 2 * np.log(1.5)  # our choice, of the unevenness: a misfit half as large again
MIN_FLASHES = 12  # our choice: fewer say nothing about a curve


@dataclass(frozen=True, slots=True, eq=False)
class Flashes:
    """Every flash of a clip, in time order, and the pieces of frames that show them.

    Flashes: arrays of shape (n_flashes,). Pieces, in order of flash: shape (n_pieces,); most flashes have one, a flash
    that fell across two frames has two. `line_time_s` is None where frames were lit whole, without edges.
    `ramp_s` is within which an edge surely rises; `length_s` how long a flash lasted, a line's time at least, None
    where no edge tells.
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
    length_s: float | None = None

    def __post_init__(self) -> None:
        if self.time_s.shape != self.time_sd_s.shape:
            raise ValueError(f"one sd a time: {self.time_s.shape}, {self.time_sd_s.shape}")
        if np.any(np.diff(self.time_s) < 0):
            raise ValueError("flashes are not in time order")
        for column in (self.time_s, self.time_sd_s, self.piece_of, self.piece_frame, self.piece_first, self.piece_last):
            column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.time_s)

    def first_pieces(self) -> np.ndarray:
        """The first piece of each flash, as an index, shape (n_flashes,); -1 where no row was lit in full."""
        first = np.full(len(self), -1)
        first[self.piece_of[::-1]] = np.arange(len(self.piece_of))[::-1]
        return first

    def rate_hz(self) -> np.ndarray:
        """How fast flashes come about each, a second, shape (n_flashes,)."""
        apart = np.diff(self.time_s)
        # A flash that was missed makes one of the two gaps about it twice as long.
        gaps = np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf))
        return 1.0 / np.maximum(gaps, 1e-6)


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
    bands = as_if_exposed_alike(bands, time_s)
    edged = np.isfinite(bands.start_row) | np.isfinite(bands.end_row)
    if edged.mean() < 0.3:
        return _whole_frames(bands, time_s, exposure_s)
    shutter = _shutter(bands, time_s, line_time_s, exposure_s)
    return _timed(bands, time_s, shutter, clock.time_sd_s)


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
    if exposure_s is None and rows is None and not len(straddle[0]):
        return _between_read_outs(bands, time_s, (low, longest_s))

    def exposure_at(line_s: float) -> float:
        return exposure_s or (rows * line_s if rows else _exposure_across(bands, straddle, time_s, line_s))

    high = _longest_possible(bands, time_s, (low, 1.01 * longest_s), exposure_at)
    found, sd = line_time_from_evenness(_sighted(bands, time_s, exposure_at), (low, high))
    foot, head = straddle
    if sd > 0.02 * found and rows is not None and len(foot) >= 3:
        # Flashes too uneven or too seldom: those that lie across two frames still tell, if they agree.
        step_s = time_s[bands.frame[head]] - time_s[bands.frame[foot]]
        each = step_s / np.maximum(rows + bands.start_row[foot] - bands.end_row[head], 1.0)
        spread = 1.4826 * float(np.median(np.abs(each - np.median(each))))
        if spread < 0.02 * found and low < np.median(each) < 1.01 * longest_s:
            found, sd = float(np.median(each)), max(spread / np.sqrt(len(each)), 0.002 * found)
    shutter = Shutter(found, sd, exposure_at(found))
    if exposure_s is None and rows is None and sd > 0.02 * found:
        # Of several flashes in each frame, some end and begin as if they went on from one frame to the next.
        return min((shutter, _between_read_outs(bands, time_s, (low, longest_s))), key=partial(_uneven, bands, time_s))
    return shutter


def _uneven(bands: Bands, time_s: np.ndarray, shutter: Shutter) -> float:
    """How unevenly the flashes come with a line time and an exposure."""
    cost = unevenness([np.sort(_sighted(bands, time_s, lambda _: shutter.exposure_s)(shutter.line_time_s))])[0]
    return float(np.nan_to_num(cost, nan=np.inf))


def _longest_possible(
    bands: Bands, time_s: np.ndarray, bounds_s: tuple[float, float], exposure_at: Callable[[float], float]
) -> float:
    """The longest line time at which bands go on in the frame beside as they must: the longer, the more of them."""
    trials = np.linspace(*bounds_s, N_LONGEST)
    missing = [missing_across(bands, time_s, line_s, exposure_at(line_s)) > MOST_MISSING for line_s in trials]
    first = int(np.argmax(missing))
    return float(trials[first - 1]) if any(missing) and first > 0 else bounds_s[1]


def _sighted(bands: Bands, time_s: np.ndarray, exposure_at: Callable[[float], float]) -> Callable[[float], np.ndarray]:
    """Times of all flashes of which an edge was seen, as a function of the line time."""

    def event_times(line_s: float) -> np.ndarray:
        when, _, edges = _merged(bands, time_s, Shutter(line_s, 0.0, exposure_at(line_s)))
        return when[edges > 0]

    return event_times


def _between_read_outs(bands: Bands, time_s: np.ndarray, bounds_s: tuple[float, float]) -> Shutter:
    """Line time and exposure where no band was seen whole nor across two frames: those that make flashes come evenly.

    The exposure is then longer than a frame's read-out, and shorter than what is left of the frame's period after it.
    """
    low, longest_s = bounds_s
    period_s = longest_s * bands.n_rows

    def exposure_of(share: float, line_s: float) -> float:
        readout_s = bands.n_rows * line_s
        return readout_s + share * max(period_s - 2 * readout_s, 0.0)

    def tried(share: float) -> tuple[float, float, float]:
        event_times = _sighted(bands, time_s, lambda line_s: exposure_of(share, line_s))
        line_s, sd = line_time_from_evenness(event_times, (low, 0.55 * longest_s))
        return float(unevenness([np.sort(event_times(line_s))])[0]), line_s, sd

    shares = np.linspace(0.0, 1.0, N_SHARES)
    tries = np.array([tried(share) for share in shares])
    if not np.isfinite(tries[:, 0]).any():
        return Shutter(0.5 * longest_s, 0.3 * longest_s, 0.5 * period_s)
    best = int(np.nanargmin(tries[:, 0]))
    as_good = tries[:, 0] <= tries[best, 0] + AS_GOOD
    around = (shares[max(best - 1, 0)], shares[min(best + 1, N_SHARES - 1)])
    share = float(minimize_scalar(lambda s: tried(s)[0], bounds=around, method="bounded", options={"xatol": 3e-4}).x)
    _, line_s, sd = tried(share)
    sd = max(sd, float(np.std(tries[as_good, 1])))  # a steady engine in step with the frames leaves both open
    return Shutter(line_s, sd, exposure_of(share, line_s))


def _straddling(bands: Bands) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of bands, one cut by the foot of its frame and one by the head of the next, that may be one flash.

    Where several flashes light a frame, not all pairs of neighbours are: those are, by far the most, whose rows between
    beginning and end are about the same in number.
    """
    foot, head, rows = pairs_across(bands)
    if not len(rows):
        return foot, head
    within, ordered = ALIKE_ROWS * bands.n_rows + bands.ramp_rows, np.sort(rows)
    alike = np.searchsorted(ordered, rows + within, "left") - np.searchsorted(ordered, rows - within, "right")
    usual = rows[int(np.argmax(alike))]
    near = np.abs(rows - usual) < within
    return foot[near], head[near]


def _exposure_across(
    bands: Bands, straddle: tuple[np.ndarray, np.ndarray], time_s: np.ndarray, line_time_s: float
) -> float:
    """Exposure from flashes across two frames, where no band was seen whole."""
    foot, head = straddle
    if not len(foot):
        return bands.n_rows * line_time_s
    step_s = time_s[bands.frame[head]] - time_s[bands.frame[foot]]
    rows = bands.start_row[foot] - bands.end_row[head]
    return max(float(np.median(step_s - rows * line_time_s)), line_time_s)


def _merged(bands: Bands, time_s: np.ndarray, shutter: Shutter) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Flash times, which flash each band belongs to, and how many edges each time rests on."""
    base = time_s[bands.frame]
    by_start = base + bands.start_row * shutter.line_time_s + shutter.exposure_s
    by_end = base + bands.end_row * shutter.line_time_s
    edges = np.isfinite(by_start).astype(int) + np.isfinite(by_end).astype(int)
    each = np.where(np.isfinite(by_start), by_start, 0.0) + np.where(np.isfinite(by_end), by_end, 0.0)
    each /= np.maximum(edges, 1)
    # A band that fills its frame has no edge: somewhere between its last row's opening and its first row's closing.
    blind = edges == 0
    each[blind] = base[blind] + 0.5 * (bands.n_rows * shutter.line_time_s + shutter.exposure_s)
    # Two bands are one flash where they stand at the foot of a frame and the head of the next and agree in time.
    tolerance_s = 0.25 * shutter.exposure_s + 20 * shutter.line_time_s
    order = np.argsort(each, kind="stable")
    one, other = order[:-1], order[1:]
    swap = bands.frame[one] > bands.frame[other]
    one, other = np.where(swap, other, one), np.where(swap, one, other)
    same = (bands.frame[other] == bands.frame[one] + 1) & (np.abs(each[other] - each[one]) < tolerance_s)
    same &= np.isnan(bands.start_row[other]) & np.isnan(bands.end_row[one])
    same &= (edges[one] > 0) & (edges[other] > 0)
    same[1:] &= ~same[:-1]  # a flash lies across two frames, never three: they are not read that slowly
    flash = np.empty(len(bands), int)
    flash[order] = np.cumsum(np.r_[True, ~same]) - 1
    weight = np.maximum(edges, 1e-3)
    total = np.bincount(flash, weight)
    when = np.bincount(flash, weight * each) / total
    return when, flash, np.bincount(flash, edges).astype(int)


def _timed(bands: Bands, time_s: np.ndarray, shutter: Shutter, stamp_sd_s: float) -> Flashes:
    when, flash, edges = _merged(bands, time_s, shutter)
    if stamp_sd_s > 0:
        # Stamps that wander may be right: then the flashes come evenly by them.
        stamp_sd_s = min(stamp_sd_s, sd_by_evenness(np.sort(when[edges > 0])))
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
        bands.ramp_rows * shutter.line_time_s, tuple(warnings), max(bands.flash_rows, 1.0) * shutter.line_time_s,
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
