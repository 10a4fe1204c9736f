"""The scene file: what is staged, as data, and the checks of that data.

In:  a TOML file of nested tables; every table and nearly every key may be left out.
Out: `Scene`, frozen, with the engine that it names already read.
Not here: any picture, any physics. Lengths, times and angles carry their unit in their key.
"""

from __future__ import annotations

import difflib
import json
import tomllib
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import numpy as np
from pydantic import BaseModel, ValidationError

from timingcam.engine import Engine, read_engine
from timingcam.errors import CannotUse
from timingcam.staging.scene_tables import (
    Camera,
    Hand,
    Lamp,
    Light,
    Points,
    RotorLook,
    Run,
    Sound,
    StatorLook,
    Strobe,
    Tables,
    Trouble,
)


@dataclass(frozen=True)
class Scene:
    """All that is staged."""

    seed: int
    engine: Engine
    cylinder: str
    run: Run
    strobe: Strobe
    camera: Camera
    light: Light
    rotor: RotorLook
    stator: StatorLook
    sound: Sound
    trouble: Trouble
    hand: Hand | None = None
    lamp: Lamp | None = None
    text: str = ""  # the file as it was read
    folder: Path = Path()
    engine_path: Path = Path()
    decal: np.ndarray | None = None  # grey, (n, n), 0 to 1

    @property
    def line_time_s(self) -> float:
        """Time from one row of the sensor to the next, s."""
        us = self.camera.line_time_us
        return us * 1e-6 if us is not None else 0.8 / self.camera.fps / self.camera.height

    @property
    def index_above_mm(self) -> float:
        """True height of the index over the marks' plane, mm."""
        if self.stator.index_above_mm is not None:
            return self.stator.index_above_mm
        return self.engine.rotor.index_above_mm or 0.0

    @property
    def advance(self) -> Points:
        """The true advance curve, [rpm, degrees] points."""
        if self.run.advance is not None:
            return self.run.advance
        if self.engine.spec is None:
            raise CannotUse(
                found="no run.advance, and an engine file without [spec]",
                expected="a true advance curve",
                do="give [run] advance = [[rpm, degrees], …]",
            )
        return self.engine.spec.curve


def read_scene(path: str | Path) -> Scene:
    """Read a scene file and the engine file that it names.

    Parameters
    ----------
    path : str or Path
        The TOML file; paths in it are taken from its own folder.

    Returns
    -------
    Scene

    Raises
    ------
    CannotUse
        If either file is missing, not TOML, or holds what cannot be.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise CannotUse(
            found=f"{path.name}: {fault}", expected="a scene file in UTF-8", do="check the path of the scene file"
        ) from fault
    return scene_from_text(text, path.parent, name=path.name)


def scene_from_text(text: str, folder: str | Path, name: str = "scene") -> Scene:
    """Build a scene from the text of a scene file.

    Parameters
    ----------
    text : str
        TOML.
    folder : str or Path
        Where relative paths in it start.
    name : str
        What to call it in messages.

    Returns
    -------
    Scene

    Raises
    ------
    CannotUse
        As `read_scene`.
    """
    folder = Path(folder)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise CannotUse(found=f"{name}: {fault}", expected="TOML", do="mend that line") from fault
    try:
        # Through JSON, where a list may stand for a tuple while types stay strict.
        tables = Tables.model_validate_json(json.dumps(data))
    except (ValidationError, TypeError) as fault:
        raise _in_words(fault, name) from fault
    engine_path = folder / tables.engine.file
    scene = Scene(
        engine=read_engine(engine_path),
        cylinder=tables.engine.cylinder,
        text=text,
        folder=folder,
        engine_path=engine_path,
        decal=_read_decal(folder, tables.rotor.decal),
        **{key: getattr(tables, key) for key in Tables.model_fields if key != "engine"},
    )
    _check_whole(scene, name)
    return scene


def _read_decal(folder: Path, name: str | None) -> np.ndarray | None:
    if name is None:
        return None
    import cv2

    grey = cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise CannotUse(found=f"{name}: no picture that can be read", expected="a PNG", do="check rotor.decal")
    return grey.astype(np.float32) / 255


def _check_whole(scene: Scene, name: str) -> None:
    names = [cylinder.name for cylinder in scene.engine.cylinder]
    for key, given in (("engine.cylinder", scene.cylinder), ("strobe.lead", scene.strobe.lead)):
        if given is not None and given not in names:
            raise CannotUse(
                found=f"{name}: {key} = {given!r}", expected=f"one of {', '.join(names)}", do=f"correct {key}"
            )
    for key, points in (
        ("run.rpm", scene.run.rpm),
        ("run.advance", scene.run.advance if scene.hand is not None else scene.advance),
        ("hand.course", scene.hand.course if scene.hand is not None else None),
        ("camera.exposure_s", scene.camera.exposure_s),
        ("camera.gain", scene.camera.gain),
        ("camera.fps_changes", scene.camera.fps_changes),
    ):
        if isinstance(points, tuple):
            _check_points(points, f"{name}: {key}")
    if scene.engine.rotor.marks_on == "edge" and (scene.stator.window or scene.stator.index != "pointer"):
        raise CannotUse(
            found=f"{name}: marks on the rotor's edge, with a timing window or an index cut into the case",
            expected='stator.index = "pointer" and no window',
            do="correct [stator]",
        )
    _check_lamp(scene, name)
    if scene.hand is None and scene.run.rpm == 0 and scene.strobe.free_running_hz is None:
        raise CannotUse(
            found=f"{name}: run.rpm = 0, and a strobe that waits for sparks",
            expected="an engine that turns, or strobe.free_running_hz",
            do="correct one of them",
        )
    frame_s = 1 / max([scene.camera.fps, *(fps for _, fps in scene.camera.fps_changes)])
    if scene.line_time_s * scene.camera.height > frame_s * 1.0001:
        raise CannotUse(
            found=f"{name}: {scene.camera.height} rows of {scene.line_time_s * 1e6:.2f} µs",
            expected=f"all rows within the frame period, {frame_s * 1e3:.2f} ms",
            do=f"give a camera.line_time_us of at most {frame_s / scene.camera.height * 1e6:.2f}",
        )


def _check_lamp(scene: Scene, name: str) -> None:
    lamp = scene.lamp
    if lamp is None or lamp.goes_out_btdc_deg < lamp.lights_btdc_deg:
        return
    raise CannotUse(
        found=f"{name}: a lamp that lights at {lamp.lights_btdc_deg} and goes out at {lamp.goes_out_btdc_deg} degrees "
        "before top dead centre",
        expected="lamp.goes_out_btdc_deg below lamp.lights_btdc_deg",
        do="correct [lamp]",
    )


def _check_points(points: Points, key: str) -> None:
    firsts = [first for first, _ in points]
    if any(b <= a for a, b in pairwise(firsts)):
        raise CannotUse(found=f"{key}: {firsts}", expected="first numbers that rise", do="put the points in order")
    if not key.endswith(("advance", "course")) and any(second <= 0 for _, second in points):
        raise CannotUse(found=f"{key}: {points}", expected="second numbers above 0", do="correct the points")


def _in_words(fault: ValidationError | TypeError, name: str) -> CannotUse:
    if isinstance(fault, TypeError):
        return CannotUse(found=f"{name}: {fault}", expected="numbers, words and lists", do="remove dates and times")
    first = fault.errors()[0]
    where = [str(part) for part in first["loc"]]
    key = ".".join(where)
    if first["type"] == "extra_forbidden":
        known = _known_keys(where[:-1])
        near = difflib.get_close_matches(where[-1], known, n=1, cutoff=0.0)
        hint = f"did you mean {near[0]!r}?" if near else "remove it"
        return CannotUse(found=f"{name}: unknown key {key!r}", expected=f"one of {', '.join(known)}", do=hint)
    if first["type"] == "missing":
        return CannotUse(found=f"{name}: no {key}", expected=f"{key}", do=f"add {key}")
    return CannotUse(found=f"{name}: {key} = {first['input']!r}", expected=first["msg"], do=f"correct {key}")


def _known_keys(where: list[str]) -> list[str]:
    model: Any = Tables
    for part in where:
        field = model.model_fields.get(part)
        if field is None:
            return []
        models = [kind for kind in (field.annotation, *get_args(field.annotation)) if _is_table(kind)]
        if not models:
            return []
        model = models[0]
    return list(model.model_fields)


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
