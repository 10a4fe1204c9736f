"""Where marks come to stand in rendered pictures: direction, place, smear, parallax."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from timingcam.staging.motion import crank_motion
from timingcam.staging.render import flash_picture, frames, light_on_sensor, prepare
from timingcam.staging.truth import parallax_deg

CENTRE = (319.5, 239.5)
RIM_PX = 200.0  # 50 mm · 1500 px / 375 mm


def clock_of_paint(
    picture: np.ndarray, near_deg: float, radius_px: float = 0.9 * RIM_PX, reach_deg: float = 8.0
) -> float:
    """Clock angle of the bright line's middle along an arc, by its centre of brightness."""
    clock = near_deg + np.linspace(-reach_deg, reach_deg, 3201)
    x = CENTRE[0] + radius_px * np.sin(np.radians(clock))
    y = CENTRE[1] - radius_px * np.cos(np.radians(clock))
    line = cv2.remap(picture, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_CUBIC)[0]
    line = np.clip(line - (np.median(line) + 0.25 * (line.max() - np.median(line))), 0, None)
    return float((line * clock).sum() / line.sum())


@pytest.mark.parametrize(("turns", "sign"), [("clockwise", 1), ("anticlockwise", -1)])
def test_case_worked_out_on_paper(staged, turns, sign):
    """A mark at 30° BTDC, a spark at 24°, no delay: the mark has gone 6° past the index, the way the rotor turns.

    Square on, 1500 px at 375 mm, the middle of the line at 45 mm lies 180 px from the centre: with the index at twelve
    o'clock at (319.5 ± 180·sin 6°, 239.5 − 180·cos 6°) = (319.5 ± 18.815, 60.486).
    """
    scene = staged(turns=turns, run="advance = [[1000, 24.0], [9000, 24.0]]")
    shoot = prepare(scene)
    picture = flash_picture(shoot, shoot.flashes[2].time_s)
    found = clock_of_paint(picture, sign * 6.0)
    # The hand-painted edge wobbles by 0.12 mm alike on both sides; what is left is noise of the paint, 0.1 px = 0.03°.
    assert found == pytest.approx(sign * 6.0, abs=0.03)
    x, y = (319.5 + sign * 18.815, 60.486)
    patch = picture[round(y) - 3 : round(y) + 4, round(x) - 3 : round(x) + 4]
    assert patch.mean() > 1.4 * np.median(picture[60:80, 200:440])


def test_marks_turn_with_the_crank_to_far_below_a_pixel(staged):
    shoot = prepare(staged(run="rpm = 3000\nstart_deg = 0.0"))
    motion = crank_motion(shoot.scene)
    want = np.array([-7.3, -2.11, 0.0, 0.37, 4.9])
    found = [
        clock_of_paint(flash_picture(shoot, float(motion.time_at(690 + w))), w) for w in want
    ]  # the mark passes at 720 − 30
    steps = np.array(found) - want
    # 0.02 px on a 180 px circle are 0.0064°.
    assert np.ptp(steps) < 2 * 0.0064


@pytest.mark.parametrize("at_deg", [0.0, 77.0, 200.0])
def test_the_index_may_stand_anywhere(staged, at_deg):
    shoot = prepare(staged(stator=f"index_at_deg = {at_deg}", run="rpm = 3000\nstart_deg = 0.0"))
    picture = flash_picture(shoot, float(crank_motion(shoot.scene).time_at(690 + 3)))
    assert clock_of_paint(picture, at_deg + 3) == pytest.approx(at_deg + 3, abs=0.03)


def test_index_line_is_where_the_index_stands(staged):
    picture = flash_picture(staged(rotor="mark_width_mm = 0.5"), 0.1)
    dark = picture.max() - picture
    # The line is cut into the land outside the bore, 51.6 to 58 mm from the axis.
    assert clock_of_paint(dark, 0.0, radius_px=54.0 * 4, reach_deg=3.0) == pytest.approx(0.0, abs=0.02)


def on_arc(picture: np.ndarray, clock: np.ndarray) -> np.ndarray:
    x, y = CENTRE[0] + 180 * np.sin(np.radians(clock)), CENTRE[1] - 180 * np.cos(np.radians(clock))
    return cv2.remap(picture, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_LINEAR)[0]


@pytest.mark.parametrize("shape", ["square", "decay"])
def test_a_long_flash_smears_about_its_centre(staged, shape):
    clock, mean = np.linspace(-14, 16, 6001), []
    for us in (1.0, 100.0):
        lines = []
        for paint in ("white", "black"):  # the difference is the mark alone, since light adds up
            scene = staged(
                run="rpm = 3000\nstart_deg = 0.0",
                strobe=f'flash_us = {us}\nshape = "{shape}"',
                rotor=f'paint = "{paint}"\nmarks = "painted"',
            )
            shoot = prepare(scene)
            lines.append(on_arc(flash_picture(shoot, float(shoot.motion.time_at(690 + 1))), clock))
        mark = lines[0] - lines[1]
        mean.append((mark * clock).sum() / mark.sum())
    # 100 µs at 3000 rpm are 1.8°; the smear's centre of gravity must stay put to 0.02 px, 0.0064°.
    assert mean[1] == pytest.approx(mean[0], abs=0.0064)


def test_a_long_flash_is_the_sum_of_many_short_ones_row_by_row(staged):
    # The band's upper soft edge, 20 rows of 20 µs for 400 µs of light, is laid over the mark under the index: these
    # rows see only the flash's end, when the rotor has turned on.
    run = "rpm = 3000\nstart_deg = 236.4\nadvance = [[1000, 30.0], [9000, 30.0]]"
    camera = "exposure_s = 0.004\nline_time_us = 20.0"
    shoot = prepare(staged(run=run, camera=camera, strobe="flash_us = 400.0"))
    flash = next(f for f in shoot.flashes if abs(f.time_s - 0.1052) < 1e-6)
    planes = light_on_sensor(shoot, 3)
    weights = shoot.shutter.row_weights(3, flash.time_s, shoot.light)
    soft = np.flatnonzero((weights > 0.02) & (weights < 0.98))
    assert 44 < soft[0] < 56 and soft.size > 16
    short = prepare(staged(run=run, camera=camera, strobe="flash_us = 0.1"))
    brute, parts = np.zeros_like(planes.luma), 100
    for part in range(parts):
        at = flash.time_s + ((part + 0.5) / parts - 0.5) * 400e-6
        opens = shoot.shutter.start_s[3] + np.arange(480) * 20e-6
        open_now = ((opens <= at) & (at < opens + 0.004)).astype(np.float32)
        brute += flash_picture(short, at) * open_now[:, None] * np.float32(flash.brightness / parts)
    # A dozen parts of 0.6° each stand for the edge's rows: within a row they may misplace light by half of that, where
    # the mark's own edge is steepest; on the whole they agree.
    apart = np.abs(planes.luma - brute)[:, 250:400]
    assert apart.mean() < 0.002
    assert apart.max() < 0.06
    whole = on_arc(planes.luma, np.linspace(-5, 5, 50))
    assert whole.max() > 0.1


def test_parallax_of_a_high_index(staged):
    # Published formula, atan(h·tan a/R) for a camera tilted across the radius (check values: h 3 mm, 10°, R 55 mm:
    # 0.551°), here with R 51.6 mm; perspective changes it by h/D, a hundredth.
    for clock, sign in ((90.0, -1), (270.0, 1)):
        scene = staged(camera=f"tilt_deg = 10.0\ntilt_from_deg = {clock}", stator="index_above_mm = 3.0", extra="")
        expected = sign * math.degrees(math.atan(3.0 * math.tan(math.radians(10)) / 51.6))
        assert parallax_deg(prepare(scene)) == pytest.approx(expected, rel=0.02)


def test_ambient_light_blurs_round_the_axis(staged):
    scene = staged(run="rpm = 3000", light="ambient = 1.0", strobe="missed_share = 1.0", camera="exposure_s = 0.03")
    picture = light_on_sensor(prepare(scene), 3).luma
    ring = []
    for clock in np.arange(0, 360, 5):
        x, y = CENTRE[0] + 170 * math.sin(math.radians(clock)), CENTRE[1] - 170 * math.cos(math.radians(clock))
        ring.append(picture[round(y), round(x)])
    # 1.5 turns within the exposure: half a turn is seen twice, the rest once; the painted line is spread over it all.
    assert np.std(ring) / np.mean(ring) < 0.05
    still = flash_picture(staged(), 0.1)
    assert (
        np.std(
            [still[round(239.5 - 180 * math.cos(a)), round(319.5 + 180 * math.sin(a))] for a in np.arange(0, 6.3, 0.02)]
        )
        > 0.05
    )


def test_ambient_blur_stands_at_the_middle_of_each_rows_exposure(staged):
    scene = staged(
        run="rpm = 600\nstart_deg = 0.0", light="ambient = 1.0", strobe="missed_share = 1.0",
        camera="exposure_s = 0.0005\nline_time_us = 1.0",
    )  # fmt: skip
    shoot = prepare(scene)
    number = 3
    angle = float(shoot.motion.angle_deg(number / 30 + 0.00025 + 100e-6))
    # 0.5 ms at 600 rpm: 1.8° of blur; row 100 is within 0.4 ms·3.6°/ms of any row of the mark.
    mark_at = (angle - 690 + 180) % 360 - 180
    if 239.5 - 180 * math.cos(math.radians(mark_at)) < 0:
        pytest.skip("mark not in view")
    row_of_mark = 239.5 - 180 * math.cos(math.radians(mark_at))
    angle = float(shoot.motion.angle_deg(number / 30 + 0.00025 + row_of_mark * 1e-6))
    expected = (angle - 690 + 180) % 360 - 180
    assert clock_of_paint(light_on_sensor(shoot, number).luma, expected) == pytest.approx(expected, abs=0.06)


def test_same_seed_same_frames(staged):
    noisy = "photon_noise = 0.02\nread_noise = 0.01"
    first, again = ([f.luma for f in frames(staged(top="seed = 5", camera=noisy))] for _ in range(2))
    other = [f.luma for f in frames(staged(top="seed = 6", camera=noisy))]
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert not any(np.array_equal(a, b) for a, b in zip(first, other, strict=True))
