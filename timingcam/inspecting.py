"""A quick look: is this clip any good, before it is measured.

In:  a video file; perhaps the engine file and a cylinder.
Out: `Inspection`.
Not here: how any of it is done. Two seconds of the clip go through the stages of `measure.py`; where those are refused,
a longer part has the last word.
"""

from __future__ import annotations

import tempfile
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
    flash_angles,
    refuse_backwards,
    refuse_impossible_speed,
)
from timingcam.reckoning.doubts import doubts_and_budget
from timingcam.reckoning.fitness import ClipLook, EngineLook, FlashLook, Inspection, MarkLook, RotorLook
from timingcam.reckoning.standing import first_view
from timingcam.reckoning.tacho import crank_speed
from timingcam.seeing.bands import bands_of_clip
from timingcam.seeing.clip import ClipInfo, linear_light, open_clip
from timingcam.seeing.clock import FrameClock, frame_clock
from timingcam.seeing.drum import Drum
from timingcam.seeing.flashes import Flashes, find_flashes
from timingcam.seeing.lit import marks_lit
from timingcam.seeing.marks import Hints, maps_of, sense_of
from timingcam.seeing.naming import find_marks
from timingcam.seeing.part import Part, cut_part
from timingcam.seeing.readout import FlashTurns, read_flashes
from timingcam.seeing.second_look import told_by_others
from timingcam.seeing.sharpness import Look, look_of
from timingcam.seeing.slices import in_slices
from timingcam.seeing.stills import lit_pictures, some_of
from timingcam.seeing.survey import survey
from timingcam.seeing.view import View
from timingcam.seeing.whole_view import find_view

# Our choice: 20 flashes at idle; and enough to say no after. A refusal from as many flashes as `SURE` stands.
QUICK_S, LONGER_S, SURE = 2.0, 6.0, 40
# Our choice: pictures that the view is found from: they cover the frame some four times over, one angle each.
COVERED, FEWEST, MOST = 4.0, 10, 40


def inspect(
    clip: str | Path,
    engine: Engine | str | Path | None = None,
    cylinder: str | None = None,
    capture_fps: float | None = None,
) -> Inspection:
    """Say whether a clip is any good, what limits it, and which accuracy to expect.

    Parameters
    ----------
    clip : path
        A video of the timing marks under a strobe.
    engine : Engine or path, optional
        The engine file; without it the marks are not looked for.
    cylinder : str, optional
        The cylinder that the strobe is on; needed with an engine file.
    capture_fps : float, optional
        Frames a second as filmed, where slow motion is stored stretched.

    Returns
    -------
    Inspection
        Its `refusal` holds the reason where the clip is of no use.

    Raises
    ------
    CannotUse
        If a file or a value given cannot be used.
    """
    info = open_clip(clip)
    known = _known(engine, cylinder)
    with tempfile.TemporaryDirectory() as name:
        found = _inspected(cut_part(info, Path(name), QUICK_S * _stretch(info, capture_fps), middle=True), known,
                           capture_fps)  # fmt: skip
        sure = found.fit or (found.flashes is not None and found.flashes.seen >= SURE)
        if sure or found.clip.to_s - found.clip.from_s >= 0.9 * (found.clip.duration_s or 0.0):
            return found
        longer = cut_part(info, Path(name), LONGER_S * _stretch(info, capture_fps), middle=False)
        return _inspected(longer, known, capture_fps)


def _known(engine: Engine | str | Path | None, cylinder: str | None) -> tuple[Engine, str] | None:
    if (engine is None) != (cylinder is None):
        raise CannotUse(
            found="an engine file without a cylinder" if cylinder is None else "a cylinder without an engine file",
            expected="both, or neither", do="give --engine and --cylinder",
        )  # fmt: skip
    if engine is None or cylinder is None:
        return None
    engine = engine if isinstance(engine, Engine) else read_engine(engine)
    names = [one.name for one in engine.cylinder]
    if cylinder not in names:
        raise CannotUse(found=f"cylinder {cylinder!r}", expected="one of " + ", ".join(names), do="name one of these")
    return engine, cylinder


def _stretch(info: ClipInfo, capture_fps: float | None) -> float:
    """Seconds of the file to one real second."""
    rate = capture_fps or info.capture_fps
    return rate / info.rate_fps if rate and info.rate_fps > 0 else 1.0


def _inspected(part: Part, known: tuple[Engine, str] | None, capture_fps: float | None) -> Inspection:
    """Look at one part, as far as the stages get."""
    info = part.info
    table = linear_light(info)
    clip: ClipLook | None = None
    flash_look: FlashLook | None = None
    rotor: RotorLook | None = None
    try:
        seen = survey(info, table)
        clock = frame_clock(seen.stamp_s, 1 / _stretch(info, capture_fps))
        clip = _clip_look(part, clock, capture_fps)
        bands = bands_of_clip(seen.light)
        flashes = find_flashes(bands, clock)
        flash_look = _flash_look(flashes, clock, info)
        turns_per_flash = 0.0 if known is None else 1 / known[0].crank.sparks_per_rev
        light, lit = lit_pictures(seen, bands, flashes, table, turns_per_flash)
        lit = some_of(lit, info.height, COVERED, FEWEST, MOST)
        view = find_view(light, lit) if known is None else first_view((info, flashes, light, lit), *known)
        read = partial(read_flashes, info, flashes, light, view, None)
        turns = read()
        if in_slices(flashes, info.height):
            turns = told_by_others(turns, flashes.rate_hz(), read)
        rotor = _rotor_look(look_of(light, lit, turns, view.pose, info), view, turns, info)
        if known is None:
            return Inspection(clip, flash_look, rotor, None, None)
        # All flashes of the part say where the rotor stood, not only those that the view is from.
        maps = maps_of(view, sense_of(known[0]), turns.turn_deg)
        marks = find_marks(maps, *known, btdc_of_marks(known[0]), Hints())
        whole = Seen(info, clock, capture_fps or info.capture_fps, flashes, view, turns, marks)
        return Inspection(clip, flash_look, rotor, _engine_look(whole, *known), None)
    except CannotMeasure as refusal:
        return Inspection(clip or _clip_look(part, None, capture_fps), flash_look, rotor, None, refusal)


def _clip_look(part: Part, clock: FrameClock | None, capture_fps: float | None) -> ClipLook:
    info = part.info
    width, height = info.orientation.shown_size
    fps, lost, jitter_s = info.rate_fps, 0.0, 0.0
    if clock is not None and clock.period_s > 0:
        fps, jitter_s = 1 / clock.period_s, clock.jitter_s
        due = round((clock.time_s[-1] - clock.time_s[0]) / clock.period_s) + 1
        lost = max(0.0, 1 - len(clock.time_s) / due)
    stretch = _stretch(info, capture_fps)
    whole_s = None if part.whole_s is None else part.whole_s / stretch
    return ClipLook(
        part.name, width, height, fps, info.codec, info.bits, whole_s, part.from_s / stretch, part.to_s / stretch,
        capture_fps or info.capture_fps, lost, jitter_s,
    )  # fmt: skip


def _flash_look(flashes: Flashes, clock: FrameClock, info: ClipInfo) -> FlashLook:
    long_s = float(clock.time_s[-1] - clock.time_s[0]) + clock.period_s
    rows = flashes.piece_last - flashes.piece_first + 1
    line_s = flashes.line_time_s
    return FlashLook(
        len(flashes), len(flashes) / long_s, flashes.exposure_s if line_s is not None else None, line_s,
        float(np.median(rows)) / info.height if len(rows) else 0.0,
    )  # fmt: skip


def _rotor_look(look: Look, view: View, turns: FlashTurns, info: ClipInfo) -> RotorLook:
    pose = view.pose
    read = np.isfinite(turns.turn_deg)
    angle = np.radians(np.arange(0, 360, 3))
    rim = pose.to_image(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    inside = np.all((rim >= 0) & (rim <= np.array([info.width - 1, info.height - 1])), axis=1)
    x, y = info.orientation.to_shown(pose.centre_px)
    share = float(inside.mean()) if view.part is None else float("nan")
    return RotorLook(
        (float(x), float(y)), pose.radius_px, share, view.tilt_deg, look.edge_px, look.shake_px,
        look.roll_deg, look.over_exposed, look.ambient_share, float(read.mean()),
        float(np.median(turns.turn_sd_deg[read])) if read.any() else float("nan"),
    )  # fmt: skip


def _engine_look(seen: Seen, engine: Engine, cylinder: str) -> EngineLook:
    """What the engine file adds, by the stages of `measure`, on this part."""
    angles = flash_angles(seen, engine, cylinder)
    speed = crank_speed(angles, engine.crank.sparks_per_rev, seen.windows_s(), engine.crank.strokes)
    strobe = Strobe()
    readings = advance_readings(seen, angles, speed, strobe)
    refuse_impossible_speed(readings, engine, "flashes")
    refuse_backwards(readings)
    _, budget = doubts_and_budget(seen, readings, engine, strobe, "flashes")
    rpm = readings.rpm[np.isfinite(readings.rpm)]
    span = (float(rpm.min()), float(rpm.max())) if len(rpm) else (float("nan"), float("nan"))
    both = np.logical_and(*marks_lit(seen.flashes, seen.turns, seen.view, seen.marks))
    return EngineLook(engine.name, cylinder, _mark_looks(seen), float(both.mean()), span, budget)


def _mark_looks(seen: Seen) -> tuple[MarkLook, ...]:
    px = seen.view.pose.radius_px
    long_px = px * seen.view.pose.step if isinstance(seen.view.pose, Drum) else px
    index = seen.marks.index
    marks = [
        MarkLook(m.name, np.radians(m.width_deg) * m.outer * px, (m.outer - m.inner) * long_px)
        for m in seen.marks.marks
    ]
    return (*marks, MarkLook("index", float(np.radians(index.width_deg) * index.radius * px), float("nan")))
