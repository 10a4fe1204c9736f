"""Angles between -180 and 180."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.circle import wrap


@given(st.floats(-1e4, 1e4))
def test_the_same_direction_within_half_a_turn(deg: float) -> None:
    found = wrap(deg)
    # The rounding of `deg + 180` may make the most negative angles come out as the end of the range.
    assert -180.0 <= found <= 180.0
    # Ten thousand degrees have a last bit of 2e-12.
    assert np.exp(1j * np.radians(found)) == pytest.approx(np.exp(1j * np.radians(deg)), abs=1e-11)


def test_of_arrays() -> None:
    assert wrap(np.array([190.0, -190.0, 360.0, 180.0])).tolist() == [-170.0, 170.0, 0.0, -180.0]
