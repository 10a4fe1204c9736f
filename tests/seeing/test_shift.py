"""Where one picture lies against another: told in parts of pictures and in smaller ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.shift import Shift

XY_PX = np.array([[0.0, 0.0], [639.0, 0.0], [320.0, 240.0], [17.0, 411.0]])
MOVES = st.tuples(*(st.floats(-a, a) for a in (40.0, 40.0, 0.05, 0.2)))


def shift_of(move: tuple[float, float, float, float]) -> Shift:
    return Shift(np.array(move), np.diag([0.04, 0.09, 1e-6, 4e-6]), np.array([310.0, 250.0]), 0.1, np.eye(2) * 0.25)


@given(MOVES, st.integers(0, 600), st.integers(0, 400))
def test_a_part_of_the_frame(move: tuple[float, float, float, float], x0: int, y0: int) -> None:
    whole = shift_of(move)
    part = whole.from_corner((x0, y0))
    assert part.apply(XY_PX) == pytest.approx(whole.apply(XY_PX) - [x0, y0], abs=1e-9)
    assert part.matrix()[:2, 2] == pytest.approx(whole.matrix()[:2, 2] - [x0, y0], abs=1e-9)


@given(MOVES, st.integers(1, 8))
def test_pictures_so_many_times_smaller(move: tuple[float, float, float, float], by: int) -> None:
    """A pixel of the smaller picture is the mean of by x by: its middle lies at (x + 1/2) / by - 1/2."""
    whole = shift_of(move)
    small = whole.smaller(by)
    assert small.apply((XY_PX + 0.5) / by - 0.5) == pytest.approx((whole.apply(XY_PX) + 0.5) / by - 0.5, abs=1e-9)
    assert np.sqrt(small.covariance[0, 0]) == pytest.approx(0.2 / by)
    assert small.covariance[3, 3] == whole.covariance[3, 3]
    assert small.apart_px2 == pytest.approx(whole.apart_px2 / by**2)
