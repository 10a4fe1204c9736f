"""Crank angle against its definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.staging.motion import CrankMotion, crank_motion, slow_waves


def test_constant_speed_is_six_degrees_a_second_per_rpm(staged):
    motion = crank_motion(staged(run="rpm = 6000\nstart_deg = 0.0"))
    at = np.array([0.0, 0.1, 0.5])
    assert motion.angle_deg(at) == pytest.approx(36000 * at, abs=1e-6)
    # 27.8 µs a degree at 6000 rpm, by definition.
    assert float(motion.time_at(1.0)) == pytest.approx(1 / 36000, rel=1e-6)


def test_ramp_mean_speed(staged):
    motion = crank_motion(staged(run='rpm = [[0, 1000], [0.5, 3000]]\nbetween = "straight"'))
    # On a straight ramp n(t) = 1000 + 4000·t the angle is 6·(1000·t + 2000·t²).
    at = np.array([0.1, 0.25, 0.4])
    assert motion.angle_deg(at) - motion.angle_deg(0.0) == pytest.approx(6 * (1000 * at + 2000 * at**2), abs=1e-3)
    # On a straight ramp the mean over any span centred on t is n(t).
    assert motion.mean_rpm(at) == pytest.approx(1000 + 4000 * at, abs=0.05)


def _with_ripple(rpm: float, ripple: float, phase: float) -> CrankMotion:
    time_s = np.arange(-1, 2, 2e-4)
    per_deg = 2 * np.pi / 720
    return CrankMotion(time_s, 6 * rpm * time_s, np.full(time_s.size, rpm), ripple / per_deg, per_deg, phase, 720)


@settings(max_examples=40, deadline=None)
@given(st.floats(500, 9000), st.floats(0, 0.06), st.floats(0, 6), st.floats(0, 1))
def test_time_and_angle_are_inverse(rpm, ripple, phase, at_s):
    motion = _with_ripple(rpm, ripple, phase)
    assert float(motion.time_at(motion.angle_deg(at_s))) == pytest.approx(at_s, abs=1e-9)
    step = 1e-6
    slope = (motion.angle_deg(at_s + step) - motion.angle_deg(at_s - step)) / (2 * step)
    assert float(slope) == pytest.approx(6 * float(motion.speed_rpm(at_s)), rel=1e-4)


def test_ripple_leaves_the_cycle_mean(staged):
    motion = _with_ripple(2400.0, 0.05, 1.0)
    assert motion.mean_rpm(np.linspace(0.1, 0.9, 40)) == pytest.approx(np.full(40, 2400.0), rel=1e-4)
    assert np.ptp(motion.speed_rpm(np.linspace(0.1, 0.9, 400))) == pytest.approx(2 * 0.05 * 2400, rel=0.02)


def test_waves_have_unit_rms():
    wave = slow_waves((0.5, 5.0), np.random.default_rng(1)).at(np.linspace(0, 400, 40001))
    assert wave.std() == pytest.approx(1.0, rel=0.05)  # 200 periods of the slowest wave: its power is known to 5 %
