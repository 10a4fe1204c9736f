"""Where one picture lies against another: told in parts of pictures and in smaller ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.shift import Shift, between, moved_by

XY_PX = np.array([[0.0, 0.0], [639.0, 0.0], [320.0, 240.0], [17.0, 411.0]])
ASLANT = st.tuples(st.floats(-2e-4, 2e-4), st.floats(-2e-4, 2e-4))
MOVES = st.tuples(*(st.floats(-a, a) for a in (40.0, 40.0, 0.05, 0.2)))


def shift_of(move: tuple[float, float, float, float], aslant: tuple[float, float] = (0.0, 0.0)) -> Shift:
    sds2 = np.diag([0.04, 0.09, 1e-6, 4e-6])
    return Shift(np.array(move), sds2, np.array([310.0, 250.0]), 0.1, np.eye(2) * 0.25, np.array(aslant))


@given(MOVES, ASLANT, st.integers(0, 600), st.integers(0, 400))
def test_a_part_of_the_frame(
    move: tuple[float, float, float, float], aslant: tuple[float, float], x0: int, y0: int
) -> None:
    whole = shift_of(move, aslant)
    part = whole.from_corner((x0, y0))
    assert part.apply(XY_PX) == pytest.approx(whole.apply(XY_PX) - [x0, y0], abs=1e-9)
    assert moved_by(part.matrix(), XY_PX) == pytest.approx(part.apply(XY_PX), abs=1e-9)


@given(MOVES, ASLANT)
def test_told_about_another_point(move: tuple[float, float, float, float], aslant: tuple[float, float]) -> None:
    """Exactly what it was where it is not aslant, or told about the same point; by the way, at the new point itself."""
    shift, other = shift_of(move, aslant), np.array([100.0, 120.0])
    assert shift.about(shift.about_px).apply(XY_PX) == pytest.approx(shift.apply(XY_PX), abs=1e-9)
    assert shift.about(other).apply(other) == pytest.approx(shift.apply(other), abs=1e-9)
    flat = shift_of(move)
    assert flat.about(other).apply(XY_PX) == pytest.approx(flat.apply(XY_PX), abs=1e-9)


def test_a_phone_that_turns_sees_a_homography() -> None:
    """Pinhole camera, focal length 600 px, turned by 2 degrees to the side and 3 down: x' = K·R·K^-1·x; and from one
    such picture to another."""
    from scipy.spatial.transform import Rotation

    middle = np.array([320.0, 240.0])
    camera = np.array([[600.0, 0, middle[0]], [0, 600.0, middle[1]], [0, 0, 1]])

    def turned(across_deg: float, down_deg: float) -> tuple[Shift, np.ndarray]:
        rotation = Rotation.from_rotvec(np.radians([down_deg, across_deg, 0.0])).as_matrix()
        homography = camera @ rotation @ np.linalg.inv(camera)
        t_px = moved_by(homography, middle) - middle
        return Shift(np.r_[t_px, 0, 0], np.zeros((4, 4)), middle, 0.0, aslant=-t_px / 600.0**2), homography

    one, by_rotation = turned(2.0, 3.0)
    # Told to first order: what is left is of the square of the angle, some 600 px times (3.6 degrees)².
    assert one.apply(XY_PX) == pytest.approx(moved_by(by_rotation, XY_PX), abs=600 * np.radians(3.6) ** 2)
    other, _ = turned(-1.0, 1.0)
    assert between(one, other).apply(one.apply(XY_PX)) == pytest.approx(other.apply(XY_PX), abs=1.0)


@given(MOVES, ASLANT, st.integers(1, 8))
def test_pictures_so_many_times_smaller(
    move: tuple[float, float, float, float], aslant: tuple[float, float], by: int
) -> None:
    """A pixel of the smaller picture is the mean of by x by: its middle lies at (x + 1/2) / by - 1/2."""
    whole = shift_of(move, aslant)
    small = whole.smaller(by)
    assert small.apply((XY_PX + 0.5) / by - 0.5) == pytest.approx((whole.apply(XY_PX) + 0.5) / by - 0.5, abs=1e-9)
    assert np.sqrt(small.covariance[0, 0]) == pytest.approx(0.2 / by)
    assert small.covariance[3, 3] == whole.covariance[3, 3]
    assert small.apart_px2 == pytest.approx(whole.apart_px2 / by**2)
