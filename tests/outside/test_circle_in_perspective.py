"""A tilted circle, and an index off its plane, against figures worked out with OpenCV's camera.

Source of the figures: projected with `cv2.projectPoints`, fitted with `cv2.fitEllipse` and scikit-image's
`EllipseModel` (OpenCV 5.0, scikit-image 0.26): rim 55 mm, camera 300 mm away on the axis through the rotor's centre,
focal length 1500 px, so that the rim is 275 px. That an ellipse's centre is not the circle's: Ahn, Warnecke & Kotowski,
Photogrammetric Record 16(93), 485-502 (1999); that one circle has two poses and a second one decides: Fu & Zhou,
IJEMR 9(1) (2019), doi 10.31033/ijemr.9.1.6.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from timingcam.seeing.pose import FOCAL_SHARE, Pose, poses_of_ellipse

R_MM, D_MM, F_PX = 55.0, 300.0, 1500.0
PRINCIPAL = np.array([959.5, 539.5])


def tilted(tilt_deg: float, focal_px: float = F_PX) -> Pose:
    """The rotor's face turned downwards in the picture."""
    return Pose(PRINCIPAL.copy(), F_PX * R_MM / D_MM, np.radians([0.0, tilt_deg]), focal_px, PRINCIPAL)


def circle(radius: float = 1.0, step_deg: float = 0.5) -> np.ndarray:
    a = np.radians(np.arange(0, 360, step_deg))
    return radius * np.stack([np.cos(a), np.sin(a)], axis=1)


def fitted(points: np.ndarray) -> tuple[np.ndarray, tuple[float, float], float]:
    """OpenCV's ellipse about the points, to single precision about their mean."""
    middle = points.mean(axis=0)
    (x, y), (d1, d2), angle = cv2.fitEllipse((points - middle).astype(np.float32))
    return np.array([x, y]) + middle, (d1 / 2, d2 / 2), angle


def in_camera(pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    """The plane's normal, away from the camera, and the centre in rim radii, taken apart from its homography."""
    lens = np.array([[pose.focal_px, 0, pose.principal_px[0]], [0, pose.focal_px, pose.principal_px[1]], [0, 0, 1.0]])
    x, y, centre = np.linalg.solve(lens, pose.matrix_to_image()).T
    scale = np.linalg.norm(x)
    return np.cross(x, y) / scale**2, centre / scale


@pytest.mark.parametrize(
    ("tilt_deg", "off_px", "off_mm"),
    [(5, 4.378, 0.876), (10, 8.631, 1.726), (15, 12.633, 2.527), (20, 16.268, 3.254), (30, 22.016, 4.403)],
)
def test_the_ellipse_s_centre_is_not_the_circle_s(tilt_deg: float, off_px: float, off_mm: float) -> None:
    pose = tilted(tilt_deg)
    centre, _, _ = fitted(pose.to_image(circle()))
    off = centre - pose.centre_px
    # Last digit as given, 0.001 px, and single precision in the fit.
    assert np.hypot(*off) == pytest.approx(off_px, abs=0.005)
    # On the rotor: pixels there are D/f mm each.
    assert np.hypot(*off) * D_MM / F_PX == pytest.approx(off_mm, abs=0.002)
    # f·R²·sin t·cos t/(D² − R²·sin²t), towards the near side: the face leans down, so its upper side is near.
    t = np.radians(tilt_deg)
    formula = F_PX * R_MM**2 * np.sin(t) * np.cos(t) / (D_MM**2 - (R_MM * np.sin(t)) ** 2)
    assert off[1] == pytest.approx(-formula, abs=0.005)
    assert abs(off[0]) < 0.005


@pytest.mark.parametrize(
    ("tilt_deg", "true_centre_deg", "ellipse_centre_deg"),
    [(5, 0.109, 0.937), (10, 0.439, 1.976), (20, 1.782, 4.537), (30, 4.117, 7.859)],
)
def test_angles_read_off_the_raw_picture_err_as_published(
    tilt_deg: float, true_centre_deg: float, ellipse_centre_deg: float
) -> None:
    """Why angles are read in the rotor's plane: there the same points have their angles exactly."""
    pose = tilted(tilt_deg)
    points = pose.to_image(circle())
    true_rad = np.radians(np.arange(0, 360, 0.5))

    def worst_deg(at: np.ndarray) -> float:
        off = np.arctan2(at[:, 1], at[:, 0]) - true_rad
        return float(np.degrees(np.abs((off + np.pi) % (2 * np.pi) - np.pi).max()))

    assert worst_deg(points - pose.centre_px) == pytest.approx(true_centre_deg, abs=0.005)
    assert worst_deg(points - fitted(points)[0]) == pytest.approx(ellipse_centre_deg, abs=0.01)
    assert worst_deg(pose.to_plane(points)) < 1e-9


def test_two_poses_of_one_circle() -> None:
    """For 20 degrees: tilts 20.0000 and 18.7934 the other way, normals 38.7934 apart, centres (0, 0, 300) and
    (0, ∓6.3173, 299.9335) mm. The second makes a perfect circle too, and errs by up to 6.981 degrees on one angle.
    """
    size = (round(F_PX / FOCAL_SHARE), 1080)  # a picture for which the usual lens is the one of these figures
    principal = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    focal = FOCAL_SHARE * size[0]
    true = Pose(principal.copy(), focal * R_MM / D_MM, np.radians([0.0, 20.0]), focal, principal)
    points = true.to_image(circle())
    poses = poses_of_ellipse(*fitted(points), size)
    right = min(poses, key=lambda pose: float(np.hypot(*(pose.lean_rad - true.lean_rad))))
    wrong = next(pose for pose in poses if pose is not right)
    # The ellipse is fitted in single precision, some 1e-4 px of 275, and the tilt is a root of its axes' ratio.
    assert right.tilt_deg == pytest.approx(20.0, abs=0.02)
    # Tilts are told from the line of sight to the centre, which for the wrong one goes 6.3 mm aside: 1.2066 degrees.
    normals = [in_camera(pose)[0] for pose in (right, wrong)]
    assert np.degrees(np.arccos(normals[0] @ normals[1])) == pytest.approx(38.7934, abs=0.03)
    optical_deg = np.degrees(np.arccos(normals[1][2]))
    assert optical_deg == pytest.approx(18.7934, abs=0.02)
    centre_mm = in_camera(wrong)[1] * R_MM
    assert np.abs(centre_mm) == pytest.approx([0.0, 6.3173, 299.9335], abs=0.02)
    at = wrong.to_plane(points)
    assert np.abs(np.hypot(at[:, 0], at[:, 1]) - 1).max() < 1e-5
    off = (np.arctan2(at[:, 1], at[:, 0]) - np.radians(np.arange(0, 360, 0.5)) + np.pi) % (2 * np.pi) - np.pi
    assert np.degrees(np.abs(off).max()) == pytest.approx(6.981, abs=0.02)


def test_two_circles_about_one_centre_give_it_away() -> None:
    """55 and 30 mm: of the eigenvalues of C2⁻¹·C1 one is (55/30)² = 3.36111 times the others; its eigenvector is the
    image of the true centre."""
    matrix = tilted(20).matrix_to_plane()
    conics = [matrix.T @ np.diag([1.0, 1.0, -(r**2)]) @ matrix for r in (1.0, 30 / 55)]
    values, vectors = np.linalg.eig(np.linalg.solve(conics[1], conics[0]))
    order = np.argsort(np.abs(values))
    assert np.abs(values[order[-1]] / values[order[0]]) == pytest.approx((55 / 30) ** 2, rel=1e-6)
    vector = np.real(vectors[:, order[-1]])
    assert vector[:2] / vector[2] == pytest.approx(PRINCIPAL, abs=1e-4)


@pytest.mark.parametrize(
    ("above_mm", "sight_deg", "error_deg"),
    [(h, a, e) for h, row in ((1, (0.091, 0.184, 0.379)), (3, (0.273, 0.551, 1.137)), (5, (0.456, 0.918, 1.895)))
     for a, e in zip((5, 10, 20), row, strict=True)],
)  # fmt: skip
def test_an_index_above_the_plane(above_mm: float, sight_deg: float, error_deg: float) -> None:
    """error = atan(h·tan a/R), the line of sight at the index tilted by a across the radius.

    With the lens far away (a hundred metres) every line of sight has that tilt.
    """
    far = Pose(PRINCIPAL.copy(), 275.0, np.radians([sight_deg, 0.0]), 275.0 * 1e5 / R_MM, PRINCIPAL)
    # Where it appears: from where it stands, at 12 o'clock, aside by h·tan a, clockwise. From 100 m, a thousandth less.
    angle = -90.0 + error_deg
    radius = 1.0 / np.cos(np.radians(error_deg))
    assert far.parallax_deg(angle, radius, above_mm / R_MM) == pytest.approx(error_deg, abs=2e-3)


def test_a_camera_square_on_but_aside() -> None:
    """50 mm aside, the index at 12 o'clock and 3 mm up: atan(c·h/(D·R)) = 0.5209 degrees; c along the radius: none."""
    h = 3.0 / R_MM
    # Square-on: the plane parallel to the picture. Its centre then appears f·c/D px aside.
    for aside, expected in ((np.array([-50.0, 0.0]), 0.5209), (np.array([0.0, -50.0]), 0.0)):
        centre = PRINCIPAL + F_PX * aside / D_MM
        sight = np.array([*aside, D_MM]) / np.hypot(50.0, D_MM)
        # The lean that makes the normal parallel to the optical axis: by the angle between sight and axis.
        lean = np.arccos(sight[2]) * np.array(aside) / 50.0
        pose = Pose(centre, F_PX * R_MM / np.hypot(50.0, D_MM), lean, F_PX, PRINCIPAL)
        assert in_camera(pose)[0] == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
        # The point itself, projected by hand: x = f·X/Z with Z = D − h.
        index_mm = np.array([aside[0], aside[1] - R_MM, D_MM - 3.0])
        image = PRINCIPAL + F_PX * index_mm[:2] / index_mm[2]
        at = pose.to_plane(image)
        angle = float(np.degrees(np.arctan2(at[1], at[0])))
        # The published figure divides by D and R; the ray through a point 3 mm nearer meets the plane at D/(D − h) of
        # that: a hundredth.
        got = abs(pose.parallax_deg(angle, float(np.hypot(*at)), h))
        assert got == pytest.approx(abs(angle + 90.0), abs=1e-6)
        assert got == pytest.approx(expected, abs=0.01 * expected + 1e-6)
