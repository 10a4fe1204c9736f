"""Where flashes begin and end along the rows."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.seeing.steps import find_steps

N_ROWS = 400


def staircase(*steps: tuple[float, float], ramp: float = 4.0, noise: float = 0.01) -> np.ndarray:
    """Twenty frames alike of light that changes at (row, by how much), each over `ramp` rows."""
    rng = np.random.default_rng(3)
    rows = np.arange(N_ROWS)
    lit = sum(by * np.clip((rows - at) / ramp + 0.5, 0, 1) for at, by in steps)
    return (lit + noise * rng.standard_normal((20, N_ROWS))).astype(np.float32)


def test_a_flash_that_begins_while_another_is_on() -> None:
    steps, _ = find_steps(staircase((60.2, 1), (150.7, 1), (260.2, -1), (350.7, -1)), 0.01)
    assert steps.frame.tolist() == sorted(list(range(20)) * 4)
    assert steps.up.tolist() == [True, True, False, False] * 20
    # The ramp is drawn with its middle on the row; 3 % of a flash's noise over ten rows moves it by a tenth of a row.
    assert steps.row == pytest.approx(np.tile([60.2, 150.7, 260.2, 350.7], 20), abs=0.3)
    # A height is the difference of two means over four rows at least: their noise is 0.01 times the root of a half, and
    # of 80 the largest is not beyond four of those.
    assert steps.height == pytest.approx(1.0, abs=0.03)


def test_a_second_flash_that_adds_less_light_is_a_flash() -> None:
    """Metal near white gets little brighter: levels of 1.2 and 1.8 are one flash and two."""
    steps, _ = find_steps(staircase((100, 1.2), (200, 0.6), (300, -0.6), (350, -1.2)), 0.01)
    assert steps.up[:4].tolist() == [True, True, False, False]


@pytest.mark.parametrize("ramp", [2.0, 12.0, 30.0])
def test_long_flashes_have_one_edge(ramp: float) -> None:
    steps, _ = find_steps(staircase((120, 1), (280, -1), ramp=ramp), 0.01)
    assert len(steps) == 40
    # The two levels are told from some ten rows each, to 0.4 %: over a ramp of 30 rows and as many about it a fifth of
    # a row. Four of those.
    assert steps.row == pytest.approx(np.tile([120.0, 280.0], 20), abs=0.2 + ramp / 45)
    # An upper bound is what is wanted of the ramp's length: rows within it are not lit in full.
    assert 0.8 * ramp <= steps.ramp_rows < 2.5 * ramp + 2


def test_shading_of_the_scene_makes_no_step() -> None:
    lit = staircase((100, 1), (300, -1))
    lit += (0.2 * np.sin(np.arange(N_ROWS) / 15.0)).astype(np.float32)
    steps, _ = find_steps(lit, 0.01)
    assert len(steps) == 40


def test_rows_that_are_seldom_lit_make_no_second_flash() -> None:
    """Light there is known badly: it wavers by a third along the rows, under one flash all the way down."""
    lit = staircase((250, 1))
    told = [
        0.98,
        0.94,
        1.05,
        0.89,
        0.83,
        1.07,
        1.11,
        0.92,
        0.76,
        0.63,
        0.77,
        1.2,
        1.1,
        0.99,
        0.7,
        0.67,
        1.02,
        1.22,
        1.26,
    ]
    wavering = np.interp(np.arange(114), np.arange(len(told)) * 6, told)
    lit[:, -len(wavering) :] *= wavering.astype(np.float32)
    steps, _ = find_steps(lit, 0.01)
    assert len(steps) == 20 and steps.up.all()


def test_gain_that_steps_is_divided_out() -> None:
    lit = np.concatenate([staircase((60, 1), (350, -1)), 2.2 * staircase((60, 1), (350, -1))])
    steps, evened = find_steps(lit, 0.01)
    assert len(steps) == 80
    middle = evened[:, 200]
    # The gain is a median of 15 heights, each noisy to 0.7 %: 0.2 %, four times over for two such.
    assert np.median(middle[:15]) == pytest.approx(np.median(middle[25:]), rel=0.012)


def test_dark_frames_have_none() -> None:
    steps, lit = find_steps(staircase(), 0.01)
    assert len(steps) == 0 and lit.shape == (20, N_ROWS)
