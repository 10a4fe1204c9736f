"""Radial lines of a strip: where, how wide, which sign; the middle of one to a fraction of a column."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from drawn_strips import GRID, add_line, ground

from timingcam.seeing.lines import RUNS_ON_ROTOR, Line, centreline, find_lines, line_response


def off_deg(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("deg", [0.0, 12.34, 179.9, 359.95])
def test_a_line_anywhere_is_the_first_found(deg: float, sign: int) -> None:
    strip = ground(GRID)
    add_line(strip, GRID, deg, (0.8, 0.97), light=0.5 * sign)
    line = find_lines(strip, GRID)[0]
    assert line.sign == sign
    # To a few columns of 0.18 degrees; the middle is found more closely afterwards.
    assert off_deg(line.deg, deg) < 0.4
    # Its filter is about as wide as the line; its ends are those drawn, to two rows of 0.01.
    assert 0.6 <= line.width_deg <= 2.1
    assert (line.inner, line.outer) == pytest.approx((0.8, 0.97), abs=0.021)


@pytest.mark.parametrize("width_deg", [0.8, 3.0, 6.0])
def test_widths(width_deg: float) -> None:
    strip = ground(GRID)
    add_line(strip, GRID, 100.0, (0.7, 0.97), width_deg, light=0.4)
    line = find_lines(strip, GRID)[0]
    assert off_deg(line.deg, 100.0) < 0.5 * width_deg
    assert width_deg / 2.5 < line.width_deg < 2.5 * width_deg


def test_lines_side_by_side_are_told_apart() -> None:
    strip = ground(GRID)
    for deg in (80.0, 84.0, 120.0):
        add_line(strip, GRID, deg, (0.8, 0.97))
    found = [line.deg for line in find_lines(strip, GRID)[:3]]
    assert sorted(found) == pytest.approx([80.0, 84.0, 120.0], abs=0.4)


def test_two_lines_at_one_angle_are_two_on_a_rotor() -> None:
    """A pole's edge further in is longer and plainer than the mark in line with it; there is a dark gap between."""
    strip = ground(GRID)
    add_line(strip, GRID, 120.0, (0.5, 0.8), 0.8)
    add_line(strip, GRID, 120.0, (0.8, 0.86), 0.8, light=-0.5)
    add_line(strip, GRID, 120.3, (0.87, 0.97), 1.2, light=0.35)
    marks = [line for line in find_lines(strip, GRID, runs=RUNS_ON_ROTOR) if 0.84 < line.inner < 1.0]
    assert marks and off_deg(marks[0].deg, 120.3) < 0.4 and marks[0].sign == 1
    assert not [line for line in find_lines(strip, GRID) if line.inner > 0.84 and off_deg(line.deg, 120.3) < 0.4]


def test_an_edge_is_no_line() -> None:
    """The bright half of a disc ends twice; neither end is brighter than both of its sides."""
    strip = ground(GRID)
    strip[:, 300:1300] += 0.5
    strongest = find_lines(strip, GRID)
    plain = find_lines(ground(GRID), GRID)
    assert max(line.score for line in strongest) < 2 * max(line.score for line in plain)


def test_no_two_overlap() -> None:
    strip = ground(GRID)
    add_line(strip, GRID, 100.0, (0.7, 0.97), 4.0)
    lines = find_lines(strip, GRID)
    for i, a in enumerate(lines):
        for b in lines[:i]:
            apart = off_deg(a.deg, b.deg) > 0.45 * (a.width_deg + b.width_deg)
            assert apart or a.inner > b.outer or b.inner > a.outer


def test_response_is_of_one_sign_on_a_line() -> None:
    strip = ground(GRID, 0.0)
    add_line(strip, GRID, 180.0, (0.8, 0.97))
    response = line_response(strip, GRID, 1.4)
    column = GRID.n_angles // 2
    rows = (GRID.radii > 0.81) & (GRID.radii < 0.96)
    assert np.all(response[rows, column] > 0)
    assert np.all(line_response(-strip, GRID, 1.4)[rows, column] < 0)


@given(st.floats(5.0, 355.0), st.floats(0.8, 4.0), st.sampled_from([1, -1]), st.integers(0, 500))
@settings(max_examples=40, deadline=None)
def test_middle_of_a_line(deg: float, width_deg: float, sign: int, seed: int) -> None:
    strip = ground(GRID, 0.02, seed)
    add_line(strip, GRID, deg, (0.8, 0.97), width_deg, light=0.5 * sign)
    rough = Line(deg + 0.25 * width_deg, width_deg, 0.8, 0.97, sign, 100.0)
    found, sd = centreline(strip, GRID, rough, (0.82, 0.95))
    # Texture of a 25th of the line's height, alike over five cells: half a column for the widest, five sds of it.
    assert off_deg(found, deg) < 0.02 + 0.05 * width_deg
    assert sd < 0.1 * width_deg


def test_middle_of_other_symmetric_things() -> None:
    """A pointer with a dark line on it; a notch with two bright edges: about their middles they mirror themselves."""
    for parts in ([(0.0, 4.0, 0.5), (0.0, 0.8, -0.7)], [(-1.2, 0.6, 0.4), (1.2, 0.6, 0.4), (0.0, 1.6, -0.5)]):
        strip = ground(GRID, 0.02)
        for at, width, light in parts:
            add_line(strip, GRID, 77.77 + at, (1.03, 1.2), width, light)
        found, _ = centreline(strip, GRID, Line(77.4, 2.1, 1.03, 1.2, 1, 100.0), (1.05, 1.15))
        assert off_deg(found, 77.77) < 0.1


def test_stated_doubt_against_the_error() -> None:
    pulls = []
    for seed in range(60):
        deg = 20.0 + 5.37 * seed
        strip = ground(GRID, 0.04, seed)
        add_line(strip, GRID, deg, (0.8, 0.97))
        found, sd = centreline(strip, GRID, Line(deg + 0.2, 1.4, 0.8, 0.97, 1, 100.0), (0.82, 0.95))
        pulls.append(((found - deg + 180) % 360 - 180) / sd)
    # Four parts tell an sd to 40 %, and neighbouring parts share texture: a factor 2.5 either way, by the median.
    assert 0.6745 / 2.5 < np.median(np.abs(pulls)) < 0.6745 * 2.5
    assert abs(np.mean(np.clip(pulls, -5, 5))) < 4 * 2.5 / np.sqrt(60)


def test_a_span_between_two_rows_takes_the_nearest() -> None:
    strip = ground(GRID, 0.02)
    add_line(strip, GRID, 50.0, (0.8, 0.97))
    found, _ = centreline(strip, GRID, Line(50.2, 1.4, 0.8, 0.97, 1, 100.0), (0.901, 0.902))
    assert off_deg(found, 50.0) < 0.2
