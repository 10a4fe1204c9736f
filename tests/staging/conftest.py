"""Small scenes for the tests of staged footage: an invented engine, plain looks, few pixels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from timingcam.staging.scene import Scene, scene_from_text

ENGINE = """
format = 1
name = "Test twin"
[crank]
strokes = 4
sparks_per_rev = 0.5
[[cylinder]]
name = "near"
tdc_deg = 0.0
[[cylinder]]
name = "far"
tdc_deg = 540.0
[rotor]
turns = "{turns}"
rim_diameter_mm = 100.0
index_above_mm = 0.0
{extra}
[[rotor.mark]]
name = "F"
cylinder = "near"
btdc_deg = 30.0
paint = "white"
[spec]
curve = [[1000, 8.0], [2000, 8.0], [4000, 32.0], [9000, 32.0]]
tolerance_deg = 2.0
"""

PLAIN = """
[run]
duration_s = 0.5
rpm = 3000
wander_share = 0.0
ripple_share = 0.0
jitter_deg = 0.0
{run}
[strobe]
delay_us = 0.0
flash_us = 1.0
brightness_sd = 0.0
spot_share = 100.0
{strobe}
[camera]
width = 640
height = 480
fps = 30
line_time_us = 20.0
exposure_s = 0.02
focal_px = 1500.0
distance_mm = 375.0
photon_noise = 0.0
read_noise = 0.0
sharpening = 0.0
vignetting = 0.0
tone = "flat"
{camera}
[light]
ambient = 0.0
{light}
[rotor]
finish = "cast"
letters = false
bolts = 0
holes = 0
dirt = 0.0
scratches = 0
{rotor}
[stator]
index = "line"
pickup = false
screws = 0
{stator}
"""


@pytest.fixture
def staged(tmp_path: Path) -> Callable[..., Scene]:
    """Build a plain scene: `staged(turns=..., run="rpm = 900", camera=..., top="seed = 2")`."""

    def build(turns: str = "clockwise", extra: str = "", top: str = "", tail: str = "", **lines: str) -> Scene:
        (tmp_path / "engine.toml").write_text(ENGINE.format(turns=turns, extra=extra), encoding="utf-8")
        kept = PLAIN
        for added in lines.values():
            for line in added.splitlines():
                key = line.split("=")[0].strip()
                kept = "\n".join(old for old in kept.splitlines() if old.split("=")[0].strip() != key)
        tables = {name: lines.get(name, "") for name in ("run", "strobe", "camera", "light", "rotor", "stator")}
        text = f'{top}\n[engine]\nfile = "engine.toml"\ncylinder = "near"\n' + kept.format(**tables) + tail
        return scene_from_text(text, tmp_path)

    return build
