"""From light on the sensor to what the phone hands its encoder: gain, noise, noise reduction, sharpening, tone.

In:  `Planes` of linear light, frame after frame.
Out: luma and chroma code values, limited range, BT.709, 8 or 10 bit.
Not here: which light fell when (`render.py`), the encoder (`container.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.staging.picture import Planes
from timingcam.staging.scene_tables import Camera

BLUE_SPAN, RED_SPAN = 1.8556, 1.5748  # ITU-R BT.709: 2·(1 − 0.0722), 2·(1 − 0.2126)
BLACK_8, LUMA_SPAN_8, CHROMA_SPAN_8 = 16, 219, 224  # ITU-R BT.709 limited range
MOVED = 0.06  # our choice: noise reduction leaves alone what has changed by more than this, of full white
HALO_PX = 1.3


HLG_A, HLG_B, HLG_C = 0.17883277, 0.28466892, 0.55991073  # ITU-R BT.2100, hybrid log-gamma (from memory)


def _hlg(light: np.ndarray) -> np.ndarray:
    """Hybrid log-gamma of scene light from 0 to 1."""
    bright = HLG_A * np.log(np.maximum(12 * light - HLG_B, 1e-6)) + HLG_C
    return np.where(light <= 1 / 12, np.sqrt(3 * light), bright).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Codes:
    """A frame as the encoder gets it: luma (h, w), chroma (h/2, w/2, 2), uint8 or uint16."""

    luma: np.ndarray
    chroma: np.ndarray


class Sensor:
    """Turns light into code values; keeps the frame before for the noise reduction that phones do."""

    def __init__(self, camera: Camera, corners: np.ndarray, seed: int) -> None:
        self._camera, self._seed = camera, seed
        self._corners = corners
        half = (corners.shape[1] // 2, corners.shape[0] // 2)
        self._corners_half = cv2.resize(corners, half, interpolation=cv2.INTER_AREA)[..., None]
        self._before: np.ndarray | None = None
        self._light_before: Planes | None = None

    def develop(self, planes: Planes, number: int, gain: float) -> Codes:
        """One frame; `number` seeds its noise, so that any frame can be made again."""
        luma, chroma = planes.luma * self._corners, planes.chroma * self._corners_half
        luma, chroma = self._merged(luma, chroma)
        luma, chroma = luma * np.float32(gain), chroma * np.float32(gain)
        luma, chroma = self._noisy(luma, chroma, number, gain)
        small = cv2.resize(luma, (chroma.shape[1], chroma.shape[0]), interpolation=cv2.INTER_AREA)
        toned_small = self._tone(small)
        blue = (self._tone(small + chroma[..., 0]) - toned_small) / BLUE_SPAN
        red = (self._tone(small + chroma[..., 1]) - toned_small) / RED_SPAN
        toned = self._tone(luma)
        toned = self._reduced(toned)
        if self._camera.sharpening:
            toned += np.float32(self._camera.sharpening) * (toned - cv2.GaussianBlur(toned, (0, 0), HALO_PX))
        return self._coded(toned, np.stack([blue, red], axis=-1))

    def _merged(self, luma: np.ndarray, chroma: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        share = np.float32(self._camera.merging)
        if share == 0:
            return luma, chroma
        now = Planes(luma, chroma, 0)
        last = self._light_before or now
        self._light_before = now
        return luma * (1 - share) + last.luma * share, chroma * (1 - share) + last.chroma * share

    def _noisy(self, luma: np.ndarray, chroma: np.ndarray, number: int, gain: float) -> tuple[np.ndarray, np.ndarray]:
        photon, read = self._camera.photon_noise, self._camera.read_noise
        if photon == 0 and read == 0:
            return luma, chroma
        rng = np.random.Generator(np.random.SFC64([self._seed, 7, number]))

        # Gain multiplies what was already noisy: read noise goes up with it, photon noise with its root.
        def sd(light: np.ndarray) -> np.ndarray:
            return np.sqrt(np.float32((read * gain) ** 2) + np.float32(photon**2 * gain) * np.maximum(light, 0))

        small = cv2.resize(luma, (chroma.shape[1], chroma.shape[0]), interpolation=cv2.INTER_AREA)
        luma = luma + sd(luma) * rng.standard_normal(luma.shape, dtype=np.float32)
        coloured = rng.standard_normal(chroma.shape, dtype=np.float32)
        return luma, chroma + 0.6 * sd(small)[..., None] * coloured

    def _tone(self, light: np.ndarray) -> np.ndarray:
        """Camera gamma near a square root; 'standard' adds a shoulder and a little contrast."""
        if self._camera.tone == "hlg":
            return _hlg(np.clip(light, 0, 4) / 4)
        root = np.sqrt(np.maximum(light, 0))
        if self._camera.tone == "flat":
            return np.minimum(root, 1)
        # 1.22·r − 0.22·r³ rises from slope 1.22 to a shoulder that meets 1 at white.
        root = np.minimum(root, np.float32(1.08))
        return np.minimum(root * (np.float32(1.22) - np.float32(0.22) * root * root), 1)

    def _reduced(self, toned: np.ndarray) -> np.ndarray:
        share = np.float32(self._camera.noise_reduction)
        if share == 0:
            return toned
        if self._before is not None:
            changed = cv2.GaussianBlur(np.abs(toned - self._before), (0, 0), 2.0)
            keep = share * np.exp(-((changed / np.float32(MOVED)) ** 2))
            toned = toned + keep * (self._before - toned)
        self._before = toned
        return toned.copy()

    def _coded(self, luma: np.ndarray, chroma: np.ndarray) -> Codes:
        step = 1 if self._camera.bits == 8 else 4
        kind = np.uint8 if step == 1 else np.uint16
        y = np.clip(luma * np.float32(LUMA_SPAN_8 * step) + np.float32(BLACK_8 * step + 0.5), 0, 256 * step - 1)
        c = np.clip(chroma * np.float32(CHROMA_SPAN_8 * step) + np.float32(128 * step + 0.5), 0, 256 * step - 1)
        return Codes(y.astype(kind), c.astype(kind))
