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
from timingcam.seeing.angles import turned
from timingcam.seeing.clip import ClipInfo, Frame, frames
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.following import DO_SLOW, MIN_MATCH, Follower, Laid, Track, laid_pictures, strip_of, track_of
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.marks import Maps, maps_of
from timingcam.seeing.pose import Pose
from timingcam.seeing.register import register
from timingcam.seeing.rings import find_rings
from timingcam.seeing.shift import Shift
from timingcam.seeing.skew import (
    LineTime,
    Skew,
    effective_row,
    line_time_from,
    rows_of_cells,
    usual_line_time,
    weight_of_cells,
)
from timingcam.seeing.steady import Reader, reader_of, whole_picture
from timingcam.seeing.strips import Grid, Sampler, make_sampler
from timingcam.seeing.sweep import Sweep
from timingcam.seeing.turning_pose import Guess, guesses, pose_of_turning
from timingcam.seeing.view import CENTRE_SD, View
from timingcam.seeing.whole_view import find_view

MOST_SKEWED = 40  # our choice: frames in which the skew is measured
LEAST_SKEW_DEG_S = 6.0
FOR_POSE = 13  # our choice: pictures that the pose is fitted to; more take longer and tell no more


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
        return maps_of(self.view, sense, np.asarray(turns_deg, float))


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
    tried = guesses(view.face, find_rings(view.mean, np.ones(view.mean.shape, bool)))
    if len(tried) == 1:
        # Steady light shows more rings than a flash does: what they agree on is better than the view's own pose.
        view = replace(view, pose=replace(view.face, centre_px=tried[0].centre_px, lean_rad=tried[0].lean_rad))
    pictures = laid_pictures(view, light, seen.kept)
    follower = Follower(view, light, pictures)
    track = track_of(follower, info, clock, progress)
    usual = usual_line_time(clock.period_s, info.height)
    turning = Turning(info, clock, light, view, track, usual, follower.reader)
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


def _skew_of(turning: Turning, number: int) -> Skew:
    speed = turning.track.speed_deg_s[number] if number < len(turning.track.speed_deg_s) else 0.0
    shift = turning.track.shifts[number] if number < len(turning.track.shifts) else None
    centre = turning.view.pose.centre_px
    row = float(shift.apply(centre)[1]) if shift is not None else float(centre[1])
    return Skew(float(np.nan_to_num(speed)) * turning.line_time.line_time_s, row)


def _with_pose(turning: Turning, pictures: list[Laid], tried: list[Guess]) -> tuple[Turning, Guess]:
    """Pose and maps anew from the kept pictures, the skew taken out."""

    def strips_of(pose: Pose, grid: Grid, some: list[Laid]) -> tuple[list[np.ndarray], list[np.ndarray]]:
        sampler = make_sampler(grid, pose)
        pairs = [strip_of(sampler, p.picture, p.shift, _skew_of(turning, p.number)) for p in some]
        return [strip for strip, _ in pairs], [known for _, known in pairs]

    view, fine = turning.view, turning.view.rotor.grid
    some = Grid(fine.radii[::2], fine.n_angles)
    fewer = pictures[:: max(1, len(pictures) // FOR_POSE)]
    pose, covariance, guess = pose_of_turning(view.face, some, lambda trial: strips_of(trial, some, fewer), tried)
    lights, seen = strips_of(pose, fine, pictures)
    reader = reader_of(fine, lights, seen, CENTRE_SD)
    turns = [reader.turn(strip, known) for strip, known in zip(lights, seen, strict=True)]
    usable = [i for i, turn in enumerate(turns) if turn is not None and turn.match >= MIN_MATCH]
    strips, knowns = strips_of(pose, view.wide, pictures)
    back = [-turns[i].deg for i in usable]  # type: ignore[union-attr]
    on_wide = _mean(
        [turned(strips[i] * knowns[i], deg) for i, deg in zip(usable, back, strict=True)],
        [np.clip(turned(knowns[i].astype(np.float32), deg), 0.0, 1.0) for i, deg in zip(usable, back, strict=True)],
    )
    wide = make_sampler(view.wide, pose)
    still = [strip_of(wide, p.picture, p.shift, Skew(0.0, 0.0)) for p in pictures]
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
    strip, known = strip_of(sampler, picture, shift, _skew_of(turning, frame.number))
    whole = turning.reader.turn(strip, known)
    if whole is None or whole.match < MIN_MATCH:
        return None
    rows = rows_of_cells(sampler, shift)
    middle = float(shift.apply(turning.view.pose.centre_px)[1])
    weight = weight_of_cells(turning.reader.rotor, whole.deg)
    parts = []
    for half in (known & (rows < middle), known & (rows >= middle)):
        turn = turning.reader.turn(strip, half, whole)
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
    strip, known = strip_of(sampler, picture, shift, _skew_of(turning, frame.number))
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
