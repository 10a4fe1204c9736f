"""The pinhole against OpenCV's own projection and against published-formula numbers."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.staging.camera import apply, on_clock, sensor_grid, tilting, view


def test_square_on_scale_and_directions(staged):
    seen = view(staged())
    h = seen.plane_to_shown(0.0, 0.0)
    assert apply(h, 0, 0) == pytest.approx((319.5, 239.5))
    assert apply(h, *on_clock(50, 0)) == pytest.approx((319.5, 239.5 - 200))  # 50 mm · 1500 px / 375 mm, upwards
    assert apply(h, *on_clock(50, 90)) == pytest.approx((319.5 + 200, 239.5))  # three o'clock is to the right
    nearer = apply(seen.plane_to_shown(5.0, 0.0), *on_clock(50, 90))
    assert nearer[0] - 319.5 == pytest.approx(200 * 375 / 370)


@pytest.mark.parametrize("clock", [0, 60, 135, 250])
def test_the_side_the_camera_stands_off_to_is_nearer(staged, clock):
    seen = view(staged(camera=f"tilt_deg = 20.0\ntilt_from_deg = {clock}.0"))
    h = seen.plane_to_shown(0.0, 0.0)
    centre = np.array(apply(h, 0, 0))
    near, far = (np.linalg.norm(np.array(apply(h, *on_clock(50, clock + turn))) - centre) for turn in (0, 180))
    assert near > far
    # Height towards the camera moves a point away from the side where the camera stands.
    up = np.array(apply(seen.plane_to_shown(5.0, 0.0), 0, 0)) - centre
    assert up @ np.array(on_clock(1, clock)) < 0


@settings(max_examples=40, deadline=None)
# OpenCV takes a turn of less than 1e-5 rad for none when it makes a vector of it.
@given(st.just(0.0) | st.floats(0.001, 40), st.floats(0, 360), st.floats(-60, 60), st.floats(-60, 60), st.floats(-5, 8))
def test_tilt_agrees_with_opencv(tilt, clock, x, y, height):
    turn, shift = tilting(tilt, clock), np.array([4.0, -7.0, 375.0])
    lens = np.array([[1500, 0, 319.5], [0, 1500, 239.5], [0, 0, 1.0]])
    vector, _ = cv2.Rodrigues(turn)
    points, _ = cv2.projectPoints(np.array([[x, y, -height]]), vector, shift, lens, None)
    h = lens @ np.column_stack([turn[:, 0], turn[:, 1], shift - height * turn[:, 2]])
    assert apply(h, x, y) == pytest.approx(tuple(points.ravel()), abs=1e-6)


def test_shown_and_sensor_pixels(staged):
    # Turned 90° clockwise for showing, the sensor's top-left pixel is the picture's top-right one.
    plain = view(staged())
    for rotation, corner in ((90, (479, 0)), (180, (639, 479)), (270, (0, 639))):
        turned = view(staged(camera=f"rotation = {rotation}"))
        assert apply(turned.shown_to_sensor(), *corner) == pytest.approx((0, 0))
    turned = view(staged(camera="rotation = 180"))
    u, v = apply(plain.plane_to_sensor(0, 0), 10, 20)
    assert apply(turned.plane_to_sensor(0, 0), 10, 20) == pytest.approx((639 - u, 479 - v))
    mirrored = view(staged(camera='mirrored = "pixels"'))
    assert apply(mirrored.plane_to_sensor(0, 0), 10, 20) == pytest.approx((639 - u, v))


def test_lens_grid_undoes_the_lens(staged):
    from timingcam.staging.camera import distorted

    seen = view(staged(camera="distortion = -0.3"))
    grid = sensor_grid(seen, 1)
    for row, column in ((0, 0), (100, 600), (479, 320)):
        back = distorted(seen, float(grid.ideal_x[row, column]), float(grid.ideal_y[row, column]))
        assert back == pytest.approx((column, row), abs=1e-3)


def test_hand_shakes_as_much_as_asked(staged):
    seen = view(staged(tail="[camera.shake]\nturn_px = 10.0\nsway_mm = 2.0\nroll_deg = 0.5\nbreathing_share = 0.01\n"))
    moves = np.array([seen.shake(t) for t in np.linspace(0, 200, 8001)])
    # 20 periods of the slowest wave in 200 s: its rms is known to about a tenth.
    assert moves.std(axis=0) == pytest.approx([10, 10, 2, 2, 0.5, 0.01], rel=0.15)


def test_rays_lead_back_to_their_points(staged):
    seen = view(staged(camera="tilt_deg = 25.0\ntilt_from_deg = 40.0\nrotation = 90\naim_px = [20, 30]"))
    eye, ways = seen.rays(0.0)
    u, v = seen.sensor_of((12.0, -31.0, 4.0), 0.0)
    way = ways @ np.array([u, v, 1.0])
    reach = (-4.0 - eye[2]) / way[2]
    assert (eye + reach * way)[:2] == pytest.approx([12.0, -31.0])
    assert math.hypot(*eye) > 300
