"""Sparks and flashes: signs, delay, dial, play, the wrong lead."""

from __future__ import annotations

import math

import numpy as np
import pytest

from timingcam.staging.motion import crank_motion
from timingcam.staging.strobe import FlashLight, all_flashes


def flashes_of(scene):
    motion = crank_motion(scene)
    return all_flashes(scene, motion), motion


def test_spark_stands_advance_before_tdc(staged):
    flashes, motion = flashes_of(staged(run="advance = [[1000, 20.0], [9000, 20.0]]"))
    assert len(flashes) == pytest.approx(0.5 * 25, abs=3)  # 3000 rpm: 25 sparks a second
    for flash in flashes:
        assert flash.advance_deg == 20
        assert float(motion.angle_deg(flash.spark_s)) % 720 == pytest.approx(700, abs=1e-6)
        assert flash.seen_deg == pytest.approx(20, abs=1e-6)
        assert flash.rpm == pytest.approx(3000, rel=1e-9)


def test_late_flash_shows_less_advance(staged):
    flashes, _ = flashes_of(staged(run="rpm = 6000\nadvance = [[1000, 20.0], [9000, 20.0]]", strobe="delay_us = 50.0"))
    # 50 µs at 6000 rpm: 1.8 degrees (definition).
    assert all(flash.seen_deg == pytest.approx(18.2, abs=1e-6) for flash in flashes)
    assert all(flash.time_s - flash.spark_s == pytest.approx(50e-6, abs=1e-12) for flash in flashes)


def test_dial_holds_back_its_degrees(staged):
    run = "advance = [[1000, 20.0], [9000, 20.0]]"
    flashes, _ = flashes_of(staged(run=run, strobe="dial_deg = 12.0"))
    assert all(flash.seen_deg == pytest.approx(8, abs=1e-6) for flash in flashes)
    # Made for a spark a turn, on one in two: it takes the gap for 360 degrees where it is 720, and holds back 24.
    flashes, _ = flashes_of(staged(run=run, strobe="dial_deg = 12.0\ndial_sparks_per_rev = 1.0"))
    assert all(flash.seen_deg == pytest.approx(-4, abs=1e-6) for flash in flashes)


def test_wrong_lead_shows_the_other_cylinder(staged):
    flashes, _ = flashes_of(staged(run="advance = [[1000, 20.0], [9000, 20.0]]", strobe='lead = "far"'))
    # 540 degrees on, half a turn as the rotor shows it.
    assert all(abs(flash.seen_deg - 20) == pytest.approx(180, abs=1e-6) for flash in flashes)


def test_play_lies_between_rise_and_fall(staged):
    scene = staged(
        run='duration_s = 8.0\nrpm = [[0, 1000], [4, 5000], [8, 1000]]\nbetween = "straight"\nhysteresis_deg = 2.0'
    )
    flashes, _ = flashes_of(scene)
    time, rpm, advance = (np.array([getattr(f, key) for f in flashes]) for key in ("time_s", "rpm", "advance_deg"))
    rising = np.interp(3000, rpm[time < 4], advance[time < 4])
    falling = np.interp(3000, rpm[time > 4][::-1], advance[time > 4][::-1])
    assert falling - rising == pytest.approx(2.0, abs=0.02)
    assert rising == pytest.approx(20 - 1, abs=0.02)
    assert advance[np.argmax(rpm)] == pytest.approx(32)  # the flats are the same both ways


def test_jitter_missed_misfired_and_double(staged):
    scene = staged(
        run="duration_s = 20.0\njitter_deg = 0.5\nmisfire_share = 0.1\nadvance = [[1000, 20.0], [9000, 20.0]]",
        strobe="missed_share = 0.2\ndouble_share = 0.1",
    )
    flashes, _ = flashes_of(scene)
    sparks = [f for f in flashes if f.kind == "spark"]
    n = len(sparks)
    assert n / 500 == pytest.approx(0.9, abs=4 * math.sqrt(0.09 / 500))
    assert sum(f.missed for f in sparks) / n == pytest.approx(0.2, abs=4 * math.sqrt(0.16 / n))
    assert np.std([f.advance_deg for f in sparks]) == pytest.approx(0.5, rel=4 / math.sqrt(2 * n))
    for double in (f for f in flashes if f.kind == "double"):
        assert double.advance_deg - double.seen_deg == pytest.approx(6 * 3000 * 1.5e-3, abs=1e-6)


def test_free_running_drifts(staged):
    flashes, _ = flashes_of(staged(strobe="free_running_hz = 24.9"))
    steps = np.diff([f.seen_deg for f in flashes])
    # 3000 rpm turns 18000 degrees a second: 1/24.9 s is 2 turns and 2.89 degrees.
    assert np.mod(steps + 180, 360) - 180 == pytest.approx(np.full(steps.size, -(18000 / 24.9 - 720)), abs=1e-6)
    assert all(math.isnan(f.advance_deg) for f in flashes)


@pytest.mark.parametrize("shape", ["square", "decay"])
def test_light_is_balanced_about_its_centre(shape):
    light = FlashLight(shape, 80e-6)
    first, last = light.span_s
    edges = np.linspace(first, last, 20001)
    sent = np.diff(light.emitted(edges))
    assert sent.sum() == pytest.approx(1)
    assert (sent * (edges[1:] + edges[:-1]) / 2).sum() == pytest.approx(0, abs=1e-10)
    share = np.linspace(0.01, 0.99, 9)
    assert light.emitted(light.when_emitted(share)) == pytest.approx(share)
