"""The phone as a pinhole: from millimetres on a plane of the engine to pixels of the sensor.

In:  `Scene`.
Out: `View`: a homography for any plane parallel to the rotor's, at any time; the grid of sensor pixels.
Not here: exposure (`shutter.py`), light and noise.

Engine axes: x to the right and y down as a square-on, unrolled camera sees them, heights towards the camera, origin
at the rotor's centre in the plane of its marks. Camera axes: x right, y down, z along the line of sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.staging.motion import Waves, slow_waves
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Camera

FAST_HZ = 0.4  # our choice: a stabiliser follows what is slower, as a wanted pan


@dataclass(frozen=True, eq=False)
class Grid:
    """The sensor's pixels, thinned by `step`; coordinates are those of an undistorted lens, float32."""

    width: int
    height: int
    step: int
    ideal_x: np.ndarray | None  # (rows, columns); None for a lens without distortion
    ideal_y: np.ndarray | None


@dataclass(frozen=True, eq=False)
class View:
    """Where the camera stands and what its sensor is, with the hand's shake."""

    camera: Camera
    radius_mm: float
    hand: tuple[Waves, ...]  # shift x, y, sway x, y, roll, scale; each of unit rms
    focus: Waves

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return self.camera.focal_px or float(max(self.camera.width, self.camera.height))

    @property
    def distance_mm(self) -> float:
        """From the lens to the plane through the rotor's centre square to the line of sight, mm."""
        if self.camera.distance_mm is not None:
            return self.camera.distance_mm
        radius_px = self.camera.rotor_share * min(self.camera.width, self.camera.height)
        return self.focal_px * self.radius_mm / radius_px

    @property
    def steady(self) -> bool:
        """Whether nothing moves the camera."""
        shake = self.camera.shake
        return not (
            shake.turn_px or shake.sway_mm or shake.roll_deg or shake.breathing_share or any(shake.drift_px_per_s)
        )

    @property
    def shown_size(self) -> tuple[int, int]:
        """Width and height of the picture as shown, after the container's rotation."""
        w, h = self.camera.width, self.camera.height
        return (h, w) if self.camera.rotation in (90, 270) else (w, h)

    def shake(self, time_s: float) -> np.ndarray:
        """Shift x, y by turning (px), sway x, y (mm), roll (degrees), change of scale, at a time."""
        if self.steady:
            return np.zeros(6)
        shake = self.camera.shake
        scales = [shake.turn_px, shake.turn_px, shake.sway_mm, shake.sway_mm, shake.roll_deg, shake.breathing_share]
        moved = np.array([scale * float(hand.at(time_s)) for scale, hand in zip(scales, self.hand, strict=True)])
        moved[:2] += np.array(shake.drift_px_per_s) * time_s
        return moved

    def focus_blur_px(self, time_s: float) -> float:
        """Sd of the focus blur at a moment, px."""
        camera = self.camera
        if camera.hunting_px == 0:
            return camera.blur_px
        return math.hypot(camera.blur_px, camera.hunting_px * float(self.focus.at(time_s)))

    def plane_to_sensor(self, height_mm: float, time_s: float) -> np.ndarray:
        """Homography from mm on a plane at a height above the marks' plane to undistorted sensor pixels, 3 × 3."""
        return self.shown_to_sensor() @ self.plane_to_shown(height_mm, time_s)

    def plane_to_shown(self, height_mm: float, time_s: float) -> np.ndarray:
        """The same to pixels of the picture as shown (before any mirroring), 3 × 3."""
        turn, shift = self.pose(time_s)
        lens = self._lens(time_s)
        h = lens @ np.column_stack([turn[:, 0], turn[:, 1], shift - height_mm * turn[:, 2]])
        return h / h[2, 2]

    def pose(self, time_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Rotation (3 × 3) and shift (mm) from engine axes, heights counted downwards, to camera axes."""
        camera, moved = self.camera, self.shake(time_s)
        turn = _about_z(math.radians(camera.roll_deg + moved[4])) @ tilting(camera.tilt_deg, camera.tilt_from_deg)
        away = self.distance_mm / (1 + moved[5])
        aim = np.array(camera.aim_px) / self.focal_px
        shift = away * np.array([aim[0], aim[1], 1.0]) - np.array([moved[2], moved[3], 0.0])
        return turn, shift

    def rays(self, time_s: float) -> tuple[np.ndarray, np.ndarray]:
        """The lens's place (mm, engine axes, heights counted downwards), and the matrix from (x, y, 1) of an
        undistorted sensor pixel to its ray's direction."""
        turn, shift = self.pose(time_s)
        to_sensor = self.shown_to_sensor() @ self._lens(time_s)
        return -turn.T @ shift, turn.T @ np.linalg.inv(to_sensor)

    def sensor_of(self, place_mm: tuple[float, float, float], time_s: float) -> tuple[float, float]:
        """Undistorted sensor pixel of a point x, y, height."""
        return apply(self.plane_to_sensor(place_mm[2], time_s), place_mm[0], place_mm[1])

    def fast_shift_px(self, time_s: np.ndarray) -> np.ndarray:
        """The quick part of the picture's shift by the hand's turning, which a phone warps away, (n, 2) px."""
        fast = [_faster(hand, FAST_HZ).at(time_s) * self.camera.shake.turn_px for hand in self.hand[:2]]
        return np.stack(fast, axis=-1)

    def _lens(self, time_s: float) -> np.ndarray:
        width, height = self.shown_size
        moved = self.shake(time_s)
        f = self.focal_px
        lens = np.array([[f, 0, (width - 1) / 2], [0, f, (height - 1) / 2], [0, 0, 1]])
        # Turning the camera by (a, b) shifts the picture by about f·a, f·b; the exact form is a homography.
        return lens @ _small_turn(moved[0] / f, moved[1] / f)

    def shown_to_sensor(self) -> np.ndarray:
        """From the picture as shown, before mirroring, to the sensor's columns and rows, 3 × 3."""
        w, h = self.camera.width, self.camera.height
        to_sensor = {
            0: np.eye(3),
            90: np.array([[0, 1, 0], [-1, 0, h - 1], [0, 0, 1.0]]),
            180: np.array([[-1, 0, w - 1], [0, -1, h - 1], [0, 0, 1.0]]),
            270: np.array([[0, -1, w - 1], [1, 0, 0], [0, 0, 1.0]]),
        }[self.camera.rotation]
        if self.camera.mirrored == "pixels":
            flip = np.array([[-1, 0, self.shown_size[0] - 1], [0, 1, 0], [0, 0, 1.0]])
            return to_sensor @ flip
        return to_sensor


def view(scene: Scene) -> View:
    """The camera of a scene."""
    return View(
        camera=scene.camera,
        radius_mm=scene.engine.rotor.rim_diameter_mm / 2,
        hand=tuple(_hand(scene.seed, axis) for axis in range(6)),
        focus=slow_waves((0.3, 1.5), np.random.default_rng([scene.seed, 8])),
    )


def sensor_grid(seen: View, step: int) -> Grid:
    """The sensor's pixels; with step 2, the centres of 2 × 2 blocks (chroma).

    Parameters
    ----------
    seen : View
    step : int

    Returns
    -------
    Grid
    """
    camera = seen.camera
    width, height = camera.width // step, camera.height // step
    if camera.distortion == 0:
        return Grid(width, height, step, None, None)
    x = np.arange(width) * step + (step - 1) / 2 - (camera.width - 1) / 2
    y = np.arange(height) * step + (step - 1) / 2 - (camera.height - 1) / 2
    gx, gy = np.meshgrid(x, y)
    ux, uy = gx.copy(), gy.copy()
    for _ in range(12):  # fixed point: seen = ideal·(1 + k·(ideal/f)²); a few per cent, so a factor 30 a round
        grow = 1 + camera.distortion * (ux**2 + uy**2) / seen.focal_px**2
        ux, uy = gx / grow, gy / grow
    ux += (camera.width - 1) / 2
    uy += (camera.height - 1) / 2
    return Grid(width, height, step, ux.astype(np.float32), uy.astype(np.float32))


def distorted(seen: View, x: float, y: float) -> tuple[float, float]:
    """Where an undistorted sensor point is really seen."""
    cx, cy = (seen.camera.width - 1) / 2, (seen.camera.height - 1) / 2
    grow = 1 + seen.camera.distortion * ((x - cx) ** 2 + (y - cy) ** 2) / seen.focal_px**2
    return cx + (x - cx) * grow, cy + (y - cy) * grow


def apply(h: np.ndarray, x: float, y: float) -> tuple[float, float]:
    """A point through a homography."""
    u, v, w = h @ np.array([x, y, 1.0])
    return float(u / w), float(v / w)


def on_clock(radius_mm: float, clock_deg: float) -> tuple[float, float]:
    """Point at a clock direction (0 is up, growing clockwise as the camera sees it), mm."""
    a = math.radians(clock_deg)
    return radius_mm * math.sin(a), -radius_mm * math.cos(a)


def tilting(tilt_deg: float, from_deg: float) -> np.ndarray:
    """Rotation that brings the rotor's side at a clock direction nearer to the camera."""
    t, (dx, dy) = math.radians(tilt_deg), on_clock(1.0, from_deg)
    axis = np.cross([dx, dy, 0.0], [0.0, 0.0, -1.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * k @ k


def _about_z(a: float) -> np.ndarray:
    return np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])


def _small_turn(ax: float, ay: float) -> np.ndarray:
    cx, sx, cy, sy = math.cos(ax), math.sin(ax), math.cos(ay), math.sin(ay)
    return np.array([[cx, 0, sx], [0, 1, 0], [-sx, 0, cx]]) @ np.array([[1, 0, 0], [0, cy, sy], [0, -sy, cy]])


def _faster(hand: Waves, hz: float) -> Waves:
    kept = hand.turn_per_s > 2 * math.pi * hz
    return Waves(hand.turn_per_s[kept], hand.phase[kept], hand.size[kept])


def _hand(seed: int, axis: int) -> Waves:
    """Unit rms shake of a hand: mostly slow drift, a little of the 8 to 11 Hz tremor (common knowledge, no source)."""
    rng = np.random.default_rng([seed, 3, axis])
    parts = [slow_waves(band, rng) for band in ((0.1, 0.8), (0.8, 3.0), (8.0, 11.0))]
    share = np.array([1.0, 0.35, 0.04]) / math.sqrt(1 + 0.35**2 + 0.04**2)
    return Waves(
        np.concatenate([part.turn_per_s for part in parts]),
        np.concatenate([part.phase for part in parts]),
        np.concatenate([part.size * weight for part, weight in zip(parts, share, strict=True)]),
    )
