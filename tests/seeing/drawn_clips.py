"""Clips of drawn rotors in a bore: pictures of flashes between which the rotor turned."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from drawn_rotors import SIZE, on_plane, photo_rotor, pose
from photographs import photograph

from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.pose import Pose

TABLE = np.linspace(0, 1, 256, dtype=np.float32) ** 2
LIGHT = FlashLight(TABLE, np.sqrt(TABLE), None)
GAP, LIP = 1.03, 1.12  # rim radii: from the rim to the bore, and on to a step of the case
N_FLASHES = 16


def clip(
    seen: Pose, lead_px: float = 0.0, turned_deg: float = 24.0, covered: np.ndarray | None = None, seed: int = 1
) -> list[LitPicture]:
    """A rotor in a bore: gravel that turns, a dark gap, bright lip and brick that stand still; at first a lead; and
    where it is covered, brick."""
    radius, _ = on_plane(seen)
    gravel, brick = photograph("gravel"), photograph("brick")
    still = 0.3 + 0.5 * photo_rotor(seen, brick, 0.0)
    bricks = still
    still = np.where(radius < LIP, 0.75 + 0.25 * (still - 0.5), still)
    rows = np.arange(SIZE[1])[:, None] - 0.4 * np.arange(SIZE[0])[None, :]
    rng = np.random.default_rng(seed)
    pictures = []
    for k, turn in enumerate(np.linspace(0, turned_deg, N_FLASHES)):
        light = np.where(radius < 1.0, 0.25 + 0.5 * photo_rotor(seen, gravel, float(turn)), still)
        light = np.where((radius > 1.0) & (radius < GAP), 0.05, light)
        light = light if covered is None else np.where(covered, 0.8 * bricks, light)
        if lead_px and k < N_FLASHES // 3:
            light = np.where(np.abs(rows - 60 - 8 * k) < lead_px / 2, 0.1, light)
        luma = np.rint(255 * np.sqrt(np.clip(light, 0, 1)) + rng.standard_normal(light.shape))
        pictures.append(LitPicture(np.clip(luma, 0, 255).astype(np.uint8), 3 * k, k, 0, SIZE[1] - 1))
    return pictures


def posed(tilt_deg: float, toward_deg: float) -> Pose:
    return pose(tilt_deg, toward_deg, (310.0, 245.0), 165.0)
