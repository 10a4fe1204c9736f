"""The journey of a staged clip: scene, motion, flashes, frames, file, truth beside it.

In:  `Scene`.
Out: `frames`, pictures in memory; `flash_picture`, one flash without noise; `render_clip`, files.
Not here: how each part is done.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from timingcam.errors import CannotUse
from timingcam.staging.by_hand import hand_motion
from timingcam.staging.container import write_clip
from timingcam.staging.lamp import Lamp, make_lamp
from timingcam.staging.light import flicker
from timingcam.staging.motion import DEG_PER_S_PER_RPM, CrankMotion, crank_motion
from timingcam.staging.picture import Planes, Stage
from timingcam.staging.scene import Scene
from timingcam.staging.sensor import Codes, Sensor
from timingcam.staging.shutter import Shutter, in_steps, shutter
from timingcam.staging.sound import engine_sound
from timingcam.staging.stamps import frame_stamps
from timingcam.staging.strobe import Flash, FlashLight, all_flashes, flash_light
from timingcam.staging.truth import truth, truth_csv, truth_json

SPLIT_DEG = 0.1  # our choice: a smear below this need not be told apart within the band's soft edge
# Our choice: on a band's soft edge a long flash is seen in parts of 0.2°, 0.6 px at a rim of 180 px; a dozen at most.
PART_DEG, MOST_PARTS = 0.2, 12


@dataclass(frozen=True, eq=False)
class Frame:
    """One frame of the clip.

    luma : (height, width) code values of the sensor's rows, limited range; chroma (height/2, width/2, 2).
    time_s : when row 0 begins its exposure, on the scene's clock.
    """

    luma: np.ndarray
    chroma: np.ndarray
    time_s: float


@dataclass(frozen=True, eq=False)
class Shoot:
    """Everything that the frames are made from."""

    scene: Scene
    motion: CrankMotion
    flashes: tuple[Flash, ...]
    light: FlashLight
    shutter: Shutter
    stage: Stage
    lit_by: dict[int, tuple[Flash, ...]]  # for each frame, the flashes that may light a row of it
    lamp: Lamp | None = None


def prepare(scene: Scene) -> Shoot:
    """Draw the scene and work out its flashes."""
    motion = crank_motion(scene) if scene.hand is None else hand_motion(scene)
    light, filmed = flash_light(scene.strobe), shutter(scene)
    flashes = tuple(all_flashes(scene, motion))
    lit_by: dict[int, tuple[Flash, ...]] = {}
    for flash in flashes:
        if not flash.missed:
            for frame in filmed.frames_lit(flash.time_s, light):
                lit_by[frame] = (*lit_by.get(frame, ()), flash)
    lamp = make_lamp(scene, motion) if scene.lamp is not None else None
    return Shoot(scene, motion, flashes, light, filmed, Stage(scene, motion), lit_by, lamp)


def frames(scene: Scene | Shoot) -> Iterator[Frame]:
    """The clip's frames, one after another; the same seed gives the same frames.

    Parameters
    ----------
    scene : Scene or Shoot
        A scene, or one already prepared.

    Yields
    ------
    Frame
    """
    shoot = scene if isinstance(scene, Shoot) else prepare(scene)
    camera = shoot.scene.camera
    sensor = Sensor(camera, shoot.stage.shading.corners, shoot.scene.seed)
    gains = in_steps(camera.gain, shoot.shutter.start_s) if camera.gain else np.ones(shoot.shutter.start_s.size)
    for number, start_s in enumerate(shoot.shutter.start_s):
        codes: Codes = sensor.develop(light_on_sensor(shoot, number), number, float(gains[number]))
        yield Frame(codes.luma, codes.chroma, float(start_s))


def light_on_sensor(shoot: Shoot, number: int) -> Planes:
    """Linear light that the rows of one frame collect, without noise."""
    camera = shoot.scene.camera
    total = _ambient(shoot, number)
    _add_lamp(shoot, total, number)
    for flash in shoot.lit_by.get(number, ()):
        _add_flash(shoot, total, flash, number)
    return _stabilised(shoot, total, number) if camera.stabilised and not shoot.stage.view.steady else total


def _stabilised(shoot: Shoot, planes: Planes, number: int) -> Planes:
    """Move each row back by the hand's quick turning, as a phone's stabiliser does: rows no longer tell the time."""
    camera = shoot.scene.camera
    row_s = shoot.shutter.start_s[number] + np.arange(camera.height) * shoot.shutter.line_time_s
    shift = camera.stabilised * shoot.stage.view.fast_shift_px(row_s)
    turn = np.linalg.inv(shoot.stage.view.shown_to_sensor()[:2, :2]).T  # a shift as shown, on the sensor's axes
    shift = (shift @ np.round(turn)).astype(np.float32)
    moved = []
    for step, plane in ((1, planes.luma), (2, planes.chroma)):
        columns = np.arange(plane.shape[1], dtype=np.float32)[None, :] + shift[::step, :1] / step
        rows = np.arange(plane.shape[0], dtype=np.float32)[:, None] + shift[::step, 1:] / step
        rows = np.ascontiguousarray(np.broadcast_to(rows, columns.shape))
        moved.append(cv2.remap(plane, columns, rows, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE))
    return Planes(moved[0], moved[1], 0)


def flash_picture(scene: Scene | Shoot, time_s: float) -> np.ndarray:
    """One flash on every row, linear luma, without noise, ambient light or lens shading.

    Parameters
    ----------
    scene : Scene or Shoot
    time_s : float
        Centre of the flash.

    Returns
    -------
    ndarray, shape (height, width), float32
    """
    shoot = scene if isinstance(scene, Shoot) else prepare(scene)
    return _flash_planes(shoot, time_s, (0.0, 1.0), (0, shoot.scene.camera.height)).luma


def render_clip(
    scene: Scene, out_path: str | Path, progress: Callable[[int, int], None] | None = None
) -> dict[str, Path]:
    """Render a scene to a video file, with its truth and a copy of the scene beside it.

    Parameters
    ----------
    scene : Scene
    out_path : str or Path
        The video file, .mp4 or .mov. Written whole or not at all; an existing one is replaced.
    progress : callable, optional
        Called with frames done and frames in all.

    Returns
    -------
    dict
        Paths written: clip, truth_csv, truth_json, scene.
    """
    out = Path(out_path)
    if not out.parent.is_dir():
        raise CannotUse(
            found=f"no folder {out.parent}", expected="a folder that exists", do="make it, or correct --out"
        )
    shoot = prepare(scene)
    stamps = frame_stamps(scene, shoot.shutter)
    count = shoot.shutter.start_s.size

    def counted() -> Iterator[Frame]:
        for number, frame in enumerate(frames(shoot)):
            yield frame
            if progress is not None:
                progress(number + 1, count)

    rows = truth(shoot)
    with tempfile.TemporaryDirectory(dir=out.parent, prefix=".staging-") as name:
        made = Path(name)
        write_clip(scene, counted(), stamps, engine_sound(scene, shoot.motion), made / out.name)
        targets = {
            "clip": out,
            "truth_csv": out.with_suffix(".truth.csv"),
            "truth_json": out.with_suffix(".truth.json"),
            "scene": out.with_suffix(".scene.toml"),
        }
        (made / targets["truth_csv"].name).write_text(truth_csv(rows), encoding="utf-8")
        (made / targets["truth_json"].name).write_text(truth_json(shoot, stamps), encoding="utf-8")
        (made / targets["scene"].name).write_text(_scene_beside(scene, out.parent), encoding="utf-8")
        for target in targets.values():
            shutil.move(made / target.name, target)
    return targets


def _scene_beside(scene: Scene, folder: Path) -> str:
    """The scene's text, its engine path as it must read from the clip's folder."""
    old = f'"{_engine_line(scene)}"'
    new = os.path.relpath(scene.engine_path.resolve(), folder.resolve())
    return scene.text.replace(old, f'"{new}"', 1)


def _engine_line(scene: Scene) -> str:
    return os.path.relpath(scene.engine_path, scene.folder) if scene.text else ""


def _ambient(shoot: Shoot, number: int) -> Planes:
    scene = shoot.scene
    camera, light = scene.camera, scene.light
    height, width = camera.height, camera.width
    if light.ambient == 0:
        empty = np.zeros((height // 2, width // 2, 2), np.float32)
        return Planes(np.zeros((height, width), np.float32), empty, 0)
    start_s, exposure_s = shoot.shutter.start_s[number], shoot.shutter.exposure_s[number]
    planes = shoot.stage.under_steady_light(start_s, exposure_s)
    _defocus(planes, focus_blur_px(shoot, start_s))
    opens = start_s + np.arange(height) * scene.line_time_s
    level = light.ambient * exposure_s / shoot.shutter.exposure_s[0] * flicker(light, opens, exposure_s)
    planes.luma *= level.astype(np.float32)[:, None]
    planes.chroma *= level[::2].astype(np.float32)[:, None, None]
    return planes


def _add_lamp(shoot: Shoot, total: Planes, number: int) -> None:
    if shoot.lamp is None:
        return
    start_s, exposure_s = shoot.shutter.start_s[number], float(shoot.shutter.exposure_s[number])
    rows = np.arange(shoot.scene.camera.height)
    bright = shoot.lamp.brightness(start_s + rows * shoot.shutter.line_time_s, exposure_s)
    bright *= exposure_s / shoot.shutter.exposure_s[0]
    middle_s = float(start_s + shoot.shutter.line_time_s * rows.size / 2 + exposure_s / 2)
    shoot.lamp.shine(total, shoot.stage.view, middle_s, bright)


def _add_flash(shoot: Shoot, total: Planes, flash: Flash, number: int) -> None:
    weights = shoot.shutter.row_weights(number, flash.time_s, shoot.light)
    lit = np.flatnonzero(weights > 1e-4)
    if lit.size == 0:
        return
    first, last = int(lit[0]) // 2 * 2, (int(lit[-1]) + 2) // 2 * 2
    smear_deg = DEG_PER_S_PER_RPM * flash.rpm * (shoot.light.span_s[1] - shoot.light.span_s[0])
    whole = np.flatnonzero(weights > 1 - 1e-6)
    parts = min(MOST_PARTS, int(np.ceil(smear_deg / PART_DEG))) if smear_deg > SPLIT_DEG else 1
    if parts == 1 or whole.size == 0:
        runs = [(first, last)]
        split = [parts > 1]
    else:
        inner = (int(whole[0]) + 1) // 2 * 2, (int(whole[-1]) + 1) // 2 * 2
        runs, split = [(first, inner[0]), inner, (inner[1], last)], [True, False, True]
    for run, in_parts in zip(runs, split, strict=True):
        if run[1] <= run[0]:
            continue
        for part in range(parts if in_parts else 1):
            share = (part / parts, (part + 1) / parts) if in_parts else (0.0, 1.0)
            _add_part(shoot, total, flash, number, share, run)


def _add_part(
    shoot: Shoot, total: Planes, flash: Flash, number: int, share: tuple[float, float], run: tuple[int, int]
) -> None:
    opens = shoot.shutter.start_s[number] + np.arange(*run) * shoot.shutter.line_time_s - flash.time_s
    light, exposure_s = shoot.light, shoot.shutter.exposure_s[number]
    got = np.clip(light.emitted(opens + exposure_s), *share) - np.clip(light.emitted(opens), *share)
    if got.max() <= 0:
        return
    planes = _flash_planes(shoot, flash.time_s, share, run)
    weights = (got * flash.brightness).astype(np.float32)
    total.luma[run[0] : run[1]] += planes.luma * weights[:, None]
    half = slice(run[0] // 2, run[1] // 2)
    total.chroma[half] += planes.chroma * ((weights[::2] + weights[1::2]) / 2)[:, None, None]


def _flash_planes(shoot: Shoot, time_s: float, share: tuple[float, float], run: tuple[int, int]) -> Planes:
    """Rows of the picture by one flash, out of focus where the scene says so."""
    blur_px = focus_blur_px(shoot, time_s)
    spare = 2 * int(np.ceil(2 * blur_px))
    low, high = max(0, run[0] - spare), min(shoot.scene.camera.height, run[1] + spare)
    planes = shoot.stage.under_flash(time_s, shoot.light, share, (low, high))
    _defocus(planes, blur_px)
    cut = slice(run[0] - low, run[1] - low)
    half = slice(cut.start // 2, cut.stop // 2)
    return Planes(planes.luma[cut], planes.chroma[half], run[0])


def focus_blur_px(shoot: Shoot, time_s: float) -> float:
    """Sd of the blur at a moment, px."""
    return shoot.stage.view.focus_blur_px(time_s)


def _defocus(planes: Planes, blur_px: float) -> None:
    if blur_px > 0:
        planes.luma = cv2.GaussianBlur(planes.luma, (0, 0), blur_px)
        planes.chroma = cv2.GaussianBlur(planes.chroma, (0, 0), max(blur_px / 2, 0.1))


def without_noise(scene: Scene) -> Scene:
    """The same scene by a sensor without noise."""
    return replace(scene, camera=scene.camera.model_copy(update={"photon_noise": 0.0, "read_noise": 0.0}))
