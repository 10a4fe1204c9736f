"""When a lamp switched, from levels made frame by frame by the definition of an exposure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.seeing.lamp import LampLight
from timingcam.seeing.switching import switchings

PERIOD_S = 1 / 30
TIME_S = np.arange(120) * PERIOD_S


def lamp(begins_s: float, ends_s: float, exposure_s: float, *, lag_s: float = 1e-4, noise: float = 0.0) -> LampLight:
    """Mean brightness over each exposure, whose middle is the frame's time."""
    fine = np.arange(-0.1, TIME_S[-1] + 0.1, 2e-4)
    bright = np.where(fine >= begins_s, 1 - np.exp(-np.maximum(fine - begins_s, 0) / lag_s), 0.0)
    left = np.interp(ends_s, fine, bright)
    bright = np.where(fine >= ends_s, left * np.exp(-np.maximum(fine - ends_s, 0) / lag_s), bright)
    burnt = np.concatenate([[0.0], np.cumsum((bright[1:] + bright[:-1]) / 2 * np.diff(fine))])
    half = exposure_s / 2
    level = (np.interp(TIME_S + half, fine, burnt) - np.interp(TIME_S - half, fine, burnt)) / exposure_s
    level = level + noise * np.random.default_rng(1).standard_normal(level.size)
    return LampLight(np.zeros(2), 100.0, level, max(noise, 0.005), False)


@settings(max_examples=60, deadline=None)
@given(st.floats(1.0, 1.0 + PERIOD_S), st.floats(0.05, 1.0))
def test_a_quick_lamp_is_timed_to_what_the_exposure_leaves_open(begins_s: float, share: float) -> None:
    on, off = switchings(lamp(begins_s, 2.5, share * PERIOD_S), TIME_S)
    assert (on.on, off.on) == (True, False)
    # An exposure of E every T leaves (T - E)/2 either way; a tenth of a millisecond is the lamp's own.
    assert abs(on.time_s - begins_s) <= (1 - share) * PERIOD_S / 2 + 3e-4
    assert abs(off.time_s - 2.5) <= (1 - share) * PERIOD_S / 2 + 3e-4


def test_the_stated_doubt_is_the_real_one() -> None:
    """Begun at any moment of a frame, with the exposure of a fifth of the period that the doubt is stated for."""
    moments = 1.0 + PERIOD_S * (np.arange(200) + 0.5) / 200
    found = [switchings(lamp(s, 2.5, 0.2 * PERIOD_S), TIME_S)[0] for s in moments]
    error = np.array([one.time_s for one in found]) - moments
    assert abs(error.mean()) < 3e-4
    assert error.std() == pytest.approx(found[0].sd_s, rel=0.05)


@pytest.mark.parametrize("lag_s", [0.03, 0.06, 0.12])
def test_a_bulbs_own_slowness_is_taken_off(lag_s: float) -> None:
    moments = 1.0 + PERIOD_S * np.array([0.1, 0.4, 0.8])
    for begins_s in moments:
        on, off = switchings(lamp(begins_s, 2.6, 0.4 * PERIOD_S, lag_s=lag_s, noise=0.01), TIME_S)
        for one, true_s in ((on, begins_s), (off, 2.6)):
            assert one.lag_s == pytest.approx(lag_s, rel=0.25)
            # What is left of the lag lies within the doubt that is stated of it.
            assert abs(one.time_s - true_s) < 2 * np.hypot(one.sd_s, one.lag_sd_s)


def test_noise_alone_is_no_slowness() -> None:
    on, _ = switchings(lamp(1.01, 2.5, 0.3 * PERIOD_S, noise=0.05), TIME_S)
    assert on.lag_s == 0.0


def test_a_frame_that_does_not_show_the_lamp_spoils_the_switching_about_it() -> None:
    light = lamp(1.01, 2.5, 0.3 * PERIOD_S)
    level = light.level.copy()
    level[31] = np.nan
    found = switchings(LampLight(light.at_px, light.row, level, light.noise, False), TIME_S)
    assert [one.on for one in found] == [False]


def test_clipped_light_is_known_less_well() -> None:
    light = lamp(1.01, 2.5, 0.3 * PERIOD_S)
    clear = switchings(light, TIME_S)[0]
    clipped = switchings(LampLight(light.at_px, light.row, light.level, light.noise, True), TIME_S)[0]
    assert clipped.sd_s > clear.sd_s


def test_a_lamp_that_never_switches() -> None:
    assert switchings(LampLight(np.zeros(2), 0.0, np.zeros(120), 0.01, False), TIME_S) == []
