"""The clips that accuracy is measured on: engines and scenes used for nothing else.

In:  the number of a case, a seed.
Out: the texts of a scene file and of the engine file that it names.
Not here: rendering, measuring.

Nothing of the package was tuned on these but 0 and 1 of each case, which were looked into; whoever changes the package
leaves them alone.
"""

from __future__ import annotations

from dataclasses import dataclass

# Engines by turns: a single, a 360° and a 180° twin, one spark in two turns each, so that a flash comes every 20 ms at
# 6000 rpm and every exposure below is shorter; both ways of turning; names, advances, corners and rims of their own.
ENGINES = (
    """
format = 1
name = "Fennel 212 single"
[crank]
strokes = 4
sparks_per_rev = 0.5
[[cylinder]]
name = "pot"
tdc_deg = 0.0
[rotor]
turns = "clockwise"
rim_diameter_mm = 124.0
index_above_mm = {above}
index_above_sd_mm = 0.0
[[rotor.mark]]
name = "K"
cylinder = "pot"
btdc_deg = -2.0
sd_deg = 0.02
[[rotor.mark]]
name = "L"
cylinder = "pot"
btdc_deg = 7.0
sd_deg = 0.02
[[rotor.mark]]
name = "W"
cylinder = "pot"
btdc_deg = 30.5
sd_deg = 0.02
[spec]
curve = [[1200, 7.0], [1950, 7.0], [4150, 30.5], [6500, 30.5]]
tolerance_deg = 2.0
""",
    """
format = 1
name = "Brindle 380 twin"
[crank]
strokes = 4
sparks_per_rev = 0.5
[[cylinder]]
name = "near"
tdc_deg = 0.0
[[cylinder]]
name = "far"
tdc_deg = 360.0
[rotor]
turns = "anticlockwise"
rim_diameter_mm = 90.0
index_above_mm = {above}
index_above_sd_mm = 0.0
[[rotor.mark]]
name = "Z"
cylinder = ["near", "far"]
btdc_deg = 0.0
sd_deg = 0.02
[[rotor.mark]]
name = "8"
cylinder = ["near", "far"]
btdc_deg = 12.5
sd_deg = 0.02
[[rotor.mark]]
name = "H"
cylinder = ["near", "far"]
btdc_deg = 38.0
sd_deg = 0.02
[spec]
curve = [[1200, 12.5], [1600, 12.5], [3250, 38.0], [6500, 38.0]]
tolerance_deg = 2.0
""",
    """
format = 1
name = "Teasel 301 twin"
[crank]
strokes = 4
sparks_per_rev = 0.5
[[cylinder]]
name = "a"
tdc_deg = 0.0
[[cylinder]]
name = "b"
tdc_deg = 180.0
[rotor]
turns = "clockwise"
rim_diameter_mm = 108.0
index_above_mm = {above}
index_above_sd_mm = 0.0
[[rotor.mark]]
name = "aO"
cylinder = "a"
btdc_deg = 0.0
sd_deg = 0.02
[[rotor.mark]]
name = "aX"
cylinder = "a"
btdc_deg = 27.0
sd_deg = 0.02
[[rotor.mark]]
name = "bO"
cylinder = "b"
btdc_deg = 0.0
sd_deg = 0.02
[[rotor.mark]]
name = "bX"
cylinder = "b"
btdc_deg = 22.0
sd_deg = 0.02
[spec]
curve = [[1200, 4.0], [2300, 4.0], [3900, 27.0], [6500, 27.0]]
tolerance_deg = 2.0
""",
)
FILMED = ("pot", "far", "a")
INDEX = ("line", "pointer", "notch")
FINISH = ("brushed", "cast", "turned")

SCENE = """
seed = {seed}
[engine]
file = "engine.toml"
cylinder = "{cylinder}"
[run]
duration_s = {duration_s}
rpm = {rpm}
jitter_deg = 0.3
hysteresis_deg = 0.0
[strobe]
delay_us = 55.0
flash_us = 25.0
{strobe}
[camera]
{camera}
rotor_share = {share}
aim_px = [{aim_x}, {aim_y}]
{shake}
[light]
{light}
from_deg = {light_from}
[rotor]
finish = "{finish}"
marks = "{marks}"
{paint}
[stator]
index = "{index}"
index_at_deg = {index_at}
"""

CAMERAS = {
    1: "width = 1920\nheight = 1080\nfps = 60\nline_time_us = 12.5\nexposure_s = 0.0065",
    2: "width = 1280\nheight = 720\nfps = 30\nline_time_us = 31.0\nexposure_s = 0.0095\ntilt_deg = 20.0\n"
    "tilt_from_deg = {from_deg}",
    3: "width = 1280\nheight = 720\nfps = 30\nline_time_us = 28.0\nexposure_s = 0.0125\ntilt_deg = 4.0\n"
    "tilt_from_deg = {from_deg}\nphoton_noise = 0.03\nread_noise = 0.008",
}
HAND = "[camera.shake]\nturn_px = 5.0\nsway_mm = 2.0\nroll_deg = 0.4\nbreathing_share = 0.004"
STEADY_HAND = "[camera.shake]\nturn_px = 1.0\nsway_mm = 0.3\nroll_deg = 0.05"
SHAKES = {1: "", 2: HAND, 3: STEADY_HAND}
ABOVE_MM = {1: 1.5, 2: 4.0, 3: 2.0}
# Up and down once: 1200 to 6000 at some 1200 rpm a second.
SWEEP = "[[0.0, 1200], [0.8, 1200], [4.8, 6000], [5.4, 6000], [9.2, 1200], [10.0, 1200]]"
LONG_SWEEP = "[[0.0, 1200], [1.0, 1200], [7.0, 6000], [8.0, 6000], [13.0, 1200], [14.0, 1200]]"


@dataclass(frozen=True)
class Staged:
    """One clip to be: its two files, and the strobe's delay, which the measurement is told."""

    scene: str
    engine: str
    cylinder: str
    delay_s: float


def staged(case: int, k: int) -> Staged:
    """The k-th clip of a case; every third has the same engine."""
    e = k % len(ENGINES)
    seed = 90_000 + 1000 * case + k
    text = SCENE.format(
        seed=seed,
        cylinder=FILMED[e],
        duration_s=10.0 if case == 1 else 14.0,
        rpm=SWEEP if case == 1 else LONG_SWEEP,
        strobe="brightness = 0.7" if case == 3 else "",
        camera=CAMERAS[case].format(from_deg=(75 * k + 40) % 360),
        share=(0.36, 0.31, 0.41)[e],
        aim_x=(12.0, -30.0, 25.0)[e],
        aim_y=(-8.0, 14.0, 5.0)[e],
        shake=SHAKES[case],
        light="ambient = 0.12" if case == 3 else "ambient = 0.05",
        light_from=(300, 40, 200)[e],
        finish=FINISH[(e + k // 3) % 3],
        marks="engraved" if case == 3 else "painted",
        paint="" if case == 3 else 'paint = "white"',
        index=INDEX[(e + k // 3) % 3],
        index_at=(20.0, -35.0, 90.0)[e],
    )
    return Staged(text, ENGINES[e].format(above=ABOVE_MM[case]), FILMED[e], 55e-6)
