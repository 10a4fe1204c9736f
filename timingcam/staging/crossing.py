"""Something that crosses the view for a while: a hand, a hose.

In:  `Scene`, `View`.
Out: `Crossing`, which lays itself over a picture and says whether it hides a pixel.
Not here: the light on it; it is lit as everything else is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.staging.camera import View
from timingcam.staging.canvas import Canvas, Sheet, bar, grain
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Occluder

SOFT_PX = 1.5  # out of the rotor's focus


@dataclass(frozen=True, eq=False)
class Crossing:
    """A sheet in units of the frame's height, pushed in from the lower right of the sensor and drawn back."""

    sheet: Sheet
    wanted: Occluder
    height_px: int
    width_px: int

    def _to_sheet(self, time_s: float) -> np.ndarray | None:
        share = (time_s - self.wanted.from_s) / (self.wanted.to_s - self.wanted.from_s)
        if not 0 < share < 1:
            return None
        depth = self.wanted.deepest_share * self.height_px * math.sin(math.pi * share)
        tip_x = self.width_px * 0.72 - depth * 0.55
        tip_y = self.height_px * 1.02 - depth
        sharp = self.sheet.px_per_mm / self.height_px
        return np.array(
            [
                [sharp, 0, -tip_x * sharp - self.sheet.left_mm * self.sheet.px_per_mm],
                [0, sharp, -tip_y * sharp - self.sheet.top_mm * self.sheet.px_per_mm],
                [0, 0, 1],
            ]
        )

    def lay(self, picture: np.ndarray, time_s: float, first_row: int, step: int) -> None:
        """Cover a thinned picture that starts at a thinned row."""
        to_sheet = self._to_sheet(time_s)
        if to_sheet is None:
            return
        thin = np.array([[step, 0, (step - 1) / 2], [0, step, (step - 1) / 2 + step * first_row], [0, 0, 1.0]])
        to_sheet = to_sheet @ thin
        planes = (self.sheet.luma, self.sheet.cover)
        if step == 2:
            to_sheet = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25], [0, 0, 1]]) @ to_sheet
            planes = (self.sheet.chroma, self.sheet.cover_half)
        size, flags = (picture.shape[1], picture.shape[0]), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        drawn, cover = (cv2.warpPerspective(plane, to_sheet, size, flags=flags) for plane in planes)
        picture *= (1 - cover) if step == 1 else (1 - cover)[..., None]
        picture += drawn

    def hides(self, x_px: float, y_px: float, time_s: float) -> bool:
        """Whether a sensor pixel is more than half covered at a time."""
        to_sheet = self._to_sheet(time_s)
        if to_sheet is None:
            return False
        column, row, _ = to_sheet @ np.array([x_px, y_px, 1.0])
        rows, columns = self.sheet.cover.shape
        inside = 0 <= row < rows and 0 <= column < columns
        return bool(inside and self.sheet.cover[int(row), int(column)] > 0.5)


def crossing(scene: Scene, seen: View) -> Crossing | None:
    """What the scene sends across the view, or None."""
    wanted = scene.trouble.occluder
    if wanted is None:
        return None
    camera, rng = seen.camera, np.random.default_rng([scene.seed, 11])
    canvas = Canvas(1200, 1200, 600.0, -0.7, -0.1)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    if wanted.kind == "hose":
        body = _capsule(x, y, (0.0, 0.05), (0.5, 1.9), 0.055)
        canvas.lay(whole, 1.0, (0.03, 0.03, 0.032))
    else:
        fingers = [((0.0, 0.05), (0.22, 0.55)), ((0.10, 0.0), (0.30, 0.5)), ((0.21, 0.02), (0.38, 0.5))]
        fingers += [((0.33, 0.1), (0.44, 0.52)), ((-0.10, 0.42), (0.2, 0.72))]
        parts = [_capsule(x, y, tip, root, 0.047) for tip, root in fingers]
        parts += [_capsule(x, y, (0.33, 0.72), (0.40, 0.80), 0.20), _capsule(x, y, (0.38, 0.8), (0.75, 1.9), 0.14)]
        body = np.minimum.reduce(parts)
        canvas.lay(whole, 1.0, (0.46, 0.27, 0.19))
        # Joins of the fingers are darker than their backs.
        second = np.sort(np.stack(parts[:4]), axis=0)[1]
        canvas.shade(whole, 1 - 0.45 * np.exp(-((np.maximum(second, 0) / 0.012) ** 2)) * (second > -0.02))
    canvas.shade(whole, np.clip(0.55 + 0.6 * np.sqrt(np.clip(-body / 0.05, 0, 1)), 0, 1.1))
    canvas.shade(whole, 1 + 0.05 * grain(x, y, 0.05, rng, 3))
    canvas.cover[:] = canvas.edge(body)
    return Crossing(canvas.finished(camera.height / SOFT_PX), wanted, camera.height, camera.width)


def _capsule(x: np.ndarray, y: np.ndarray, a: tuple[float, float], b: tuple[float, float], radius: float) -> np.ndarray:
    return bar(x, y, a, b, 1e-6) - np.float32(radius)
