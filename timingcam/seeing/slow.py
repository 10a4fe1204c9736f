"""A rotor turned by hand in steady light: its angle in every frame.

In:  a clip without a strobe.
Out: `Turning`: where the rotor stands, its maps with the shutter's skew taken out, its turn frame by frame;
     `read_frames`, some frames read as finely as can be.
Not here: the lamp (`lamp.py`), the names of marks (`marks.py`), crank angles.

All rows of a frame show the rotor at different instants. Angles are given for the time at which the row of the rotor's
centre was read: `time_s` of the frame and `row·line time` more; the half exposure that all frames share is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn, turned
from timingcam.seeing.clip import ClipInfo, Frame, frames
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.marks import Maps, maps_of
from timingcam.seeing.pose import Pose
from timingcam.seeing.register import Shift, register
from timingcam.seeing.rings import find_rings
from timingcam.seeing.skew import (
    LineTime,
    Skew,
    coarse_grid,
    effective_row,
    line_time_from,
    rows_of_cells,
    skewed,
    usual_line_time,
    weight_of_cells,
)
from timingcam.seeing.steady import Reader, reader_of, whole_picture
from timingcam.seeing.strips import Grid, Sampler, even_out, make_sampler, unwrap
from timingcam.seeing.sweep import Sweep
from timingcam.seeing.turning_pose import Guess, guesses, pose_of_turning
from timingcam.seeing.view import CENTRE_SD, View, find_view

MIN_MATCH = 0.45  # our choice: below this the frame hardly looks like the rotor
LOST_SHARE = 0.75  # our choice: of the usual match; what matches less may have locked on to a wrong angle
SPEED_FRAMES = 3  # to either side, for the speed of turning
MOST_SKEWED = 40  # our choice: frames in which the skew is measured
LEAST_SKEW_DEG_S = 6.0
DO_SLOW = (
    "film square-on in even, bright light with the whole rotor, the index and the marks in view, the phone held still "
    "or on a stand, and turn the engine slowly by hand"
)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The rotor's turn in every frame, arrays of shape (n_frames,): unwrapped degrees, clockwise in the picture.

    NaN where it could not be read. `speed_deg_s` is its slope. `shifts` lays the reference picture on each frame, None
    where it could not be laid.
    """

    time_s: np.ndarray
    turn_deg: np.ndarray
    sd_deg: np.ndarray
    speed_deg_s: np.ndarray
    shifts: tuple[Shift | None, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """All that is known of the rotor: `view`, its pose and maps without skew; `reader`, the map to read by."""

    info: ClipInfo
    clock: FrameClock
    light: FlashLight
    view: View
    track: Track
    line_time: LineTime
    reader: Reader

    def maps(self, turns_deg: np.ndarray, sense: int) -> Maps:
        """The maps on which marks are looked for, the rotor's as it stands at turn 0 of the fine reading."""
        return replace(maps_of(self.view, sense), turns_deg=np.asarray(turns_deg, float))


@dataclass(frozen=True, slots=True, eq=False)
class FineTurns:
    """Frames read finely, shape (n,): number, turn (degrees, not unwrapped), its sd, and the row it depends on."""

    frame: np.ndarray
    turn_deg: np.ndarray
    sd_deg: np.ndarray
    row: np.ndarray


def view_of_sweep(light: FlashLight, seen: Sweep, centre_px: np.ndarray | None = None) -> View:
    """Find the rotor from the frames kept.

    Parameters
    ----------
    light : FlashLight
    seen : Sweep
    centre_px : ndarray, shape (2,), optional
        The user's own idea of the rotor's centre, stored pixels.

    Raises
    ------
    CannotMeasure
        If no rotor is found that turns.
    """
    lit = [LitPicture(f.luma, f.number, k, 0, f.luma.shape[0] - 1) for k, f in enumerate(seen.kept)]
    try:
        return find_view(light, lit, centre_px)
    except CannotMeasure as fault:
        raise CannotMeasure(
            found=fault.found, expected=fault.expected, do=DO_SLOW + ", or give --centre X,Y"
        ) from fault


def follow(
    info: ClipInfo,
    light: FlashLight,
    scene: tuple[View, Sweep],
    clock: FrameClock,
    progress: Callable[[int], None] | None = None,
) -> Turning:
    """Follow the rotor through the whole clip, then measure the shutter's skew and take it out of the maps.

    Parameters
    ----------
    info : ClipInfo
    light : FlashLight
    scene : (View, Sweep)
        Where the rotor stands, and the frames that it was found in.
    clock : FrameClock
    progress : callable, optional
        Told the number of frames seen so far.

    Returns
    -------
    Turning

    Raises
    ------
    CannotMeasure
        If the rotor can be read in less than half of the frames.
    """
    view, seen = scene
    pictures = _laid(view, light, seen.kept)
    track = _track(_Follower(view, light, pictures), info, clock, progress)
    turning = Turning(info, clock, light, view, track, usual_line_time(clock.period_s, info.height), _NO_READER)
    tried = guesses(view.pose, find_rings(view.mean, np.ones(view.mean.shape, bool)))
    turning, guess = _with_pose(turning, pictures, tried)
    line_time = _measured_line_time(turning)
    return _with_pose(replace(turning, line_time=line_time), pictures, [guess])[0]


def read_frames(turning: Turning, numbers: Iterable[int]) -> FineTurns:
    """Read some frames finely, the skew taken out.

    Parameters
    ----------
    turning : Turning
    numbers : iterable of int
        Frame numbers.

    Returns
    -------
    FineTurns
        Frames that can be read, in time order.
    """
    wanted = sorted(set(numbers))
    sampler = make_sampler(turning.reader.rotor.grid, turning.view.pose)
    found: list[tuple[int, float, float, float]] = []
    for frame in _frames_of(turning.info, wanted):
        read = _read_finely(turning, sampler, frame)
        if read is not None:
            found.append((frame.number, *read))
    columns = np.array(found, float).reshape(-1, 4).T
    return FineTurns(columns[0].astype(int), columns[1], columns[2], columns[3])


def near(fine: FineTurns, numbers: Iterable[int]) -> FineTurns:
    """Those of some frame numbers."""
    some = np.isin(fine.frame, list(numbers))
    return FineTurns(fine.frame[some], fine.turn_deg[some], fine.sd_deg[some], fine.row[some])


def in_step(turning: Turning, fine: FineTurns) -> np.ndarray:
    """Fine turns unwrapped as the track is: each the number of whole turns further that the track says.

    Parameters
    ----------
    turning : Turning
    fine : FineTurns

    Returns
    -------
    ndarray, shape (n,)
        Degrees; the zero is the fine reading's own, that of the maps.
    """
    track = turning.track.turn_deg[fine.frame]
    apart = np.radians(fine.turn_deg - track)
    apart = apart[np.isfinite(apart)]
    if len(apart) == 0:
        return fine.turn_deg.copy()
    # Both zeros are a constant apart, the same in all frames.
    zero = np.degrees(np.angle(np.exp(1j * apart).mean()))
    turns = np.round((track + zero - fine.turn_deg) / 360.0)
    return fine.turn_deg + 360.0 * np.nan_to_num(turns)


def speeds(time_s: np.ndarray, turn_deg: np.ndarray, reach: int = SPEED_FRAMES) -> np.ndarray:
    """Slope of a straight line through each value and its neighbours, NaN left out, degrees a second."""
    result = np.full(len(time_s), np.nan)
    for i in range(len(time_s)):
        near = slice(max(0, i - reach), i + reach + 1)
        t, y = time_s[near], turn_deg[near]
        good = np.isfinite(y)
        if good.sum() >= 3:
            t, y = t[good] - t[good].mean(), y[good] - y[good].mean()
            result[i] = float((t * y).sum() / (t * t).sum())
    return result


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """A kept picture with its shift."""

    number: int
    picture: np.ndarray
    shift: Shift


def _laid(view: View, light: FlashLight, kept: Iterable[Frame]) -> list[_Laid]:
    result = []
    for frame in kept:
        picture = whole_picture(light, frame.luma)
        shift = register(view.reference, picture, (0, picture.shape[0] - 1))
        if shift is not None:
            result.append(_Laid(frame.number, picture, shift))
    return result


def _strip(sampler: Sampler, picture: np.ndarray, shift: Shift, skew: Skew) -> tuple[np.ndarray, np.ndarray]:
    strip, known = unwrap(skewed(sampler, shift, skew), picture, shift, (0, picture.shape[0] - 1))
    return even_out(strip, known, sampler.grid)


class _Follower:
    """Reads the turn of one frame after another on a coarse map, each near to where the ones before lead."""

    def __init__(self, view: View, light: FlashLight, pictures: list[_Laid]) -> None:
        self.view, self.light = view, light
        grid = coarse_grid(view.rotor.grid)
        self.sampler = make_sampler(grid, view.pose)
        self.still = Skew(0.0, 0.0)
        strips = [_strip(self.sampler, p.picture, p.shift, self.still) for p in pictures]
        self.reader = reader_of(grid, [s for s, _ in strips], [k for _, k in strips], CENTRE_SD)
        self.shift: Shift | None = None
        self.usual_match = 1.0

    def read(self, frame: Frame, near_deg: float | None) -> tuple[Turn | None, Shift | None]:
        """The turn, and where the frame lies."""
        picture = whole_picture(self.light, frame.luma)
        rows = (0, picture.shape[0] - 1)
        shift = register(self.view.reference, picture, rows, self.shift)
        if shift is None and self.shift is not None:
            shift = register(self.view.reference, picture, rows)
        self.shift = shift
        if shift is None:
            return None, None
        strip, known = _strip(self.sampler, picture, shift, self.still)
        turn = None if near_deg is None else self.reader.turn(strip, known, near_deg)
        if turn is None or turn.match < LOST_SHARE * self.usual_match:
            turn = self.reader.turn(strip, known)
        if turn is None or turn.match < MIN_MATCH:
            return None, shift
        self.usual_match += 0.1 * (turn.match - self.usual_match)
        return turn, shift


def _track(follower: _Follower, info: ClipInfo, clock: FrameClock, progress: Callable[[int], None] | None) -> Track:
    n = len(clock.time_s)
    turn, sd = np.full(n, np.nan), np.full(n, np.nan)
    shifts: list[Shift | None] = [None] * n
    for frame in frames(info):
        i = frame.number
        if i >= n:
            break
        led = _led_to(clock.time_s, turn, i)
        found, shifts[i] = follower.read(frame, None if led is None else (led + 180) % 360 - 180)
        if found is not None:
            turn[i] = found.deg if led is None else led + (found.deg - led + 180) % 360 - 180
            sd[i] = found.sd_deg
        if progress is not None:
            progress(i + 1)
    if np.isfinite(turn).mean() < 0.5:
        raise CannotMeasure(
            found=f"a rotor that can be read in {np.isfinite(turn).mean():.0%} of the frames",
            expected="at least half", do=DO_SLOW,
        )  # fmt: skip
    return Track(clock.time_s, turn, sd, speeds(clock.time_s, turn), tuple(shifts))


def _led_to(time_s: np.ndarray, turn: np.ndarray, i: int) -> float | None:
    """Where the last few turns lead to at frame i."""
    back = np.flatnonzero(np.isfinite(turn[max(0, i - 8) : i])) + max(0, i - 8)
    if len(back) == 0:
        earlier = np.flatnonzero(np.isfinite(turn[:i]))
        return float(turn[earlier[-1]]) if len(earlier) else None
    last = back[-1]
    if len(back) < 3:
        return float(turn[last])
    # The last two steps: a hand may stop within a few frames.
    slope = (turn[last] - turn[back[-3]]) / (time_s[last] - time_s[back[-3]])
    return float(turn[last] + slope * (time_s[i] - time_s[last]))


def _skew_of(turning: Turning, number: int) -> Skew:
    speed = turning.track.speed_deg_s[number] if number < len(turning.track.speed_deg_s) else 0.0
    shift = turning.track.shifts[number] if number < len(turning.track.shifts) else None
    centre = turning.view.pose.centre_px
    row = float(shift.apply(centre)[1]) if shift is not None else float(centre[1])
    return Skew(float(np.nan_to_num(speed)) * turning.line_time.line_time_s, row)


def _with_pose(turning: Turning, pictures: list[_Laid], tried: list[Guess]) -> tuple[Turning, Guess]:
    """Pose and maps anew from the kept pictures, the skew taken out."""
    skews = [_skew_of(turning, p.number) for p in pictures]

    def strips_of(pose: Pose, grid: Grid) -> tuple[list[np.ndarray], list[np.ndarray]]:
        sampler = make_sampler(grid, pose)
        pairs = [_strip(sampler, p.picture, p.shift, s) for p, s in zip(pictures, skews, strict=True)]
        return [strip for strip, _ in pairs], [known for _, known in pairs]

    view, fine = turning.view, turning.view.rotor.grid
    some = Grid(fine.radii[::2], fine.n_angles)
    pose, covariance, guess = pose_of_turning(view.pose, some, lambda trial: strips_of(trial, some), tried)
    lights, seen = strips_of(pose, fine)
    reader = reader_of(fine, lights, seen, CENTRE_SD)
    turns = [reader.turn(strip, known) for strip, known in zip(lights, seen, strict=True)]
    usable = [i for i, turn in enumerate(turns) if turn is not None and turn.match >= MIN_MATCH]
    strips, knowns = strips_of(pose, view.wide)
    back = [-turns[i].deg for i in usable]  # type: ignore[union-attr]
    on_wide = _mean(
        [turned(strips[i] * knowns[i], deg) for i, deg in zip(usable, back, strict=True)],
        [np.clip(turned(knowns[i].astype(np.float32), deg), 0.0, 1.0) for i, deg in zip(usable, back, strict=True)],
    )
    wide = make_sampler(view.wide, pose)
    still = [_strip(wide, p.picture, p.shift, Skew(0.0, 0.0)) for p in pictures]
    still_strip = _mean([strip * known for strip, known in still], [known.astype(np.float32) for _, known in still])
    view = replace(
        view, pose=pose, pose_covariance=covariance, rotor=reader.rotor, rotor_on_wide=on_wide, still_strip=still_strip
    )
    return replace(turning, view=view, reader=reader), guess


def _mean(sums: list[np.ndarray], counts: list[np.ndarray]) -> np.ndarray:
    """Mean of strips that hold 0 where they are not known, shape of one."""
    count = np.sum(counts, axis=0)
    return np.where(count > 0.5, np.sum(sums, axis=0) / np.maximum(count, 0.5), 0.0).astype(np.float32)


def _measured_line_time(turning: Turning) -> LineTime:
    """The line time from the frames in which the rotor turned fastest."""
    speed = np.abs(np.nan_to_num(turning.track.speed_deg_s))
    fast = np.flatnonzero(speed > max(LEAST_SKEW_DEG_S, 0.3 * float(speed.max())))
    if len(fast) == 0:
        return turning.line_time
    fast = fast[np.unique(np.linspace(0, len(fast) - 1, MOST_SKEWED).round().astype(int))]
    sampler = make_sampler(turning.reader.rotor.grid, turning.view.pose)
    rows: list[tuple[float, float, float]] = []
    for frame in _frames_of(turning.info, fast.tolist()):
        halves = _halves(turning, sampler, frame)
        if halves is not None:
            rows.append(halves)
    if not rows:
        return turning.line_time
    left_over, lever, turn = np.array(rows).T
    # The maps have the line time taken for now taken out already: what the halves differ by is what it lacks.
    difference = left_over + turning.line_time.line_time_s * lever
    return line_time_from(difference, lever, turn, turning.line_time)


def _halves(turning: Turning, sampler: Sampler, frame: Frame) -> tuple[float, float, float] | None:
    """Angle of the lower half of the rotor less that of the upper; speed times the rows between them; the turn."""
    picture = whole_picture(turning.light, frame.luma)
    shift = _shift_of(turning, frame, picture)
    if shift is None:
        return None
    strip, known = _strip(sampler, picture, shift, _skew_of(turning, frame.number))
    whole = turning.reader.turn(strip, known)
    if whole is None or whole.match < MIN_MATCH:
        return None
    rows = rows_of_cells(sampler, shift)
    middle = float(shift.apply(turning.view.pose.centre_px)[1])
    weight = weight_of_cells(turning.reader.rotor, whole.deg)
    parts = []
    for half in (known & (rows < middle), known & (rows >= middle)):
        turn = turning.reader.turn(strip, half, whole.deg)
        if turn is None:
            return None
        parts.append((turn.deg, effective_row(weight, rows, half)))
    (upper, upper_row), (lower, lower_row) = parts
    speed = float(turning.track.speed_deg_s[frame.number])
    return (lower - upper + 180) % 360 - 180, speed * (lower_row - upper_row), whole.deg


def _read_finely(turning: Turning, sampler: Sampler, frame: Frame) -> tuple[float, float, float] | None:
    """Turn, its sd, and the row that it depends on."""
    picture = whole_picture(turning.light, frame.luma)
    shift = _shift_of(turning, frame, picture)
    if shift is None:
        return None
    strip, known = _strip(sampler, picture, shift, _skew_of(turning, frame.number))
    turn = turning.reader.turn(strip, known)
    if turn is None or turn.match < MIN_MATCH:
        return None
    row = effective_row(weight_of_cells(turning.reader.rotor, turn.deg), rows_of_cells(sampler, shift), known)
    # The case's own turn in the picture carries over to the angle between mark and index.
    return turn.deg, float(np.hypot(turn.sd_deg, np.degrees(np.sqrt(shift.covariance[3, 3])))), row


def _frames_of(info: ClipInfo, wanted: list[int]) -> Iterator[Frame]:
    """Some frames by number. The clip is decoded to its end: a decoder that is left half way may not let go."""
    numbers = set(wanted)
    for frame in frames(info) if numbers else ():
        if frame.number in numbers:
            yield frame


def _shift_of(turning: Turning, frame: Frame, picture: np.ndarray) -> Shift | None:
    known = turning.track.shifts[frame.number] if frame.number < len(turning.track.shifts) else None
    return known or register(turning.view.reference, picture, (0, picture.shape[0] - 1))
