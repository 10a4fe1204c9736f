"""Where the strobe's light falls: its spot, the streaked shine of turned metal, an oily glare, the lens's dark corners.

In:  `Scene`, `View`.
Out: `Shading`: factors for every sensor pixel. They follow the camera, not the engine, as reflections nearly do.
Not here: the light's colour and timing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.staging.camera import View, on_clock
from timingcam.staging.scene import Scene
from timingcam.staging.stator_look import face_above_mm

SHINE = {"turned": 0.75, "brushed": 0.25, "cast": 0.08}  # our choice, by eye
LAMP_SLOPE = 0.45  # our choice: a lamp held about 25 degrees off the rotor's axis


@dataclass(frozen=True, eq=False)
class Shading:
    """Factors on the sensor, float32."""

    spot: np.ndarray  # (height, width), strobe on everything
    spot_half: np.ndarray  # (height/2, width/2)
    sheen: np.ndarray  # (height, width), strobe on the rotor
    corners: np.ndarray  # (height, width), vignetting
    glare: np.ndarray | None  # (height, width), added under the strobe


def shading(scene: Scene, seen: View) -> Shading:
    """Work out the factors once for a clip."""
    camera = scene.camera
    u, v = np.meshgrid(np.arange(camera.width, dtype=np.float32), np.arange(camera.height, dtype=np.float32))
    back = np.linalg.inv(seen.plane_to_sensor(0.0, 0.0))
    w = back[2, 0] * u + back[2, 1] * v + back[2, 2]
    x = ((back[0, 0] * u + back[0, 1] * v + back[0, 2]) / w).astype(np.float32)
    y = ((back[1, 0] * u + back[1, 1] * v + back[1, 2]) / w).astype(np.float32)
    rim = seen.radius_mm
    # The lamp is aimed a little towards the index, where one wants to see.
    aim = on_clock(0.35 * rim, scene.stator.index_at_deg)
    off = np.hypot(x - aim[0], y - aim[1]) / (scene.strobe.spot_share * rim)
    spot = (0.12 + 0.98 * np.exp(-0.5 * off**2)).astype(np.float32)
    half = cv2.resize(spot, (camera.width // 2, camera.height // 2), interpolation=cv2.INTER_AREA)
    return Shading(spot, half, _sheen(scene, x, y, rim), _corners(scene, u, v), _glare(scene, x, y, rim))


def _sheen(scene: Scene, x: np.ndarray, y: np.ndarray, rim: float) -> np.ndarray:
    """Turned metal shines in two sectors in line with the lamp, whatever the angle at which the rotor stands."""
    strength, light = SHINE[scene.rotor.finish], on_clock(1.0, scene.light.from_deg)
    radius = np.hypot(x, y) + np.float32(1e-6)
    facing = (x * light[0] + y * light[1]) / radius
    soft = 1 - np.exp(-((radius / (0.2 * rim)) ** 2))
    lobes = 1.25 * np.exp(-((1 - facing**2) / 0.10)) + 0.55 * np.exp(-((1 - facing**2) / 0.45)) - 0.42 + 0.12 * facing
    return ((1 + strength * lobes * soft) * _bore_shadow(scene, x, y, light)).astype(np.float32)


def _bore_shadow(scene: Scene, x: np.ndarray, y: np.ndarray, light: tuple[float, float]) -> np.ndarray:
    """The housing's edge shades the rotor on the lamp's side, where its face stands above the marks."""
    above = face_above_mm(scene)
    if above <= 0 or scene.stator.window or scene.engine.rotor.marks_on == "edge":
        return np.ones_like(x)
    reach, bore = LAMP_SLOPE * above, scene.engine.rotor.rim_diameter_mm / 2 + scene.stator.gap_mm
    beyond = np.hypot(x + reach * light[0], y + reach * light[1]) - bore
    return 1 - 0.55 * np.clip(0.5 + beyond / (0.6 + 0.3 * above), 0, 1)


def _corners(scene: Scene, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    width, height = scene.camera.width, scene.camera.height
    r2 = ((u - width / 2) ** 2 + (v - height / 2) ** 2) / ((width**2 + height**2) / 4)
    return (1 - scene.camera.vignetting * r2**1.2).astype(np.float32)


def _glare(scene: Scene, x: np.ndarray, y: np.ndarray, rim: float) -> np.ndarray | None:
    if scene.light.glare == 0:
        return None
    gx, gy = on_clock(0.72 * rim, scene.stator.index_at_deg + 24)
    d2 = ((x - gx) / (0.20 * rim)) ** 2 + ((y - gy) / (0.11 * rim)) ** 2
    core = 1.6 * np.exp(-(d2**1.5)) + 0.35 * np.exp(-0.3 * d2)
    return (scene.light.glare * core).astype(np.float32)
