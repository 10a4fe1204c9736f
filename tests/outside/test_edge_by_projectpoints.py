"""The edge of a rotor in the picture, against OpenCV's camera.

Source: `cv2.projectPoints` and `cv2.Rodrigues` (OpenCV 5.0) on points of a cylinder in space, written down here without
the program's own frames.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from timingcam.seeing.drum import Drum

F_PX, PRINCIPAL, DISTANCE = 800.0, np.array([639.5, 359.5]), 4.0


@pytest.mark.parametrize("tilt_deg", [-12.0, 0.0, 9.0])
@pytest.mark.parametrize("roll_deg", [0.0, 35.0, 90.0, 180.0])
def test_points_of_the_edge(tilt_deg: float, roll_deg: float) -> None:
    """The shaft upright in the picture, its upper end tilted towards the camera, then the whole rolled clockwise."""
    angle, along = np.meshgrid(np.radians([-40.0, -10.0, 0.0, 25.0]), [-0.3, 0.0, 0.1])
    # x right, y down, z away; the edge faces the camera at -z, the shaft runs up along -y.
    cylinder = np.stack([np.sin(angle), -along, -np.cos(angle)], axis=-1).reshape(-1, 3)
    # A turn about x that brings what is up, -y, towards -z.
    tilted = cylinder @ cv2.Rodrigues(np.array([np.radians(tilt_deg), 0.0, 0.0]))[0].T
    roll, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(roll_deg)]))
    lens = np.array([[F_PX, 0, PRINCIPAL[0]], [0, F_PX, PRINCIPAL[1]], [0, 0, 1.0]])
    expected, _ = cv2.projectPoints(tilted @ roll.T, np.zeros(3), np.array([0.0, 0.0, DISTANCE]), lens, None)
    seen = Drum(PRINCIPAL, F_PX / DISTANCE, np.radians(roll_deg - 90.0), np.radians(tilt_deg), 1.0, F_PX, PRINCIPAL)
    a = seen.out_rad + angle.ravel()
    places = np.stack([np.cos(a), np.sin(a)], axis=1) * (1.0 + along.ravel())[:, None]
    np.testing.assert_allclose(seen.to_image(places), expected[:, 0], atol=1e-6)
