"""The ellipse of a circle's edge in a picture, against scikit-image's own fit of the same edge.

scikit-image 0.26: `measure.find_contours` (marching squares, Lorensen & Cline 1987) places the contour, `EllipseModel`
(Halíř & Flusser's direct least squares) fits it. Nothing but the picture is shared.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.measure import EllipseModel, find_contours

from timingcam.seeing.pose import Pose
from timingcam.seeing.rings import find_rings

SIZE = (640, 480)


def picture(tilt_deg: float, toward_deg: float) -> np.ndarray:
    """A bright disc on a darker ground, its edge a pixel and a half soft, with a grain of half a percent."""
    lean = np.radians(tilt_deg) * np.array([np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg))])
    pose = Pose(np.array([310.0, 244.0]), 160.0, lean, 620.0, np.array([319.5, 239.5]))
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    at = pose.to_plane(np.stack([x, y], axis=-1))
    disc = np.where(np.hypot(at[..., 0], at[..., 1]) < 1, 0.5, 0.35).astype(np.float32)
    grain = np.random.default_rng(1).standard_normal(disc.shape).astype(np.float32)
    return cv2.GaussianBlur(disc, (0, 0), 1.5) + 0.0025 * grain


@pytest.mark.filterwarnings("ignore::FutureWarning")  # scikit-image renames its fits' methods; both names still work
@pytest.mark.parametrize(("tilt_deg", "toward_deg"), [(2, 10), (10, 80), (18, 200), (26, 330)])
def test_against_scikit_image(tilt_deg: float, toward_deg: float) -> None:
    shown = picture(tilt_deg, toward_deg)
    contour = max(find_contours(shown, 0.425), key=len)[:, ::-1]
    model = EllipseModel()
    assert model.estimate(contour)
    x, y, a, b, _ = model.params
    ring = find_rings(shown, np.ones(shown.shape, bool))[0]
    # Both rest on the same thousand edge pixels; the one takes where the light is halved, the other where its logarithm
    # is steepest, a few tenths of a pixel to the darker side, all round.
    assert ring.centre_px == pytest.approx([x, y], abs=0.15)
    assert sorted(ring.axes_px) == pytest.approx(sorted([a, b]), abs=0.6)
    assert max(ring.axes_px) / min(ring.axes_px) == pytest.approx(max(a, b) / min(a, b), abs=0.002)
