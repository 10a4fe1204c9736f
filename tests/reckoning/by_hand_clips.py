"""Scenes of an engine turned by hand, in steady light, rendered small for the tests."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from timingcam.engine import Engine, read_engine
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

ENGINES = Path(__file__).parents[2] / "shared" / "engines"

# Forwards past the switching, back, forwards again, at some 15 degrees a second there.
STATIC = """
seed = {seed}
[engine]
file = "{engine}"
cylinder = "{cylinder}"
[run]
duration_s = {duration_s}
[hand]
course = {course}
[lamp]
lights_btdc_deg = 10.4
goes_out_btdc_deg = -70
rise_ms = 0.5
{lamp}
[camera]
width = 640
height = 360
fps = 30
exposure_s = 0.01
{camera}
[camera.shake]
turn_px = 1.0
sway_mm = 0.3
[light]
ambient = 0.55
{tail}
"""
TWO_PASSES = "[[0,-45],[0.3,-45],[1.3,-20],[3.2,2],[3.5,2],[5.0,-38],[5.2,-38],[5.8,-20],[7.7,2],[8.0,2]]"
TILTED = "tilt_deg = 5.0\ntilt_from_deg = 70.0"

# From one side of the stop, 25 degrees before TDC, all the way round to the other.
STOPS = "[[0,200],[0.2,200],[2.0,345],[2.8,345],[5.2,15],[6.0,15],[7.5,140],[8,150]]"
TDC = STATIC[: STATIC.index("[lamp]")] + (
    "stop_deg = 25.0\nstop_give_deg = 0.02\n[camera]" + STATIC.split("[camera]")[1].split("[camera.shake]")[0]
    + "[camera.shake]" + STATIC.split("[camera.shake]")[1] + "[rotor]\nmark_error_deg = 0.7\n"
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class HandClip:
    """A rendered clip, what it ought to show, and the engine that it is of."""

    path: Path
    truth: dict[str, Any]
    engine: Engine
    cylinder: str


def rendered(
    text: str, folder: Path, *, engine: str = "demo-twin.toml", turns: str | None = None, **filled: Any
) -> HandClip:
    """Render a scene; `turns` makes another engine file of the one named, turning that way."""
    source = (ENGINES / engine).read_text(encoding="utf-8")
    if turns is not None:
        old = "anticlockwise" if turns == "clockwise" else "clockwise"
        source = source.replace(f'turns = "{old}"\nrim', f'turns = "{turns}"\nrim')
    (folder / "engine.toml").write_text(source, encoding="utf-8")
    given = {"seed": 5, "cylinder": "left", "duration_s": 8.0, "course": TWO_PASSES, "lamp": "", "camera": TILTED,
             "tail": "", **filled}  # fmt: skip
    scene = scene_from_text(text.format(engine="engine.toml", **given), folder)
    written = render_clip(scene, folder / "clip.mp4")
    truth = json.loads(written["truth_json"].read_text(encoding="utf-8"))
    return HandClip(written["clip"], truth, read_engine(folder / "engine.toml"), given["cylinder"])


def true_mean_deg(clip: HandClip, *, on: bool = True) -> float:
    """Mean over the passes forwards of the angle at which the lamp really switched."""
    at = [one["btdc_deg"] for one in clip.truth["lamp"]["switchings"] if one["forwards"] and one["on"] == on]
    return sum(at) / len(at)
