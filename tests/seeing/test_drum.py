"""The edge of a rotor seen from the side: into the picture and back, and what stands off it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.drum import Drum, drum_about

PRINCIPAL = np.array([319.5, 239.5])


def drum(out_deg: float = -90.0, tilt_deg: float = 0.0, centre: tuple[float, float] = (319.5, 239.5)) -> Drum:
    return Drum(np.array(centre), 180.0, np.radians(out_deg), np.radians(tilt_deg), 0.9, 600.0, PRINCIPAL)


def at(seen: Drum, deg: float, radius: float = 1.0) -> np.ndarray:
    """A place on the edge, by its angle from the one that faces the camera."""
    a = seen.out_rad + np.radians(deg)
    return radius * np.array([np.cos(a), np.sin(a)])


drums = st.builds(
    drum,
    st.floats(-180, 180),
    st.floats(-15, 15),
    st.tuples(st.floats(200, 440), st.floats(150, 330)),
)


@given(drums, st.floats(-50, 50), st.floats(0.6, 1.1))
def test_into_the_picture_and_back(seen: Drum, deg: float, radius: float) -> None:
    place = at(seen, deg, radius)
    np.testing.assert_allclose(seen.to_plane(seen.to_image(place)), place, atol=1e-9)


def test_clockwise_is_to_the_right_under_an_index_that_points_down() -> None:
    """And the edge runs on downwards, away from the index."""
    seen = drum()
    here, right, below = (seen.to_image(at(seen, deg, radius)) for deg, radius in ((0, 1), (10, 1), (0, 0.9)))
    assert right[0] > here[0] + 10 and abs(right[1] - here[1]) < 5
    assert below[1] > here[1] + 10 and below[0] == pytest.approx(here[0], abs=1e-9)


def test_what_faces_away_is_not_seen() -> None:
    """From 600/180 radii away the edge is seen to the angle whose cosine is the inverse of that, 73 degrees."""
    seen = drum()
    assert np.isnan(seen.to_image(at(seen, 74.0))).all()
    assert np.isfinite(seen.to_image(at(seen, 55.0))).all()
    assert np.isnan(seen.to_plane(np.array([0.0, 239.5]))).all()


@given(drums, st.floats(-40, 40), st.floats(0.005, 0.06))
def test_parallax_against_the_line_of_sight(seen: Drum, deg: float, height: float) -> None:
    """A point that stands off the edge appears where the line from the lens through it meets the edge."""
    axes, middle = seen._frame()
    normal = np.cos(np.radians(deg)) * axes[:, 0] + np.sin(np.radians(deg)) * axes[:, 1]
    point = middle + (1.0 + height) * normal
    px = seen.focal_px * point[:2] / point[2] + seen.principal_px
    appears = seen.to_plane(px)
    angle = np.degrees(np.arctan2(appears[1], appears[0]))
    found = seen.parallax_deg(float(angle), float(np.linalg.norm(appears)), height)
    expected = (angle - np.degrees(seen.out_rad) - deg + 180.0) % 360.0 - 180.0
    assert found == pytest.approx(expected, abs=1e-7)


def test_a_degree_is_foreshortened_away_from_the_middle() -> None:
    """A step along the edge appears as its cosine, and the smaller for being further off."""
    seen = drum()
    middle, aside = (
        float(np.linalg.norm(seen.to_image(at(seen, deg + 0.5)) - seen.to_image(at(seen, deg - 0.5))))
        for deg in (0.0, 40.0)
    )
    off = 600 / 180
    # d(sin a/(off - cos a))/da, from 40 degrees to 0.
    a = np.radians(40.0)
    slope = (off * np.cos(a) - 1) / (off - np.cos(a)) ** 2 * (off - 1) ** 2 / (off - 1)
    assert aside / middle == pytest.approx(slope, rel=1e-3)


def test_parallax_has_the_sign_of_the_side() -> None:
    """What stands off appears further out, on either side; where the edge faces the camera, where it stands."""
    seen = drum()
    facing = np.degrees(seen.out_rad)
    assert seen.parallax_deg(facing, 1.0, 0.05) == pytest.approx(0.0, abs=1e-9)
    assert seen.parallax_deg(facing + 20.0, 1.0, 0.05) > 0 > seen.parallax_deg(facing - 20.0, 1.0, 0.05)


@given(drums)
def test_by_its_axis_it_is_the_same(seen: Drum) -> None:
    axes, middle = seen._frame()
    again = drum_about(middle, axes[:, 2], seen.step, seen.focal_px, seen.principal_px)
    np.testing.assert_allclose(again.to_image(at(seen, 20.0, 0.8)), seen.to_image(at(seen, 20.0, 0.8)), atol=1e-7)


@given(drums, st.floats(-30, 30), st.floats(0.0, 0.38))
def test_from_the_other_side_the_picture_is_the_same(seen: Drum, deg: float, below: float) -> None:
    other = seen.from_other_side(0.38)
    here, there = seen.to_image(at(seen, deg, 1 - below)), other.to_image(at(other, -deg, 1 - 0.38 + below))
    np.testing.assert_allclose(there, here, atol=1e-6)


@given(drums, st.floats(0.7, 1.4))
def test_nearer_makes_angles_so_many_times_as_large(seen: Drum, times: float) -> None:
    near = seen.nearer(times)
    ends = [seen.to_image(at(seen, deg)) for deg in (-1.0, 0.0, 1.0)]
    degs = [np.degrees(np.arctan2(*(near.to_plane(px)[::-1]))) for px in ends]
    # The middle stays; a degree there is as many as asked for, but for the second order.
    assert (degs[2] - degs[0] + 180) % 360 - 180 == pytest.approx(2.0 * times, rel=0.01)
    np.testing.assert_allclose(near.to_image(at(near, 0.0)), ends[1], atol=1e-6)


@given(st.floats(-180, 180), st.floats(1.0, 3.0))
def test_zoomed_the_middle_stays_and_its_sides_are_larger(out_deg: float, times: float) -> None:
    """From so much further away by a lens so much longer: as large where it faces the camera, and larger beside that,
    as it matters less that the sides are further away. On the lens' own axis this is so to the last digit."""
    seen = drum(out_deg)
    far = seen.zoomed(times)
    assert far.focal_px == pytest.approx(times * seen.focal_px)
    near, zoomed = (np.array([one.to_image(at(one, deg)) for deg in (-0.5, 0.0, 0.5, 35.0)]) for one in (seen, far))
    np.testing.assert_allclose(zoomed[1], near[1], atol=1e-9)
    assert far.radius_px == pytest.approx(seen.radius_px)
    # A point 1 - cos(35°) radii further away is smaller by that over the distance.
    off, distance = 1 - np.cos(np.radians(35.0)), seen.distance - 1.0
    grown = np.linalg.norm(zoomed[3] - zoomed[1]) / np.linalg.norm(near[3] - near[1])
    assert grown == pytest.approx((1 + off / distance) / (1 + off / (times * distance)))


@given(drums, st.floats(0.8, 1.2), st.floats(0.4, 0.7))
def test_between_puts_the_ends_where_they_belong(seen: Drum, outer: float, inner: float) -> None:
    """Square to the shaft; the names of the radii change, and nothing that is seen."""
    moved = seen.between(inner, outer, 0.38)
    for radius, name in ((outer, 1.0), (inner, 0.62)):
        px = seen.to_image(at(seen, 5.0, radius))
        assert np.linalg.norm(moved.to_plane(px)) == pytest.approx(name, abs=1e-6)


def test_moved_by_nothing_is_the_same_and_each_number_does_its_own() -> None:
    seen = drum()
    place = at(seen, 10.0, 0.8)
    np.testing.assert_allclose(seen.moved(np.zeros(6)).to_image(place), seen.to_image(place))
    across = seen.moved(np.array([0.01, 0, 0, 0, 0, 0]))
    assert across.centre_px[0] - seen.centre_px[0] == pytest.approx(1.8)  # a hundredth of 180 px
    assert seen.moved(np.array([0, 0, np.log(1.1), 0, 0, 0])).size_px == pytest.approx(198.0)
    assert seen.moved(np.array([0, 0, 0, 0.1, 0, 0])).out_rad == pytest.approx(seen.out_rad + 0.1)


@given(drums)
def test_how_obliquely_it_is_seen(seen: Drum) -> None:
    """Where its middle appears, the line of sight is off the square by the tilt itself."""
    assert seen.oblique_deg(seen.centre_px) == pytest.approx(seen.tilt_deg, abs=1e-6)


def test_for_drawing_the_homography_is_right_about_the_index() -> None:
    seen = replace(drum(), tilt_rad=0.1)
    place = np.array([*at(seen, 0.0, 0.95), 1.0])
    x, y, w = seen.matrix_to_image() @ place
    # A circle is drawn for what appears straight, over 25 degrees to either side: its bow, 1 - cos 25 degrees of a
    # radius of 250 px, 23 px, is shared out over the whole.
    np.testing.assert_allclose([x / w, y / w], seen.to_image(place[:2]), atol=12.0)
