"""The shutter's skew: where it puts a rotor's cells, and the line time told from both halves of the rotor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from timingcam.seeing.pose import square_on
from timingcam.seeing.shift import no_shift
from timingcam.seeing.skew import LineTime, Skew, effective_row, line_time_from, skewed, usual_line_time
from timingcam.seeing.strips import Grid, make_sampler

POSE = square_on(np.array([320.0, 180.0]), 120.0, (640, 360))
GRID = Grid(np.array([0.5, 0.9]), 360)
USUAL = usual_line_time(1 / 30, 360)


def test_rows_below_show_a_rotor_further_on() -> None:
    """0.01 degrees a row: 108 rows under the centre's row the metal stands 1.08 degrees further round."""
    sampler = make_sampler(GRID, POSE)
    moved = skewed(sampler, no_shift(POSE.centre_px), Skew(0.01, 180.0))
    turned = moved.pose.to_plane(moved.xy_px[1].astype(float))
    on = (np.degrees(np.arctan2(turned[:, 1], turned[:, 0])) - np.arange(360) + 180) % 360 - 180
    # Column 90 points down: 0.9 of 120 px is row 288.
    assert on[90] == pytest.approx(1.08, abs=0.01)
    assert on[270] == pytest.approx(-1.08, abs=0.01)
    assert on[0] == pytest.approx(0.0, abs=0.01)


def test_no_skew_changes_nothing() -> None:
    sampler = make_sampler(GRID, POSE)
    assert skewed(sampler, no_shift(POSE.centre_px), Skew(0.0, 5.0)) is sampler


def test_an_angle_holds_at_the_rows_that_told_it() -> None:
    rows = np.array([[10.0, 20.0], [30.0, 40.0]])
    weight = np.array([[1.0, 3.0], [100.0, 0.0]])
    assert effective_row(weight, rows, np.array([[True, True], [False, True]])) == pytest.approx(17.5)


def seen(line_time_s: float, n: int, noise_deg: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Differences of halves 130 rows apart, at speeds either way, with a wave that a wrong pose leaves."""
    rng = np.random.default_rng(seed)
    speed, turn = rng.uniform(-80, 80, n), rng.uniform(-180, 180, n)
    lever = speed * 130.0
    bend = 0.2 * np.cos(np.radians(turn) - 1.0) + 0.1
    return line_time_s * lever + bend + noise_deg * rng.standard_normal(n), lever, turn


@settings(max_examples=40, deadline=None)
@given(st.floats(10e-6, 90e-6), st.integers(0, 2**32 - 1))
def test_the_line_time_is_told_by_a_turning_rotor(line_time_s: float, seed: int) -> None:
    difference, lever, turn = seen(line_time_s, 40, 0.05, seed)
    found = line_time_from(difference, lever, turn, USUAL)
    assert found.seen
    # The sd that is stated has three like frames count as one, so errs on the safe side.
    assert abs(found.line_time_s - line_time_s) < 4 * found.sd_s
    # That of these very speeds, constant and wave left free, three frames counted as one; what 36 freedoms tell of the
    # noise is a chi-square's, beyond this once in ten million draws.
    angle = np.radians(turn)
    design = np.column_stack([lever, np.ones(40), np.cos(angle), np.sin(angle)])
    expected_s = np.sqrt(3) * 0.05 * np.sqrt(np.linalg.inv(design.T @ design)[0, 0])
    assert found.sd_s < expected_s * np.sqrt(chi2.isf(1e-7, 36) / 36)


def test_the_sd_is_that_of_the_draws() -> None:
    """0.05 degrees in each of 40 frames at some 46 degrees a second, three counted as one: 2.3 µs."""
    stated_s = np.array([line_time_from(*seen(50e-6, 40, 0.05, seed), USUAL).sd_s for seed in range(200)])
    expected_s = np.sqrt(3) * 0.05 / (130 * 80 / np.sqrt(3) * np.sqrt(40))
    # Huber's weights take some 5 % off the residuals of normal noise; a draw's sd scatters by 12 % (36 freedoms) and
    # 5 % (the rms of 40 speeds), the mean of 200 by 1 %.
    assert stated_s.mean() == pytest.approx(expected_s, rel=0.10)


def test_a_rotor_at_rest_tells_nothing() -> None:
    difference, _, turn = seen(50e-6, 40, 0.05, 1)
    found = line_time_from(difference, np.zeros(40), turn, USUAL)
    assert not found.seen
    assert found.line_time_s == pytest.approx(USUAL.line_time_s, rel=0.05)
    assert found.sd_s == pytest.approx(USUAL.sd_s, rel=0.05)


def test_few_frames_tell_nothing() -> None:
    assert line_time_from(*seen(50e-6, 5, 0.05, 1), USUAL) == USUAL


def test_the_usual_range_covers_phones() -> None:
    # 7 to 33 ms a frame at 30 fps: within two sds.
    assert abs(7e-3 / 360 - USUAL.line_time_s) < 2 * USUAL.sd_s
    assert abs(33e-3 / 360 - USUAL.line_time_s) < 2 * USUAL.sd_s


def test_a_negative_line_time_is_none() -> None:
    difference, lever, turn = seen(-60e-6, 40, 0.01, 2)
    assert line_time_from(difference, lever, turn, LineTime(0.0, 1.0, False)).line_time_s == 0.0
