"""A circle in perspective: there and back, the two poses of an ellipse, OpenCV's camera, and the signs of parallax."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from timingcam.seeing.pose import (
    FOCAL_SHARE,
    Pose,
    ellipse_points,
    poses_of_ellipse,
    rim_misfit,
    square_on,
)

SIZE = (1280, 720)
PRINCIPAL = np.array([639.5, 359.5])


@st.composite
def poses(draw: st.DrawFn, widest_rad: float = 0.7) -> Pose:
    tilt = draw(st.floats(0.0, widest_rad))
    toward = draw(st.floats(0.0, 2 * np.pi))
    centre = np.array([draw(st.floats(300, 980)), draw(st.floats(150, 570))])
    lean = tilt * np.array([np.cos(toward), np.sin(toward)])
    return Pose(centre, draw(st.floats(80, 330)), lean, draw(st.floats(700, 2600)), PRINCIPAL)


@given(poses(), st.floats(0.0, 1.4), st.floats(0.0, 360.0))
def test_there_and_back(pose: Pose, radius: float, deg: float) -> None:
    at = radius * np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])
    # A homography and its inverse: the rounding of doubles, some thousand times over.
    assert pose.to_plane(pose.to_image(at)) == pytest.approx(at, abs=1e-9)


@given(poses())
def test_the_centre_is_where_it_is_said_to_be(pose: Pose) -> None:
    assert pose.to_image(np.zeros(2)) == pytest.approx(pose.centre_px, abs=1e-8)


@given(poses())
def test_angles_grow_clockwise(pose: Pose) -> None:
    """x right and y down: seen from the camera, which never looks at the back here."""
    a, b = pose.to_image(np.array([[0.01, 0.0], [0.0, 0.01]])) - pose.centre_px
    assert a[0] * b[1] - a[1] * b[0] > 0


def opencv_axes(pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    """Rotation vector and shift of a plane with that tilt, built by OpenCV's Rodrigues from the line of sight.

    The plane's axes turn by the tilt about the direction that lies across it, on the plane square to the line of sight.
    """
    sight = np.array([*(pose.centre_px - PRINCIPAL) / pose.focal_px, 1.0])
    shift = pose.distance * sight / np.linalg.norm(sight)
    z = sight / np.linalg.norm(sight)
    x = np.array([1.0, 0, 0]) - z * z[0]
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    tilt = np.hypot(*pose.lean_rad)
    toward = (pose.lean_rad[0] * x + pose.lean_rad[1] * y) / tilt
    # The plane's normal -z is to lean to `toward`: a turn about the axis that takes -z there.
    about = np.cross(-z, toward)
    turn, _ = cv2.Rodrigues(tilt * about)
    rotation = turn @ np.column_stack([x, y, z])
    return cv2.Rodrigues(rotation)[0], shift


@given(poses(), st.floats(-0.3, 0.3))
@example(Pose(np.array([500.0, 300.0]), 200.0, np.array([0.3, 0.0]), 1500.0, PRINCIPAL), 0.05)
def test_against_opencv_projection(pose: Pose, height: float) -> None:
    """The same circle through cv2.projectPoints."""
    if np.hypot(*pose.lean_rad) < 1e-6:
        return
    a = np.radians(np.arange(0, 360, 30))
    plane = np.stack([np.cos(a), np.sin(a)], axis=1)
    vector, shift = opencv_axes(pose)
    # z of the rotated axes points away from the camera, heights towards it.
    points = np.column_stack([plane, np.full(len(a), -height)])
    camera = np.array([[pose.focal_px, 0, PRINCIPAL[0]], [0, pose.focal_px, PRINCIPAL[1]], [0, 0, 1.0]])
    expected = cv2.projectPoints(points, vector, shift, camera, None)[0][:, 0]
    matrix = pose.matrix_to_image(height)
    got = np.column_stack([plane, np.ones(len(a))]) @ matrix.T
    assert got[:, :2] / got[:, 2:] == pytest.approx(expected, abs=1e-6)


@given(poses(0.6))
@settings(max_examples=30, deadline=None)
def test_against_opencv_pose_of_exact_points(pose: Pose) -> None:
    """cv2.solvePnP, given where points of the plane appear, finds the tilt and the distance that the pose states."""
    plane = np.array([[1, 0], [0, 1], [-1, 0], [0, -1], [0.5, 0.4], [-0.3, 0.7]], float)
    camera = np.array([[pose.focal_px, 0, PRINCIPAL[0]], [0, pose.focal_px, PRINCIPAL[1]], [0, 0, 1.0]])
    points = np.column_stack([plane, np.zeros(len(plane))])
    ok, vector, shift = cv2.solvePnP(points, pose.to_image(plane), camera, None, flags=cv2.SOLVEPNP_IPPE)
    assert ok
    axis = cv2.Rodrigues(vector)[0][:, 2]
    sight = shift[:, 0] / np.linalg.norm(shift)
    # IPPE solves in closed form; near square-on the angle is the root of a rounding error of 1e-12 or so.
    assert np.linalg.norm(shift) == pytest.approx(pose.distance, rel=1e-5)
    assert np.degrees(np.arccos(min(1.0, abs(float(axis @ sight))))) == pytest.approx(pose.tilt_deg, abs=2e-3)


@given(poses(0.6), st.floats(0.3, 1.3))
def test_the_lens_sees_every_point_of_a_ray_in_one_place(pose: Pose, share: float) -> None:
    """A point raised along the line from the plane to the lens stays where it appears."""
    at = np.array([0.6, -0.7])
    lens = pose.lens()
    assert lens[2] > 0
    height = 0.1 * share * lens[2]
    raised = at + (lens[:2] - at) * height / lens[2]
    seen = np.append(raised, 1.0) @ pose.matrix_to_image(height).T
    assert seen[:2] / seen[2] == pytest.approx(pose.to_image(at), abs=1e-6)


@given(st.floats(60, 330), st.floats(0.0, 35.0), st.floats(0.0, 360.0), st.floats(400, 880), st.floats(200, 520))
@example(size=60.0, tilt=1.0, toward=106.75, x=686.0, y=204.0)  # both were once found to be one of them
@settings(max_examples=200, deadline=None)
def test_two_poses_of_an_ellipse(size: float, tilt: float, toward: float, x: float, y: float) -> None:
    """Fit OpenCV's ellipse to a projected circle: one of the two poses is the one it came from, both make a circle."""
    lean = np.radians(tilt) * np.array([np.cos(np.radians(toward)), np.sin(np.radians(toward))])
    pose = Pose(np.array([x, y]), size, lean, FOCAL_SHARE * max(SIZE), PRINCIPAL)
    a = np.radians(np.arange(0, 360, 5))
    rim = pose.to_image(np.stack([np.cos(a), np.sin(a)], axis=1))
    (cx, cy), (d1, d2), angle = cv2.fitEllipseDirect((rim - [x, y]).astype(np.float32))
    centre, axes = np.array([cx + x, cy + y]), (d1 / 2, d2 / 2)
    found = poses_of_ellipse(centre, axes, angle, SIZE)
    assert len(found) == 2
    for one in found:
        # Pixels are given in single precision to OpenCV: 1e-5 px or so, of a radius of 60 at least.
        assert np.abs(rim_misfit(one, rim)).max() < 1e-4
    off = [np.hypot(*(one.lean_rad - lean)) for one in found]
    # Near square-on an ellipse's axes tell the tilt as a root: 1e-5 of the radius is 0.0045 rad there, less beyond.
    assert min(off) < 0.012
    # The two lean opposite ways, as seen along the line of sight to the circle.
    if tilt > 5:
        assert found[0].lean_rad @ found[1].lean_rad < 0


def test_ellipse_points_lie_on_the_ellipse() -> None:
    points = ellipse_points(np.array([50.0, 60.0]), (30.0, 20.0), 25.0)
    (cx, cy), (d1, d2), angle = cv2.fitEllipse(points.astype(np.float32))
    assert (cx, cy) == pytest.approx((50, 60), abs=1e-2)
    assert sorted((d1 / 2, d2 / 2)) == pytest.approx([20, 30], abs=1e-2)
    # The first axis, the long one here, lies 25 degrees clockwise from the x axis; y is down.
    assert points[0] == pytest.approx([50 + 30 * np.cos(np.radians(25)), 60 + 30 * np.sin(np.radians(25))])
    assert angle % 180 == pytest.approx((25 if d1 > d2 else 115), abs=0.1)


@given(poses(), st.lists(st.floats(-0.02, 0.02), min_size=6, max_size=6))
def test_moved_by_six_numbers(pose: Pose, free: list[float]) -> None:
    moved = pose.moved(np.array(free))
    assert moved.centre_px == pytest.approx(pose.centre_px + pose.size_px * np.array(free[:2]))
    assert np.log(moved.size_px / pose.size_px) == pytest.approx(free[2], abs=1e-12)
    assert moved.lean_rad == pytest.approx(pose.lean_rad + free[3:5], abs=1e-12)
    assert np.log(moved.focal_px / pose.focal_px) == pytest.approx(free[5], abs=1e-12)


# Signs of parallax, each worked out in words.


def test_no_parallax_where_lens_axis_and_index_lie_in_one_plane() -> None:
    up = Pose(PRINCIPAL, 200.0, np.array([0.0, 0.35]), 1200.0, PRINCIPAL)
    assert up.parallax_deg(-90.0, 1.0, 0.06) == pytest.approx(0.0, abs=1e-9)
    assert square_on(PRINCIPAL, 200.0, SIZE).parallax_deg(37.0, 1.0, 0.06) == pytest.approx(0.0, abs=1e-9)


def test_sign_of_parallax() -> None:
    """The rotor's face turned to the right, so that the lens stands to the left of its axis; the index at 12 o'clock.

    What stands off the face then seems displaced to the right, away from the lens's side: clockwise at 12 o'clock,
    anticlockwise at 6.
    """
    right = Pose(PRINCIPAL, 200.0, np.array([0.3, 0.0]), 1200.0, PRINCIPAL)
    assert right.lens()[0] < 0
    assert right.parallax_deg(-90.0, 1.0, 0.05) > 0
    assert right.parallax_deg(90.0, 1.0, 0.05) < 0
    # Below the face it is the other way about.
    assert right.parallax_deg(-90.0, 1.0, -0.05) < 0


@given(poses(0.5), st.floats(0.0, 360.0), st.floats(0.9, 1.2), st.floats(-0.08, 0.08))
def test_parallax_is_what_projection_makes_of_a_raised_point(
    pose: Pose, stands_deg: float, radius: float, height: float
) -> None:
    stands = radius * np.array([np.cos(np.radians(stands_deg)), np.sin(np.radians(stands_deg))])
    image = np.append(stands, 1.0) @ pose.matrix_to_image(height).T
    appears = pose.to_plane(image[:2] / image[2])
    appears_deg = np.degrees(np.arctan2(appears[1], appears[0]))
    expected = (appears_deg - stands_deg + 180) % 360 - 180
    assert pose.parallax_deg(appears_deg, float(np.hypot(*appears)), height) == pytest.approx(expected, abs=1e-7)
