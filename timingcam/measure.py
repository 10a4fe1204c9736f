"""The journey, on one page: a clip, an engine and a cylinder in; a `Measurement` out.

In:  a video file, the engine file, the name of the cylinder that the strobe is on.
Out: `Measurement`.
Not here: how any of it is done.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from timingcam.engine import Engine, read_engine
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.assemble import (
    Seen,
    Strobe,
    advance_readings,
    btdc_of_marks,
    camera_facts,
    clip_facts,
    flash_angles,
    refuse_backwards,
    refuse_impossible_speed,
    strobe_facts,
    with_used,
)
from timingcam.reckoning.checks import checks
from timingcam.reckoning.curve import OFF_THE_CURVE, fit_curve
from timingcam.reckoning.doubts import doubts_and_budget
from timingcam.reckoning.hearing import note_of
from timingcam.reckoning.identity import identity_of
from timingcam.reckoning.index_rise import risen
from timingcam.reckoning.missing import missing_by_sound, missing_flashes_s
from timingcam.reckoning.portraits import pictures_of
from timingcam.reckoning.result import Measurement
from timingcam.reckoning.returning import cannot_tell_return
from timingcam.reckoning.speeds import speed_of
from timingcam.reckoning.standing import first_view
from timingcam.reckoning.top_lag import apparent_lag
from timingcam.reckoning.warnings import warnings_of
from timingcam.seeing.bands import bands_of_clip
from timingcam.seeing.best_frame import best_frame
from timingcam.seeing.clip import ClipInfo, linear_light, open_clip
from timingcam.seeing.clock import frame_clock
from timingcam.seeing.flashes import find_flashes
from timingcam.seeing.hints import Pointed, hints_on_maps, refuse_unknown_marks
from timingcam.seeing.in_colour import find_in_colour
from timingcam.seeing.light import FlashLight
from timingcam.seeing.marks import Maps, Marks, maps_of, paints_of, sense_of, sharper_of, spacing_misfit
from timingcam.seeing.memory import few_heaps, give_back
from timingcam.seeing.naming import NotThere, find_marks, how_clear
from timingcam.seeing.readout import FlashTurns, read_flashes
from timingcam.seeing.reasons import with_reason
from timingcam.seeing.second_look import told_by_others
from timingcam.seeing.slices import in_slices, with_more_slices
from timingcam.seeing.soundtrack import read_sound
from timingcam.seeing.standstill import refuse_no_engine
from timingcam.seeing.stills import lit_pictures
from timingcam.seeing.survey import survey
from timingcam.seeing.swaying import swaying_of
from timingcam.seeing.view import View
from timingcam.seeing.whole_view import other_view

POOR_SPACING = 2.0  # our choice: chi-square a mark beyond which the other pose is asked
Progress = Callable[[str, float], None]
Looked = tuple[FlashTurns, Maps, Marks]


@dataclass(frozen=True, slots=True)
class Options:
    """What the user knows besides the clip and the engine file.

    Attributes
    ----------
    strobe : Strobe
        Its delay and dial.
    capture_fps : float, optional
        Frames a second as filmed, where slow motion is stored stretched.
    line_time_s, exposure_s : float, optional
        Of the camera.
    rpm : float, "sound" or path, optional
        A known constant speed; or that the clip's sound is to tell it; or a CSV file with columns time_s and rpm.
    pointed : Pointed
        Places in the picture that the user points at.
    """

    strobe: Strobe = field(default_factory=Strobe)
    capture_fps: float | None = None
    line_time_s: float | None = None
    exposure_s: float | None = None
    rpm: float | str | Path | None = None
    pointed: Pointed = field(default_factory=Pointed)


def measure(
    clip: str | Path,
    engine: Engine | str | Path,
    cylinder: str,
    options: Options | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """Measure advance against crank speed from one clip.

    Parameters
    ----------
    clip : path
        A video of the timing marks under a strobe that flashes at every spark of one cylinder.
    engine : Engine or path
        The engine file.
    cylinder : str
        The cylinder that the strobe is on, by its name in the engine file.
    options : Options, optional
    progress : callable, optional
        Told what is being done and which share of the clip has been seen.

    Returns
    -------
    Measurement

    Raises
    ------
    CannotUse
        If a file or a value given cannot be used.
    CannotMeasure
        If the clip cannot be measured honestly.
    """
    options = options or Options()
    engine = engine if isinstance(engine, Engine) else read_engine(engine)
    _refuse_unknown(engine, cylinder)
    refuse_unknown_marks(engine, options.pointed)
    seen = watch(clip, engine, cylinder, options, progress)
    try:
        return _reckoned(seen, engine, cylinder, options)
    except CannotMeasure as refusal:
        refusal.best_frame = seen.best
        raise


def _reckoned(seen: Seen, engine: Engine, cylinder: str, options: Options) -> Measurement:
    """What was seen, as advance against speed."""
    angles = flash_angles(seen, engine, cylinder)
    windows_s = seen.windows_s()
    give_back()  # the pictures of the flashes were looked at
    track = read_sound(seen.info, _stretch(seen.info, options.capture_fps))
    told = speed_of(angles, engine, windows_s, options.rpm, note_of(track, engine))
    if seen.swaying is not None:
        seen = replace(seen, height=risen(seen.swaying, angles, told.speed.rpm, engine))
        angles = flash_angles(seen, engine, cylinder)
    readings = advance_readings(seen, angles, told.speed, options.strobe)
    refuse_impossible_speed(readings, engine, told.source)
    refuse_backwards(readings)
    doubts, budget = doubts_and_budget(seen, readings, engine, options.strobe, told.source, told.time_sd_s)
    curve, used, curve_warnings = fit_curve(readings, doubts, np.random.default_rng(0), engine.spec)
    readings = with_used(readings, used, OFF_THE_CURVE)
    identity = identity_of(seen, engine, cylinder, tuple(name for name, _, _ in options.pointed.marks_px))
    gone_s = missing_flashes_s(readings, engine.crank.sparks_per_rev, windows_s)
    heard = missing_by_sound(track, readings, gone_s, engine.crank.sparks_per_rev)
    said = (*told.speed.warnings, *curve_warnings, *filter(None, [heard, cannot_tell_return(readings, curve)]))
    return Measurement(
        clip=clip_facts(seen),
        engine=engine,
        cylinder=cylinder,
        cylinder_identity=identity,
        camera=camera_facts(seen, engine),
        strobe=strobe_facts(options.strobe, readings, apparent_lag(readings, curve)),
        rpm_source=told.source,
        readings=readings,
        curve=curve,
        budget=budget,
        checks=checks(engine, cylinder, readings, curve, gone_s),
        warnings=warnings_of(seen, engine, options.strobe, said, identity),
        pictures=pictures_of(seen, readings),
        speed=told.facts,
    )


def watch(clip: str | Path, engine: Engine, cylinder: str, options: Options, progress: Progress | None = None) -> Seen:
    """See everything that a clip shows: flashes, where the rotor stands, its angle in each flash, the marks' names.

    Parameters and faults are those of `measure`.

    Returns
    -------
    Seen
    """
    few_heaps()
    info = open_clip(clip)
    light_table = linear_light(info)

    looked = survey(info, light_table, _teller(info, "looking for flashes", progress))
    clock = frame_clock(looked.stamp_s, _stretch(info, options.capture_fps))
    try:
        bands = bands_of_clip(looked.light)
        flashes = find_flashes(bands, clock, options.line_time_s, options.exposure_s)
    except CannotMeasure as refusal:
        refusal.best_frame = best_frame(info, looked.kept, [])
        raise
    light, lit = lit_pictures(looked, bands, flashes, light_table, 1 / engine.crank.sparks_per_rev)
    give_back()
    first: View | None = None

    def look(view: View) -> Looked:
        give_back()
        read = partial(read_flashes, info, flashes, light, view, _teller(info, "reading every flash", progress))
        by_itself = read()
        # A flash that shows much of the rotor is believed by itself: a spark far off its time is there to be told.
        turns = told_by_others(by_itself, flashes.rate_hz(), read) if in_slices(flashes, bands.n_rows) else by_itself
        refuse_no_engine(view, turns, flashes, light)
        hints = hints_on_maps(view, turns, info, options.pointed)
        # Where there were strays, nor was the view free of them.
        maps = maps_of(view, sense_of(engine), None if turns is by_itself else turns.turn_deg)
        btdc = btdc_of_marks(engine)
        find = partial(find_marks, engine=engine, cylinder=cylinder, btdc=btdc, hints=hints)
        judge = partial(how_clear, engine=engine, cylinder=cylinder, btdc=btdc)
        in_colour = partial(find_in_colour, (info, flashes, view, turns), maps, find, judge, paints_of(engine))
        return turns, *_by_light_or_colour((maps, *sharper_of(view, maps)), find, in_colour)

    try:
        more = with_more_slices(info, flashes, light, lit)
        first = first_view((info, flashes, light, more), engine, cylinder, options.pointed.centre_stored(info))
        view, (turns, _, marks) = _in_the_better_pose(first, look)
    except CannotMeasure as refusal:
        worded = with_reason(refusal, flashes, bands.n_rows, light, lit)
        worded.best_frame = best_frame(info, looked.kept, lit, first)
        raise worded from refusal
    best = best_frame(info, looked.kept, lit, view, marks)
    seen = Seen(info, clock, options.capture_fps or info.capture_fps, flashes, view, turns, marks, best)
    return seen if engine.rotor.index_above_mm is not None else _with_swaying(seen, light, progress)


def _with_swaying(seen: Seen, light: FlashLight, progress: Progress | None) -> Seen:
    """With what the hand's swaying shows of an index whose height nobody told."""
    give_back()
    told = _teller(seen.info, "seeing the hand sway", progress)
    return replace(seen, swaying=swaying_of((seen.info, light), seen.flashes, seen.view, seen.turns, seen.marks, told))


def _by_light_or_colour(
    light: tuple[Maps, ...], find: Callable[[Maps], Marks], in_colour: Callable[[], tuple[Maps, Marks]]
) -> tuple[Maps, Marks]:
    """Marks and index, and the first maps on which they were found; in colour only where no map of light shows them."""
    faults: list[NotThere] = []
    for maps in light:
        try:
            return maps, find(maps)
        except NotThere as fault:
            faults.append(fault)
    try:
        return in_colour()
    except NotThere:
        raise faults[0] from None


def _in_the_better_pose(view: View, look: Callable[[View], Looked]) -> tuple[View, Looked]:
    """Look, and look again in the other pose that the rim allows where the marks' spacing speaks for that one."""
    if view.other is None:
        return view, look(view)
    try:
        first = look(view)
    except CannotMeasure:
        second_view = other_view(view)
        return second_view, look(second_view)
    _, maps, marks = first
    here, there = (spacing_misfit(maps, marks, pose) for pose in (view.pose, view.other.pose))
    if here < POOR_SPACING or there > 0.5 * here:
        return view, first
    second_view = other_view(view)
    return second_view, look(second_view)


def _refuse_unknown(engine: Engine, cylinder: str) -> None:
    names = [c.name for c in engine.cylinder]
    if cylinder not in names:
        raise CannotUse(found=f"cylinder {cylinder!r}", expected="one of " + ", ".join(names), do="name one of these")


def _stretch(info: ClipInfo, capture_fps: float | None) -> float:
    """Real seconds to one second of the file."""
    rate = capture_fps or info.capture_fps
    return info.rate_fps / rate if rate and info.rate_fps > 0 else 1.0


def _teller(info: ClipInfo, what: str, progress: Progress | None) -> Callable[[int], None] | None:
    if progress is None:
        return None
    return lambda frames: progress(what, frames / max(info.frames_stated, frames, 1))
