"""Rotors drawn through a known pose: rings of light, or a photograph on the plane."""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.seeing.pose import Pose

SIZE = (640, 480)
PRINCIPAL = np.array([319.5, 239.5])
FOCAL_PX = 0.9 * 640


def pose(tilt_deg: float, toward_deg: float, centre: tuple[float, float], size_px: float) -> Pose:
    lean = np.radians(tilt_deg) * np.array([np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg))])
    return Pose(np.array(centre), size_px, lean, FOCAL_PX, PRINCIPAL)


def on_plane(seen: Pose, size: tuple[int, int] = SIZE) -> tuple[np.ndarray, np.ndarray]:
    """Radius and angle (radians) on the rotor of every pixel."""
    x, y = np.meshgrid(np.arange(size[0], dtype=float), np.arange(size[1], dtype=float))
    at = seen.to_plane(np.stack([x, y], axis=-1))
    return np.hypot(at[..., 0], at[..., 1]), np.arctan2(at[..., 1], at[..., 0])


def rings_picture(
    seen: Pose, edges: dict[float, tuple[float, float]], noise: float = 0.01, seed: int = 1
) -> np.ndarray:
    """Light by radius: each edge (radius: light inside, light outside) a pixel or so soft; and grain."""
    radius, _ = on_plane(seen)
    found = np.full(radius.shape, next(iter(sorted(edges.items())))[1][0])
    for at, (inside, outside) in sorted(edges.items()):
        found += (outside - inside) / (1 + np.exp(-np.clip((radius - at) * seen.size_px / 0.6, -50, 50)))
    rng = np.random.default_rng(seed)
    return (found + noise * rng.standard_normal(found.shape)).astype(np.float32)


def rim_ellipse(seen: Pose, radius: float = 1.0) -> tuple[np.ndarray, tuple[float, float]]:
    """Centre and half axes (short, long) of a circle's picture, by OpenCV's fit to its projected points."""
    a = np.radians(np.arange(0, 360, 2))
    points = seen.to_image(radius * np.stack([np.cos(a), np.sin(a)], axis=1))
    (cx, cy), axes, _ = cv2.fitEllipseDirect((points - seen.centre_px).astype(np.float32))
    return seen.centre_px + np.array([cx, cy]), (min(axes) / 2, max(axes) / 2)


def photo_rotor(seen: Pose, photo: np.ndarray, turn_deg: float) -> np.ndarray:
    """A photograph on the rotor's face, its middle at the centre, its half side 1.2 rim radii, turned clockwise."""
    half = photo.shape[0] / 2
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    # From the photograph's pixels to the plane, turned, to the picture.
    onto = np.array([[1.2 / half, 0, -1.2], [0, 1.2 / half, -1.2], [0, 0, 1.0]])
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    soft = cv2.GaussianBlur(photo, (0, 0), max(0.3, 0.4 * half / (1.2 * seen.size_px)))
    return cv2.warpPerspective(soft, seen.matrix_to_image() @ turn @ onto, SIZE, flags=cv2.INTER_CUBIC)
