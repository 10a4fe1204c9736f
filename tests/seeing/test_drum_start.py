"""The first guess of a rotor's edge: through which lens it was filmed, near or zoomed."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.seeing.drum import Drum
from timingcam.seeing.drum_start import by_its_lens
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.shift import no_shift
from timingcam.seeing.stack import Stack
from timingcam.seeing.strips import Part

W, H = 640, 360
PRINCIPAL = np.array([(W - 1) / 2, (H - 1) / 2])
USUAL_PX = 0.9 * W
RADIAN_PX = 300.0  # in the middle, where the edge is nearest: the slot shows 45 degrees on either side
TURNS_DEG = np.concatenate([np.zeros(8), np.linspace(1, 24, 14), np.full(8, 24.0)])


def filmed(focal_px: float) -> tuple[Stack, Part]:
    """Flashes of a textured edge in a slot, its shaft upright in the picture: each pixel's line of sight meets the
    cylinder of radius 1 about (0, distance) where x² + (z - distance)² = 1."""
    distance = 1 + focal_px / RADIAN_PX
    x = (np.arange(W) - PRINCIPAL[0]) / focal_px
    a, b, c = x**2 + 1, -distance, distance**2 - 1
    room = b * b - a * c
    z = (-b - np.sqrt(np.where(room > 0, room, np.nan))) / a
    seen_deg = np.degrees(np.arcsin(x * z))
    rng = np.random.default_rng(4)
    wave, phase = np.arange(3, 90), rng.uniform(0, 2 * np.pi, 87)
    size = 0.1 / np.sqrt(wave) * np.exp(-((wave / 60.0) ** 2))
    shows = np.zeros((H, W), bool)
    shows[140:220, 110:530] = True
    lit, luma_sum = [], np.zeros((H, W))
    for k, turn in enumerate(TURNS_DEG):
        at = np.radians(np.nan_to_num(seen_deg) - turn)
        face = 0.3 + (size[:, None] * np.cos(wave[:, None] * at + phase[:, None])).sum(axis=0)
        picture = np.where(shows, face[None, :], 0.35) + 0.004 * rng.standard_normal((H, W))
        luma = np.clip(255 * np.sqrt(np.clip(picture, 0, 1)), 0, 255).astype(np.uint8)
        lit.append(LitPicture(luma, 2 * k, k, 0, H - 1, 10.0 + 0.5 * k))
        luma_sum += luma / 255.0
    table = (np.arange(256) / 255.0).astype(np.float32) ** 2
    light = FlashLight(table, np.sqrt(table), None)
    shifts = [no_shift(PRINCIPAL) for _ in lit]
    return Stack(light, lit, shifts), Part(shows, (luma_sum / len(lit)).astype(np.float32))


def through_the_usual_lens() -> Drum:
    distance = 1 + USUAL_PX / RADIAN_PX
    return Drum(PRINCIPAL - [0, 40.0], USUAL_PX / distance, np.radians(-90.0), 0.0, 0.7, USUAL_PX, PRINCIPAL)


@pytest.mark.parametrize("times", [0.7, 2.0])
def test_an_edge_is_seen_to_be_near_or_zoomed(times: float) -> None:
    """A wide lens, and by two: told to the nearest of the lenses tried, which the fit goes on from."""
    found = by_its_lens(*_with(through_the_usual_lens(), filmed(times * USUAL_PX)))
    assert found is not None
    assert 0.6 * times < found.focal_px / USUAL_PX < 1.5 * times
    assert found.radius_px == pytest.approx(RADIAN_PX, rel=0.02)


def test_the_usual_lens_is_kept() -> None:
    assert by_its_lens(*_with(through_the_usual_lens(), filmed(USUAL_PX))) is None


def _with(drum: Drum, seen: tuple[Stack, Part]) -> tuple[Stack, Drum, Part]:
    return seen[0], drum, seen[1]
