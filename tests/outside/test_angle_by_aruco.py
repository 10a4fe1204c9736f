"""The turn that timingcam reads, against OpenCV's detector of printed square markers on the same frames.

Source of the tolerance: `cv2.aruco` with AprilTag refinement reads the turn of a 240 px tag, blurred and noisy, to
0.006° rms and 0.012° at worst (computed with OpenCV 5.0 on 60 turned tags); 0.05° is a safe limit for pictures taken by
another route. The tag carrier is rendered; each picture is read twice, by the detector and as a strip against a map.
"""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from timingcam.seeing.angles import read_turn
from timingcam.seeing.cells import telling_cells
from timingcam.seeing.pose import Pose
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.shift import no_shift
from timingcam.seeing.strips import Grid, even_out, make_sampler, unwrap
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
width = 640
height = 480
rotor_share = 0.45
tilt_deg = {tilt}
tilt_from_deg = 200.0
[rotor]
finish = "cast"
decal = "tag.png"
decal_share = 0.66
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
rim_diameter_mm = 120.0
[[rotor.mark]]
name = "M"
cylinder = "one"
btdc_deg = 15.0
[spec]
curve = [[1000, 15.0], [9000, 15.0]]
tolerance_deg = 2.0
"""
ANGLES = (-27.0, -19.3, -11.8, -6.1, -1.4, 0.9, 4.4, 10.2, 17.7, 23.9, 29.5)


def tag_corners(picture: np.ndarray) -> np.ndarray:
    grey = np.clip(picture * 255, 0, 255).astype(np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    tags = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, numbers, _ = cv2.aruco.ArucoDetector(tags, settings).detectMarkers(grey)
    assert numbers is not None and len(numbers) == 1
    return corners[0][0].astype(float)


def tag_turn_deg(corners: np.ndarray, plane: np.ndarray) -> float:
    """Turn of the tag on the rotor's plane, clockwise; `plane` is OpenCV's homography to it, of four known points."""
    at = cv2.perspectiveTransform(corners[None], plane)[0]
    up = (at[0] + at[1] - at[2] - at[3]) / 2
    return math.degrees(math.atan2(up[0], -up[1]))


@pytest.mark.parametrize(("turns", "sign"), [("clockwise", 1), ("anticlockwise", -1)])
@pytest.mark.parametrize("tilt_deg", [0.0, 15.0])
def test_detector_and_strips_read_the_same_turns(tmp_path: Path, turns: str, sign: int, tilt_deg: float) -> None:
    tags = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tag = np.full((480, 480), 255, np.uint8)
    tag[48:432, 48:432] = cv2.aruco.generateImageMarker(tags, 11, 384)
    cv2.imwrite(str(tmp_path / "tag.png"), tag)
    (tmp_path / "engine.toml").write_text(ENGINE.format(turns=turns), encoding="utf-8")
    (tmp_path / "scene.toml").write_text(SCENE.format(tilt=tilt_deg), encoding="utf-8")
    shoot = prepare(read_scene(tmp_path / "scene.toml"))
    rng = np.random.default_rng(1)
    pictures = []
    for angle in ANGLES:
        root = np.sqrt(flash_picture(shoot, float(shoot.motion.time_at(angle % 360.0))))
        root = 0.8 * root / root.max() + rng.normal(0, 2 / 255, root.shape)
        pictures.append(root.astype(np.float32))
    to_picture = shoot.stage.view.plane_to_shown(0.0, 0.0) @ np.diag([60.0, 60.0, 1.0])  # the rim is 60 mm
    theirs = np.array([tag_turn_deg(tag_corners(p), np.linalg.inv(to_picture)) for p in pictures])
    strips = [strip_of(picture, pose_from(to_picture)) for picture in pictures]
    rotor = build_map(GRID, [s for s, _ in strips], [k for _, k in strips], 0.001)
    cells = telling_cells(rotor)
    ours = [read_turn(rotor, cells, strip, known) for strip, known in strips]
    assert all(turn is not None for turn in ours)
    off = np.array([turn.deg for turn in ours if turn is not None]) - theirs
    # The map's zero is its own: one common offset.
    off = (off - off[0] + 180) % 360 - 180
    assert np.abs(off - np.median(off)).max() < 0.05
    # Clockwise as seen, whichever way the engine turns.
    assert np.ptp(theirs) == pytest.approx(ANGLES[-1] - ANGLES[0], abs=0.05)
    assert np.sign(theirs[-1] - theirs[0]) == sign


GRID = Grid(np.linspace(0.15, 0.97, 60), 1024)


def pose_from(to_picture: np.ndarray) -> Pose:
    """The pose with that homography, taken apart: how the tag carrier lies is given here, not found."""
    focal, principal = 640.0, np.array([319.5, 239.5])
    lens = np.array([[focal, 0, principal[0]], [0, focal, principal[1]], [0, 0, 1.0]])
    x, y, centre = np.linalg.solve(lens, to_picture).T
    scale = (np.linalg.norm(x) + np.linalg.norm(y)) / 2
    x, y, centre = x / scale, y / scale, centre / scale
    sight, normal = centre / np.linalg.norm(centre), -np.cross(x, y)
    right = np.array([1.0, 0, 0]) - sight * sight[0]
    right /= np.linalg.norm(right)
    tilt = math.acos(min(1.0, float(-normal @ sight)))
    across = normal + math.cos(tilt) * sight
    length = np.linalg.norm(across)
    toward = across / length if length > 1e-9 else np.zeros(3)
    lean = tilt * np.array([toward @ right, toward @ np.cross(sight, right)])
    image = lens @ centre
    return Pose(image[:2] / image[2], focal / float(np.linalg.norm(centre)), lean, focal, principal)


def strip_of(picture: np.ndarray, pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    rows = (0, picture.shape[0] - 1)
    return even_out(*unwrap(make_sampler(GRID, pose), picture, no_shift(pose.centre_px), rows), GRID)
