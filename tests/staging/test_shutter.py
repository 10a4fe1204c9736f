"""Rows lit: the formula, brute force, and a case worked out elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.staging.shutter import Shutter, in_steps, rows_lit, shutter
from timingcam.staging.strobe import FlashLight


def test_case_worked_out_by_hand():
    # T 20 µs, e 500 µs, a 30 µs flash whose light begins 12.307 ms after the frame: rows 591 to 616 get some light
    # ((tf − e)/T = 590.35, (tf + d)/T = 616.85), rows 592 to 615 all of it.
    one = Shutter(np.array([0.0]), np.array([500e-6]), 20e-6, 1080)
    weights = one.row_weights(0, 12.307e-3 + 15e-6, FlashLight("square", 30e-6))
    some, all_of_it = np.flatnonzero(weights > 1e-9), np.flatnonzero(weights > 1 - 1e-9)
    assert (some[0], some[-1]) == (591, 616)
    assert (all_of_it[0], all_of_it[-1]) == (592, 615)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(2e-6, 40e-6),
    st.floats(1e-4, 0.03),
    st.floats(1e-6, 5e-4),
    st.floats(0, 0.1),
    st.sampled_from(["square", "decay"]),
)
def test_weights_are_the_light_while_each_row_is_open(line_s, exposure_s, length_s, at_s, shape):
    camera = Shutter(np.arange(5) / 30, np.full(5, exposure_s), line_s, 200)
    light = FlashLight(shape, length_s)
    moments = light.when_emitted((np.arange(4000) + 0.5) / 4000) + at_s  # 4000 equal parts of the light
    lit_somewhere = camera.frames_lit(at_s, light)
    for frame in range(5):
        opens = frame / 30 + np.arange(200) * line_s
        brute = np.searchsorted(moments, opens + exposure_s) - np.searchsorted(moments, opens)
        assert camera.row_weights(frame, at_s, light) == pytest.approx(brute / 4000, abs=1.1 / 4000 * 2)
        if brute.any():
            assert frame in lit_somewhere


def test_half_lit_rows_and_steps(staged):
    assert rows_lit(np.array([0, 0.4, 0.5, 1, 0.6, 0.1])) == (2, 4)
    assert rows_lit(np.zeros(3)) is None
    camera = shutter(staged(camera="exposure_s = [[0, 0.01], [0.2, 0.005]]"))
    assert camera.start_s.size == 15
    assert camera.exposure_s[5] == 0.01 and camera.exposure_s[6] == 0.005
    assert list(in_steps(((0, 1.0), (2, 3.0)), np.array([-1, 0, 1.9, 2]))) == [1, 1, 1, 3]
