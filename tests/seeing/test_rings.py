"""Circles seen at an angle: their ellipses, of a full view and of a partial one; and pictures without any."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_rotors import SIZE, pose, rim_ellipse, rings_picture
from photographs import photograph

from timingcam.seeing.rings import Ring, find_edges, find_rings

# A rotor, darker than the case, with a step turned into its face.
EDGES = {0.62: (0.3, 0.38), 1.0: (0.38, 0.6)}
KNOWN = np.ones((SIZE[1], SIZE[0]), bool)


def nearest(rings: list[Ring], size_px: float) -> Ring:
    return min(rings, key=lambda ring: abs(np.log(ring.size_px / size_px)))


@pytest.mark.parametrize(
    ("tilt_deg", "toward_deg"),
    [(0, 0), (20, 310), (33, 250),
     *(pytest.param(*one, marks=pytest.mark.slow) for one in [(5, 200), (12, 70), (28, 120)])],
    ids=str,
)  # fmt: skip
def test_ellipses_of_both_circles(tilt_deg: float, toward_deg: float) -> None:
    seen = pose(tilt_deg, toward_deg, (300.0, 225.0), 150.0)
    rings = find_rings(rings_picture(seen, EDGES), KNOWN)
    # Steeply tilted, circles of different size have their middles in different places: each is found at its own.
    for radius in EDGES:
        centre, (short, long) = rim_ellipse(seen, radius)
        ring = nearest(rings, long)
        # Some 600 edge points, each placed to a third of a pixel under this noise: 0.014 px; the fit's own leaning
        # towards small ellipses and the edge's softness several times that.
        assert ring.centre_px == pytest.approx(centre, abs=0.3)
        assert (min(ring.axes_px), max(ring.axes_px)) == pytest.approx((short, long), abs=0.4)
        assert ring.coverage > 0.9
        assert ring.sign == 1  # brighter outside


def test_the_sign_says_which_side_is_brighter() -> None:
    seen = pose(10, 0, (300.0, 225.0), 150.0)
    rings = find_rings(rings_picture(seen, {1.0: (0.6, 0.35)}), KNOWN)
    assert rings[0].sign == -1


def test_two_sides_of_a_gap_are_two_rings() -> None:
    """A dark gap of 4 px between rotor and case."""
    seen = pose(8, 30, (300.0, 225.0), 150.0)
    rings = find_rings(rings_picture(seen, {1.0: (0.5, 0.1), 1.03: (0.1, 0.55)}), KNOWN)
    for radius, sign in ((1.0, -1), (1.03, 1)):
        _, (_, long) = rim_ellipse(seen, radius)
        ring = nearest([ring for ring in rings if ring.sign == sign], long)
        # Edges 4 px apart under a blur of 1.5 px pull at each other.
        assert ring.size_px == pytest.approx(long, abs=1.0)


def test_half_a_rotor_is_enough() -> None:
    """The upper half of the picture was never lit."""
    seen = pose(12, 70, (300.0, 240.0), 150.0)
    known = KNOWN.copy()
    known[:215] = False
    rings = find_rings(rings_picture(seen, EDGES), known)
    centre, (_, long) = rim_ellipse(seen)
    ring = nearest(rings, long)
    # Half the points, and the centre's place across the cut is told by the arc's ends alone.
    assert ring.centre_px == pytest.approx(centre, abs=1.5)
    assert ring.size_px == pytest.approx(long, abs=1.5)
    assert 0.4 < ring.coverage < 0.8


def test_something_lies_over_the_rim() -> None:
    """A hose across a fifth of it, and bolts on the face."""
    seen = pose(15, 300, (300.0, 225.0), 150.0)
    picture = rings_picture(seen, EDGES)
    picture[:, 390:430] = 0.1
    for x, y in ((260, 200), (330, 280), (300, 150)):
        yy, xx = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
        picture[np.hypot(xx - x, yy - y) < 14] = 0.15
    centre, (_, long) = rim_ellipse(seen)
    ring = nearest(find_rings(picture, KNOWN), long)
    assert ring.centre_px == pytest.approx(centre, abs=0.6)
    assert ring.size_px == pytest.approx(long, abs=0.8)


def test_a_gravel_bed_has_no_rings() -> None:
    """Or none that holds: a third of its edge at most."""
    rings = find_rings(photograph("gravel"), np.ones((512, 512), bool))
    assert all(ring.coverage < 0.7 for ring in rings)


def test_a_blank_wall_has_none() -> None:
    assert find_rings(np.full((480, 640), 0.5, np.float32), KNOWN) == []


def test_shape_takes_the_unit_circle_to_the_ellipse() -> None:
    ring = Ring(np.array([10.0, 20.0]), (30.0, 18.0), 40.0, 1.0, 1)
    a = np.radians(40.0)
    along = ring.shape_px() @ np.array([np.cos(a), np.sin(a)])
    assert along == pytest.approx(30 * np.array([np.cos(a), np.sin(a)]))
    assert ring.size_px == 30.0


def test_edges_are_placed_between_pixels() -> None:
    """Square-on in the middle of the picture, where a circle is one in the picture too."""
    centre = (319.5, 239.5)
    edges = find_edges(rings_picture(pose(0, 0, centre, 120.2), {1.0: (0.3, 0.6)}, noise=0.0), KNOWN, 1.2, 2000)
    off = edges.xy - np.array(centre)
    away = np.hypot(*off.T) - 120.2
    on_rim = np.abs(away) < 2
    assert on_rim.sum() > 500
    # A parabola through three samples of the gradient, taken by linear interpolation: a fifth of a pixel. The gradient
    # is that of light's logarithm, steepest a little to the darker side.
    assert np.std(away[on_rim]) < 0.2
    assert -0.4 < np.mean(away[on_rim]) < 0.1
    # Brighter outside: gradients point outwards.
    assert np.all((off[on_rim] / 120.2 * edges.unit[on_rim]).sum(axis=1) > 0.95)
