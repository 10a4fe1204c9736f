"""The turning of the rendered rotor against an independent meter: OpenCV's detector of printed square markers.

Source of the tolerance: `cv2.aruco` with AprilTag refinement reads the turn of a 240 px tag, blurred and noisy, to
0.006° rms and 0.012° at worst (computed with OpenCV 5.0 on 60 turned tags); on a face drawn by another route 0.05° is
a safe limit. The face is matt and nothing is over-exposed: the detector's own error grows with streaks of light.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from timingcam.staging.render import flash_picture, prepare
from timingcam.staging.scene import read_scene

SCENE = """
[engine]
file = "engine.toml"
cylinder = "one"
[run]
duration_s = 0.2
rpm = 3000
start_deg = 0.0
[camera]
width = 960
height = 720
rotor_share = 0.42
[rotor]
finish = "cast"
decal = "tag.png"
decal_share = 0.62
dirt = 0.0
[strobe]
flash_us = 1.0
spot_share = 30.0
"""
ENGINE = """
format = 1
name = "Tag carrier"
[crank]
strokes = 4
sparks_per_rev = 1
[[cylinder]]
name = "one"
tdc_deg = 0.0
[rotor]
turns = "{turns}"
rim_diameter_mm = 110.0
[[rotor.mark]]
name = "M"
cylinder = "one"
btdc_deg = 20.0
[spec]
curve = [[1000, 20.0], [9000, 20.0]]
tolerance_deg = 2.0
"""


def detected_clock_deg(picture: np.ndarray) -> float:
    """Clock direction of the tag's upper side."""
    grey = np.clip(np.sqrt(picture / picture.max()) * 255, 0, 255).astype(np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    tags = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, numbers, _ = cv2.aruco.ArucoDetector(tags, settings).detectMarkers(grey)
    assert numbers is not None and len(numbers) == 1
    top_left, top_right, bottom_right, bottom_left = corners[0][0].astype(float)
    upward = (top_left + top_right - bottom_left - bottom_right) / 2
    return math.degrees(math.atan2(upward[0], -upward[1]))


@pytest.mark.parametrize(("turns", "sign"), [("clockwise", 1), ("anticlockwise", -1)])
def test_an_independent_detector_reads_the_same_turn(tmp_path, turns, sign):
    tags = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tag = np.full((480, 480), 255, np.uint8)
    tag[48:432, 48:432] = cv2.aruco.generateImageMarker(tags, 7, 384)
    cv2.imwrite(str(tmp_path / "tag.png"), tag)
    (tmp_path / "engine.toml").write_text(ENGINE.format(turns=turns), encoding="utf-8")
    (tmp_path / "scene.toml").write_text(SCENE, encoding="utf-8")
    shoot = prepare(read_scene(tmp_path / "scene.toml"))
    errors = []
    for angle in (0.0, 13.37, 90.0, 200.3, 301.9):
        picture = flash_picture(shoot, float(shoot.motion.time_at(angle)))
        errors.append((detected_clock_deg(picture) - sign * angle + 180) % 360 - 180)
    assert np.abs(errors).max() < 0.05
