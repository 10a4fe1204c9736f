"""What rings say of tilt and centre, on circles projected for it."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from timingcam.seeing.pose import Pose, square_on
from timingcam.seeing.rings import Ring
from timingcam.seeing.turning_pose import guesses

SIZE = (640, 360)


def tilted(tilt_deg: float, towards_deg: float, centre: tuple[float, float] = (330.0, 170.0)) -> Pose:
    tilt, a = math.radians(tilt_deg), math.radians(towards_deg)
    return replace(
        square_on(np.array(centre), 130.0, SIZE), lean_rad=tilt * np.array([math.cos(a), math.sin(a)]), focal_px=640.0
    )


def ring(pose: Pose, radius: float, noise_px: float = 0.0, seed: int = 0) -> Ring:
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    at = pose.to_image(radius * np.stack([np.cos(a), np.sin(a)], axis=1))
    at = at + noise_px * np.random.default_rng(seed).standard_normal(at.shape)
    (cx, cy), (d1, d2), angle = cv2.fitEllipseDirect(at.astype(np.float32))
    return Ring(np.array([cx, cy]), (d1 / 2, d2 / 2), float(angle), 1.0, 1)


@settings(max_examples=40, deadline=None)
@given(st.floats(4, 20), st.floats(0, 360), st.integers(0, 1000))
@example(4.0, 0.0, 142)
def test_rings_of_all_sizes_tell_which_way_it_leans(tilt_deg: float, towards_deg: float, seed: int) -> None:
    pose = tilted(tilt_deg, towards_deg)
    rings = [ring(pose, r, 0.2, seed + k) for k, r in enumerate((0.35, 0.5, 0.62, 0.8, 0.95, 1.0, 1.03))]
    found = guesses(square_on(np.array([325.0, 175.0]), 130.0, SIZE), rings)
    # At 4 degrees the two ways differ by half a pixel between rings, no more than noise may make: then both are given.
    assert len(found) == 1 or tilt_deg < 8
    nearest = min(found, key=lambda guess: float(np.hypot(*(guess.lean_rad - pose.lean_rad))))
    # The lens is only guessed: the tilt, and by it the centre's offset, errs with it by a tenth.
    assert nearest.lean_rad == pytest.approx(pose.lean_rad, abs=0.03 + 0.002 * tilt_deg)
    assert nearest.centre_px == pytest.approx(pose.centre_px, abs=0.4 + 0.05 * tilt_deg)


def test_one_ring_leaves_it_open() -> None:
    pose = tilted(12.0, 30.0)
    found = guesses(square_on(np.array([325.0, 175.0]), 130.0, SIZE), [ring(pose, 1.0)])
    assert len(found) == 2
    assert found[0].lean_rad == pytest.approx(-found[1].lean_rad, abs=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_rings_of_nearly_one_size_leave_it_open(seed: int) -> None:
    """Rim, bore and lip: half a pixel of noise and of height decides between their centres, and tells nothing."""
    pose = tilted(10.0, 120.0)
    rings = [ring(pose, r, 0.5, 10 * seed + k) for k, r in enumerate((0.97, 1.0, 1.04))]
    found = guesses(square_on(np.array([325.0, 175.0]), 130.0, SIZE), rings)
    assert len(found) == 2


def test_without_rings_what_was_known_stands() -> None:
    start = tilted(3.0, 10.0)
    (only,) = guesses(start, [])
    assert only.lean_rad is start.lean_rad


def test_a_ring_of_two_edges_is_outvoted() -> None:
    pose = tilted(8.0, 200.0)
    rings = [ring(pose, r) for r in (0.5, 0.7, 0.9, 1.0)]
    rings.append(replace(rings[-1], axes_px=(110.0, 134.0), angle_deg=70.0))
    (found,) = guesses(square_on(np.array([325.0, 175.0]), 130.0, SIZE), rings)
    assert found.lean_rad == pytest.approx(pose.lean_rad, abs=0.03)
