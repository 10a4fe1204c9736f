"""What a measurement of the clip ought to find.

In:  a prepared shoot, its time stamps.
Out: `TruthRow`, one for each flash and each missed spark; the texts of the two truth files.
Not here: any reading of pictures.
"""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from timingcam.staging.by_hand_truth import told_by_hand
from timingcam.staging.camera import apply, distorted, on_clock
from timingcam.staging.edge import edge_hits, edge_width_mm
from timingcam.staging.rotor_look import placed_marks
from timingcam.staging.scene import Scene
from timingcam.staging.shutter import rows_lit
from timingcam.staging.stamps import TICKS_PER_S, Stamps
from timingcam.staging.stator_look import face_above_mm, index_tip_mm, window_centre_mm, window_mm

if TYPE_CHECKING:
    from timingcam.staging.render import Shoot

COLUMNS = (
    "time_s", "rpm", "advance_deg", "seen_deg", "spark_s", "kind", "missed", "rows", "index_lit", "marks_lit", "hidden"
)  # fmt: skip


@dataclass(frozen=True)
class TruthRow:
    """One flash, or one spark that the strobe missed."""

    time_s: float
    rpm: float
    advance_deg: float
    seen_deg: float
    spark_s: float
    kind: str
    missed: bool
    rows: tuple[tuple[int, int, int], ...]  # frame as filmed, first row, last row, lit to at least half
    index_lit: bool  # the index's tip lies on a lit row
    marks_lit: bool  # so does the middle of the mark nearest the index
    hidden: bool  # something crossed in front of the index


def truth(shoot: Shoot) -> list[TruthRow]:
    """The truth of every flash that falls within the clip.

    Parameters
    ----------
    shoot : Shoot

    Returns
    -------
    list of TruthRow, in time order
    """
    end_s = shoot.shutter.start_s[-1] + 1 / shoot.scene.camera.fps
    rows = []
    for flash in shoot.flashes:
        lit = () if flash.missed else _lit(shoot, flash.time_s)
        if not lit and not 0 <= flash.time_s <= end_s:
            continue
        index, mark = sensor_places_needed(shoot, flash.time_s)
        rows.append(
            TruthRow(
                time_s=flash.time_s,
                rpm=flash.rpm,
                advance_deg=flash.advance_deg,
                seen_deg=flash.seen_deg,
                spark_s=flash.spark_s,
                kind=flash.kind,
                missed=flash.missed,
                rows=lit,
                index_lit=_within(shoot, index, lit),
                marks_lit=_within(shoot, mark, lit),
                hidden=shoot.stage.hides_index(flash.time_s),
            )
        )
    return rows


def _lit(shoot: Shoot, time_s: float) -> tuple[tuple[int, int, int], ...]:
    found = []
    for frame in shoot.shutter.frames_lit(time_s, shoot.light):
        band = rows_lit(shoot.shutter.row_weights(frame, time_s, shoot.light))
        if band is not None:
            found.append((frame, *band))
    return tuple(found)


def _within(shoot: Shoot, place: tuple[float, float], lit: tuple[tuple[int, int, int], ...]) -> bool:
    in_picture = 0 <= place[0] <= shoot.scene.camera.width - 1
    return in_picture and any(first <= place[1] <= last for _, first, last in lit)


def sensor_places_needed(shoot: Shoot, time_s: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where on the sensor, at a time, the index's tip and the middle of the mark nearest to it are seen."""
    index = _on_sensor(shoot, shoot.scene.index_above_mm, index_tip_mm(shoot.scene), time_s)
    turned = float(shoot.stage.rotor_turn_deg(time_s))
    at = 0.0 if shoot.stage.on_edge else shoot.scene.stator.index_at_deg
    clocks = [(mark.clock_deg + turned - at + 180) % 360 - 180 for mark in placed_marks(shoot.scene)]
    nearest = min(clocks, key=abs)
    if shoot.stage.on_edge:
        return index, _on_sensor(shoot, *_edge_place(shoot, nearest), time_s)
    return index, _on_sensor(shoot, 0.0, on_clock(0.9 * shoot.stage.view.radius_mm, nearest + at), time_s)


def _edge_place(shoot: Shoot, angle_deg: float) -> tuple[float, tuple[float, float]]:
    """Height and place of the middle of a mark at an angle round a marked edge."""
    radius, a = shoot.stage.view.radius_mm, math.radians(angle_deg)
    clock = shoot.scene.stator.index_at_deg
    across = on_clock(radius * math.sin(a), clock + 90)
    out = on_clock(0.28 * edge_width_mm(shoot.scene), clock)
    return radius * (math.cos(a) - 1), (across[0] + out[0], across[1] + out[1])


def _on_sensor(shoot: Shoot, height_mm: float, at: tuple[float, float], time_s: float) -> tuple[float, float]:
    view = shoot.stage.view
    return distorted(view, *apply(view.plane_to_sensor(height_mm, time_s), *at))


def truth_csv(rows: list[TruthRow], stretch: float = 1.0) -> str:
    """The table as text; a number that does not exist is empty. `stretch`: stored seconds per filmed second."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(
            [
                _number(row.time_s, 7), _number(row.rpm, 3), _number(row.advance_deg, 5), _number(row.seen_deg, 5),
                _number(row.spark_s, 7), row.kind, _yes(row.missed),
                " ".join(f"{frame}:{first}-{last}" for frame, first, last in row.rows),
                _yes(row.index_lit), _yes(row.marks_lit), _yes(row.hidden),
            ]
        )  # fmt: skip
    return out.getvalue()


def _number(value: float, places: int) -> str:
    return "" if math.isnan(value) else f"{value:.{places}f}"


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def truth_json(shoot: Shoot, stamps: Stamps) -> str:
    """Everything else about the scene that a measurement may be held against, as JSON text."""
    scene = shoot.scene
    data: dict[str, Any] = {
        "format": "timingcam-truth/1",
        "engine": scene.engine.name,
        "cylinder": scene.cylinder,
        "seed": scene.seed,
        "advance_curve": [list(point) for point in scene.advance] if scene.hand is None else [],
        "jitter_deg": scene.run.jitter_deg,
        "hysteresis_deg": scene.run.hysteresis_deg,
        "strobe": _told_strobe(scene),
        "camera": {**_told_camera(shoot), "stretch": stamps.stretch},
        "at_time_0_as_shown": _told_picture(shoot),
        "rotor": _told_rotor(shoot),
        "index": _told_index(shoot),
        "frames_written": int(stamps.shows.size),
        **told_by_hand(shoot),
    }
    if _odd_stamps(scene):
        data["frames_written"] = [
            {"shows": int(shows), "stamp_s": int(tick) / TICKS_PER_S}
            for shows, tick in zip(stamps.shows, stamps.ticks, strict=True)
        ]
    return json.dumps(data, indent=1)


def _told_strobe(scene: Scene) -> dict[str, Any]:
    strobe = scene.strobe
    return {
        "delay_us": strobe.delay_us,
        "flash_us": strobe.flash_us,
        "shape": strobe.shape,
        "dial_deg": strobe.dial_deg,
        "lead": strobe.lead or scene.cylinder,
        "free_running_hz": strobe.free_running_hz,
    }


def _told_camera(shoot: Shoot) -> dict[str, Any]:
    view, camera = shoot.stage.view, shoot.scene.camera
    turn, shift = view.pose(0.0)
    sight = shift / np.linalg.norm(shift)
    return {
        "width": camera.width,
        "height": camera.height,
        "shown_size": list(view.shown_size),
        "fps": camera.fps,
        "frames_filmed": int(shoot.shutter.start_s.size),
        "line_time_us": shoot.scene.line_time_s * 1e6,
        "exposure_s": _exposures(shoot),
        "focal_px": view.focal_px,
        "distance_mm": view.distance_mm,
        "tilt_deg": camera.tilt_deg,
        "tilt_from_deg": camera.tilt_from_deg,
        "roll_deg": camera.roll_deg,
        "off_axis_deg": math.degrees(math.acos(min(1.0, abs(float(sight @ turn[:, 2]))))),
        "rotation": camera.rotation,
        "mirrored": camera.mirrored,
    }


def _told_picture(shoot: Shoot) -> dict[str, Any]:
    scene, view = shoot.scene, shoot.stage.view
    centre = _shown(shoot, 0.0, (0.0, 0.0))
    rim = np.array([_shown(shoot, 0.0, on_clock(view.radius_mm, a)) for a in range(0, 360, 5)])
    return {
        "centre_px": list(centre),
        "index_px": list(_shown(shoot, scene.index_above_mm, index_tip_mm(scene))),
        "rotor_radius_px": float(np.hypot(*(rim - np.array(centre)).T).mean()),
        "plane_to_picture": view.plane_to_shown(0.0, 0.0).tolist(),
    }


def _told_rotor(shoot: Shoot) -> dict[str, Any]:
    marks = [
        {
            "name": mark.name,
            "cylinder": mark.cylinder,
            "btdc_deg": mark.btdc_deg,
            "error_deg": mark.error_deg,
            "clock_deg": mark.clock_deg,
            "style": mark.style,
        }
        for mark in placed_marks(shoot.scene)
    ]
    return {"turns": shoot.scene.engine.rotor.turns, "radius_mm": shoot.stage.view.radius_mm, "marks": marks}


def _told_index(shoot: Shoot) -> dict[str, Any]:
    scene = shoot.scene
    return {
        "above_mm": scene.index_above_mm,
        "at_deg": scene.stator.index_at_deg,
        "kind": scene.stator.index,
        "face_above_mm": face_above_mm(scene),
        "tip_mm": list(index_tip_mm(scene)),
        "parallax_deg": parallax_deg(shoot),
        "window_mm": window_mm(scene) if scene.stator.window else None,
        "window_centre_mm": list(window_centre_mm(scene)) if scene.stator.window else None,
    }


def _odd_stamps(scene: Scene) -> bool:
    stamps = scene.camera.stamps
    return bool(stamps.dropped_share or stamps.duplicated_share or stamps.jitter_us)


def parallax_deg(shoot: Shoot) -> float:
    """How far past its true place in the direction of turning the index looks, read in the marks' plane, degrees."""
    scene = shoot.scene
    view = shoot.stage.view
    sign = 1 if scene.engine.rotor.turns == "clockwise" else -1
    if shoot.stage.on_edge:
        u, v = view.sensor_of((*index_tip_mm(scene), scene.index_above_mm), 0.0)
        angle, _, _ = edge_hits(scene, view, (np.array([u]), np.array([v])), 0.0)
        return sign * float(angle[0])
    seen = apply(view.plane_to_shown(scene.index_above_mm, 0.0), *index_tip_mm(scene))
    x, y = apply(np.linalg.inv(view.plane_to_shown(0.0, 0.0)), *seen)
    clock = math.degrees(math.atan2(x, -y))
    return sign * ((clock - scene.stator.index_at_deg + 180) % 360 - 180)


def _shown(shoot: Shoot, height_mm: float, at: tuple[float, float]) -> tuple[float, float]:
    """A point in the picture as shown, mirroring and lens included."""
    u, v = _on_sensor(shoot, height_mm, at, 0.0)
    camera = shoot.scene.camera
    w, h = camera.width, camera.height
    x, y = {0: (u, v), 90: (h - 1 - v, u), 180: (w - 1 - u, h - 1 - v), 270: (v, w - 1 - u)}[camera.rotation]
    return (shoot.stage.view.shown_size[0] - 1 - x, y) if camera.mirrored == "metadata" else (x, y)


def _exposures(shoot: Shoot) -> float | list[list[float]]:
    each = shoot.shutter.exposure_s
    if np.ptp(each) == 0:
        return float(each[0])
    changes = np.flatnonzero(np.diff(each, prepend=np.nan) != 0)
    return [[float(shoot.shutter.start_s[i]), float(each[i])] for i in changes]
