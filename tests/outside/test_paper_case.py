"""One case of marks, index, direction and advance, worked out on paper, that renderer and measurement must both meet.

The paper (angles clockwise as the camera sees it, 12 o'clock is 0; no source but the definitions of formats):

    A rotor carries F, 20 degrees before top dead centre, and T, top dead centre, of one cylinder. The index is at 12
    o'clock. It turns clockwise. At top dead centre T stands at 12 o'clock by definition. F came by 20 degrees of crank
    earlier and has since gone 20 degrees on, clockwise: F stands at 20 degrees.
    Now the spark comes 26 degrees before top dead centre. The crank still has 26 degrees to turn, so everything stands
    26 degrees further back: T at -26, F at 20 - 26 = -6. F has not reached the index: it is "past" it by -6, and
    20 - (-6) = 26.
    With the spark at 13 degrees: T at -13, F at +7, past the index by 7 in the direction of turning, and 20 - 7 = 13.
    Turning anticlockwise every one of these angles has the other sign, and "past" is counted the other way: the same
    advances.

The trade's rule, common practice, no source: a mark past the index in the direction of rotation means less advance.
"""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from timingcam.reckoning.assemble import btdc_of_marks
from timingcam.seeing.marks import Index, Marks, advance_seen, mark_places, sense_of
from timingcam.staging.render import flash_picture, prepare
from timingcam.staging.scene import Scene, read_scene
from timingcam.staging.strobe import seen_advance_deg

ENGINE = """
format = 1
name = "On paper"
[crank]
strokes = 4
sparks_per_rev = 0.5
[[cylinder]]
name = "one"
tdc_deg = 0.0
[rotor]
turns = "{turns}"
rim_diameter_mm = 100.0
index_above_mm = 0.0
[[rotor.mark]]
name = "T"
cylinder = "one"
btdc_deg = 0.0
[[rotor.mark]]
name = "F"
cylinder = "one"
btdc_deg = 20.0
[spec]
curve = [[1000, 13.0], [9000, 26.0]]
tolerance_deg = 2.0
"""
SCENE = """
[engine]
file = "engine.toml"
cylinder = "one"
[run]
duration_s = 1.0
rpm = 3000
wander_share = 0.0
ripple_share = 0.0
jitter_deg = 0.0
advance = [[1000, {advance}], [9000, {advance}]]
[strobe]
delay_us = 0.0
flash_us = 1.0
spot_share = 30.0
[camera]
width = 640
height = 480
rotor_share = 0.42
[rotor]
finish = "cast"
marks = "painted"
paint = "white"
letters = false
bolts = 0
holes = 0
dirt = 0.0
scratches = 0
[stator]
index = "line"
pickup = false
screws = 0
"""
# advance: clock angle of T and of F, turning clockwise
PAPER = {26.0: (-26.0, -6.0), 13.0: (-13.0, 7.0), 20.0: (-20.0, 0.0)}
SENSE = {"clockwise": 1, "anticlockwise": -1}
cases = pytest.mark.parametrize(("turns", "advance_deg"), [(turns, a) for turns in SENSE for a in PAPER])


@pytest.fixture
def scene(tmp_path: Path, turns: str, advance_deg: float) -> Scene:
    (tmp_path / "engine.toml").write_text(ENGINE.format(turns=turns), encoding="utf-8")
    (tmp_path / "scene.toml").write_text(SCENE.format(advance=advance_deg), encoding="utf-8")
    return read_scene(tmp_path / "scene.toml")


def white_lines_deg(picture: np.ndarray) -> list[float]:
    """Clock angles of the painted lines on the rotor, by their centres of gravity about the picture's middle."""
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    x, y = x - 319.5, y - 239.5
    radius = np.hypot(x, y) / (0.42 * 480)
    white = ((picture > 0.55 * picture.max()) & (radius > 0.82) & (radius < 0.96)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(white)
    found = []
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] > 30:
            here = labels == k
            found.append(math.degrees(math.atan2(x[here].mean(), -y[here].mean())))
    return sorted(found)


@cases
def test_the_renderer_s_picture_and_truth(scene: Scene, turns: str, advance_deg: float) -> None:
    shoot = prepare(scene)
    flash = shoot.flashes[len(shoot.flashes) // 2]
    assert flash.advance_deg == pytest.approx(advance_deg, abs=1e-6)
    # At the very spark: half a microsecond of light and no delay.
    assert flash.seen_deg == pytest.approx(advance_deg, abs=0.01)
    expected = sorted(SENSE[turns] * deg for deg in PAPER[advance_deg])
    # Painted by hand, with a wobble of a tenth of a millimetre: 0.12 degrees at this radius.
    assert white_lines_deg(flash_picture(shoot, flash.time_s)) == pytest.approx(expected, abs=0.25)


@cases
def test_the_measurement(scene: Scene, turns: str, advance_deg: float) -> None:
    engine, sense = scene.engine, SENSE[turns]
    assert sense_of(engine) == sense
    t_clock, f_clock = (sense * deg for deg in PAPER[advance_deg])
    # In the plane's angles, which begin at 3 o'clock; the map's zero may be anywhere: here T is drawn on it at 50.
    index = Index(-90.0, 0.0, 1.03, 1.0)
    turn_deg = (t_clock - 90.0) - 50.0
    marks = Marks((), index, 50.0, 0.0, 0.0, ())
    assert advance_seen(marks, np.array([turn_deg]), engine, "one", sense) == pytest.approx([advance_deg], abs=1e-9)
    # And F is where the measurement looks for it.
    places = {p.name: p.deg for p in mark_places(engine, btdc_of_marks(engine), sense)}
    assert 50.0 + places["F"] + turn_deg == pytest.approx(f_clock - 90.0, abs=1e-9)


@cases
def test_the_measurement_of_the_renderer_s_picture(scene: Scene, turns: str, advance_deg: float) -> None:
    """One picture for both: where its lines are found, with no help from either, is handed to the measurement."""
    sense = SENSE[turns]
    shoot = prepare(scene)
    flash = shoot.flashes[len(shoot.flashes) // 2]
    # On paper T lies before F in the sense of turning.
    t_clock, f_clock = (
        sense * deg for deg in sorted(sense * deg for deg in white_lines_deg(flash_picture(shoot, flash.time_s)))
    )
    marks = Marks((), Index(-90.0, 0.0, 1.03, 1.0), 50.0, 0.0, 0.0, ())
    read = advance_seen(marks, np.array([t_clock - 90.0 - 50.0]), scene.engine, "one", sense)
    # The paint's wobble, 0.12 degrees, twice.
    assert read == pytest.approx([advance_deg], abs=0.25)
    places = {p.name: p.deg for p in mark_places(scene.engine, btdc_of_marks(scene.engine), sense)}
    assert f_clock - t_clock == pytest.approx(places["F"] - places["T"], abs=0.25)


@cases
def test_the_trade_s_rule(scene: Scene, turns: str, advance_deg: float) -> None:
    """A fifth of a millisecond later, at 3000 rpm, F has gone 3.6 degrees on: 3.6 degrees less advance, say both."""
    sense = SENSE[turns]
    shoot = prepare(scene)
    spark_s = shoot.flashes[len(shoot.flashes) // 2].time_s
    first, later = (white_lines_deg(flash_picture(shoot, t)) for t in (spark_s, spark_s + 0.2e-3))
    # The same painted lines, so their wobble is the same: a tenth of a pixel of 200.
    assert np.subtract(later, first) == pytest.approx([sense * 3.6] * 2, abs=0.05)
    seen = seen_advance_deg(scene, shoot.motion, np.array([spark_s, spark_s + 0.2e-3]))
    assert seen[1] - seen[0] == pytest.approx(-3.6, abs=0.005)
    marks = Marks((), Index(-90.0, 0.0, 1.03, 1.0), 50.0, 0.0, 0.0, ())
    turn_deg = sense * PAPER[advance_deg][0] - 90.0 - 50.0
    read = advance_seen(marks, np.array([turn_deg, turn_deg + sense * 3.6]), scene.engine, "one", sense)
    assert read[1] - read[0] == pytest.approx(-3.6, abs=1e-9)
