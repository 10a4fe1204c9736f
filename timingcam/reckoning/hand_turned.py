"""A clip of an engine turned by hand, to crank angles: the journey that `static` and `tdc` share.

In:  a clip, the engine file, the name of a cylinder.
Out: `HandTurned`: the rotor followed through the clip; advance at any turn of it, once the marks are named; its doubts.
Not here: what the lamp (`static.py`) or the piston stop (`tdc.py`) then says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.assemble import btdc_of_marks, index_height
from timingcam.reckoning.budget import INDEX_TILT, Sources, budget
from timingcam.reckoning.result import BudgetRow, ClipFacts
from timingcam.seeing.clip import ClipInfo, linear_light, open_clip, sha256_of
from timingcam.seeing.clock import frame_clock
from timingcam.seeing.hints import Pointed, refuse_unknown_marks
from timingcam.seeing.marks import Hints, Marks, advance_seen, mark_places, sense_of
from timingcam.seeing.naming import find_marks
from timingcam.seeing.own_places import at_own_places
from timingcam.seeing.shift import moved_by
from timingcam.seeing.slow import Turning, follow, in_step, read_frames, view_of_sweep
from timingcam.seeing.steady import steady_light
from timingcam.seeing.sweep import sweep

Progress = Callable[[str, float], None]

# Parts of the budget that are about the place of index, marks and camera, and so the same without a strobe.
PLACES = frozenset(
    {
        "where the index is",
        "where the mark is",
        "the mark's own position",
        "tilt of the camera",
        INDEX_TILT,
        "height of the index",
        "rotor's centre",
    }
)


@dataclass(frozen=True, slots=True)
class Watched:
    """What the user knows besides the clip and the engine file: places in the picture of the first frame, as shown."""

    pointed: Pointed = field(default_factory=Pointed)
    lamp_px: tuple[float, float] | None = None
    capture_fps: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class HandTurned:
    """The rotor followed through a clip. `sense` is 1 where it runs clockwise in the stored picture, else -1."""

    engine: Engine
    cylinder: str
    turning: Turning
    sense: int
    pointed: Pointed

    @property
    def forward_deg(self) -> np.ndarray:
        """The rotor's angle in its running direction, frame by frame, crank degrees from an unknown zero, unwrapped."""
        return self.sense * self.turning.track.turn_deg


def follow_clip(
    clip: str | Path, engine: Engine, cylinder: str, watched: Watched, progress: Progress | None = None
) -> HandTurned:
    """Find the rotor and follow it through the clip.

    Parameters
    ----------
    clip : path
        A video in steady light of the engine being turned by hand.
    engine : Engine
    cylinder : str
        By its name in the engine file.
    watched : Watched
    progress : callable, optional
        Told what is being done and which share of the clip has been seen.

    Returns
    -------
    HandTurned

    Raises
    ------
    CannotUse
        If the clip or the cylinder cannot be used.
    CannotMeasure
        If the rotor is not found or cannot be followed.
    """
    names = [one.name for one in engine.cylinder]
    if cylinder not in names:
        raise CannotUse(found=f"cylinder {cylinder!r}", expected="one of " + ", ".join(names), do="name one of these")
    refuse_unknown_marks(engine, watched.pointed)
    if engine.rotor.marks_on == "edge":
        raise CannotMeasure(
            found="an engine file whose marks are on the rotor's edge",
            expected="marks on its face",
            do="set this engine with a degree disc; marks seen from the side are not measured yet",
        )
    info = open_clip(clip)
    light = steady_light(linear_light(info))
    seen = sweep(info, _teller(info, "looking for movement", progress))
    view = view_of_sweep(light, seen, watched.pointed.centre_stored(info))
    clock = frame_clock(seen.stamp_s, _stretch(info, watched.capture_fps))
    turning = follow(info, light, (view, seen), clock, _teller(info, "following the rotor", progress))
    sense = sense_of(engine)
    return HandTurned(engine, cylinder, turning, sense, watched.pointed)


@dataclass(frozen=True, slots=True, eq=False)
class Named:
    """Index and marks by name, and how much too far clockwise in the stored picture the index appears."""

    marks: Marks
    parallax_deg: float


def name_marks(turned: HandTurned, turns_deg: np.ndarray, do: str, *, by_spec: bool = True) -> Named:
    """Name the index and the marks.

    Parameters
    ----------
    turned : HandTurned
    turns_deg : ndarray
        Turns of the rotor (fine reading) at which the advance is one that an engine can have.
    by_spec : bool
        Whether it should be near the spec's at those turns.
    do : str
        What to do where no reading of the picture fits.

    Raises
    ------
    CannotMeasure
        If the marks or the index cannot be told.
    """
    engine = turned.engine
    maps, btdc = turned.turning.maps(turns_deg, turned.sense), btdc_of_marks(engine)
    try:
        judged_by = engine if by_spec else engine.model_copy(update={"spec": None})
        marks = find_marks(maps, judged_by, turned.cylinder, btdc, _hints(turned))
        marks = at_own_places(maps, marks, mark_places(engine, btdc, turned.sense))
    except CannotMeasure as fault:
        raise CannotMeasure(found=fault.found, expected=fault.expected, do=do) from fault
    return Named(marks, _parallax(turned, marks, index_height(engine).mm))


def advance_at(turned: HandTurned, named: Named, turns_deg: np.ndarray) -> np.ndarray:
    """Crank degrees before the cylinder's TDC at turns of the rotor (fine reading), within -180 to 180."""
    advance = advance_seen(named.marks, turns_deg, turned.engine, turned.cylinder, turned.sense)
    advance = advance - turned.sense * named.parallax_deg
    return np.asarray((advance + 180.0) % 360.0 - 180.0)


def place_rows(turned: HandTurned, named: Named) -> tuple[BudgetRow, ...]:
    """Systematic doubts from where index, marks and camera are, effects in crank degrees."""
    rotor, view, marks = turned.engine.rotor, turned.turning.view, named.marks
    height = index_height(turned.engine)
    radius_mm = rotor.rim_diameter_mm / 2 * marks.index.radius
    per_mm = np.radians(abs(_parallax(turned, marks, 1.0)))
    pose_sd = np.sqrt(np.diag(view.pose_covariance))
    sources = Sources(
        angle_sd_deg=0.0,
        index_sd_deg=marks.index.sd_deg,
        mark_sd_deg=marks.zero_sd_deg,
        mark_own_sd_deg=marks.file_sd_deg,
        tilt_deg=view.pose.tilt_deg,
        tilt_sd_deg=float(np.degrees(np.hypot(pose_sd[3], pose_sd[4]) / np.sqrt(2))),
        index_above_mm=height.mm,
        index_above_sd_mm=height.sd_mm,
        sight_deg=float(np.degrees(np.arctan(per_mm * radius_mm))),
        index_radius_mm=radius_mm,
        centre_sd=float(np.hypot(pose_sd[0], pose_sd[1]) / np.sqrt(2)),
        flash_length_s=0.0,
        delay_sd_s=0.0,
        time_sd_s=0.0,
        rpm_sd=0.0,
        rpm_rel_sd=0.0,
        rpm=0.0,
        slope_deg_per_1000rpm=0.0,
    )
    return tuple(row for row in budget(sources) if row.source in PLACES)


def clip_facts(turned: HandTurned, capture_fps: float | None) -> ClipFacts:
    """Facts of the clip."""
    info, clock = turned.turning.info, turned.turning.clock
    width, height = info.orientation.shown_size
    end_s = float(clock.time_s[-1] + clock.period_s)
    return ClipFacts(
        info.path.name, sha256_of(info.path), len(clock.time_s), end_s, width, height, 1.0 / clock.period_s,
        capture_fps or info.capture_fps,
    )  # fmt: skip


def _parallax(turned: HandTurned, marks: Marks, height_mm: float) -> float:
    height = height_mm / (turned.engine.rotor.rim_diameter_mm / 2)
    return turned.turning.view.pose.parallax_deg(marks.index.deg, marks.index.radius, height)


def _hints(turned: HandTurned) -> Hints:
    """What the user points at, in the first frame that can be read, as angles on the maps."""
    pointed, turning = turned.pointed, turned.turning
    if pointed.index_px is None and not pointed.marks_px:
        return Hints()
    first = next((i for i, shift in enumerate(turning.track.shifts) if shift is not None), None)
    if first is None:
        raise CannotUse(
            found="no frame in which the places pointed at can be found again", expected="a clip that shows them",
            do="point at them in the clip's first frame",
        )  # fmt: skip
    back = np.linalg.inv(turning.track.shifts[first].matrix())  # type: ignore[union-attr]

    def angle(x: float, y: float) -> float:
        stored = turning.info.orientation.to_stored(np.array([x, y]))
        at = turning.view.pose.to_plane(moved_by(back, stored))
        return float(np.degrees(np.arctan2(at[1], at[0])))

    index = None if pointed.index_px is None else angle(*pointed.index_px)
    if not pointed.marks_px:
        return Hints(index)
    fine = read_frames(turning, [first])
    if len(fine.frame) == 0:
        raise CannotUse(
            found="a mark pointed at in a first frame that cannot be read", expected="a clear first frame",
            do="cut the clip so that it begins with one, or point at the index only",
        )  # fmt: skip
    turn = float(in_step(turning, fine)[0])
    return Hints(index, tuple((name, angle(x, y) - turn) for name, x, y in pointed.marks_px))


def in_reference(turned: HandTurned, shown_px: tuple[float, float]) -> np.ndarray:
    """A place pointed at in the first frame, as shown, to pixels of the reference picture."""
    turning = turned.turning
    stored = turning.info.orientation.to_stored(np.array(shown_px, float))
    shift = next((shift for shift in turning.track.shifts if shift is not None), None)
    if shift is None:
        return stored
    return moved_by(np.linalg.inv(shift.matrix()), stored)


def _stretch(info: ClipInfo, capture_fps: float | None) -> float:
    """Real seconds to one second of the file."""
    rate = capture_fps or info.capture_fps
    return info.rate_fps / rate if rate and info.rate_fps > 0 else 1.0


def _teller(info: ClipInfo, what: str, progress: Progress | None) -> Callable[[int], None] | None:
    if progress is None:
        return None
    return lambda seen: progress(what, seen / max(info.frames_stated, seen, 1))
