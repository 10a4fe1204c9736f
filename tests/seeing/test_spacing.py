"""The rotor's size by the spacing of its marks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import RotorMark
from timingcam.seeing.drum import Drum
from timingcam.seeing.lines import Line
from timingcam.seeing.marks import Maps, Place
from timingcam.seeing.pose import square_on
from timingcam.seeing.spacing import Scale, rescaled, scale_lever, scale_of
from timingcam.seeing.strips import Grid

GRID = Grid(np.linspace(0.6, 1.3, 40), 1024)
FILE_DEG = (0.0, 8.0, 32.0)
EDGE = Drum(np.array([320.0, 220.0]), 180.0, -np.pi / 2, 0.05, 0.9, 600.0, np.array([319.5, 239.5]))


def places(degs: tuple[float, ...] = FILE_DEG) -> list[Place]:
    mark = RotorMark(name="T", cylinder=["L"], btdc_deg=0.0)
    return [Place(deg, f"m{deg:.0f}", 0.05, mark) for deg in degs]


def maps() -> Maps:
    """A part of which all shows."""
    light = np.ones((40, 1024))
    return Maps(GRID, light, light, np.zeros(3), 1.0, 1, EDGE, np.eye(6), False)


def lines(degs: list[float], score: float = 100.0) -> list[Line]:
    return [Line(deg % 360, 1.4, 0.7, 0.97, 1, score) for deg in degs]


@given(st.floats(0.45, 2.2), st.floats(-170, 170))
def test_three_marks_tell_the_scale_by_the_ratio_of_their_gaps(times: float, zero_deg: float) -> None:
    """Lines that nobody put on the rotor's file, a faint one among them, change nothing."""
    seen = lines([zero_deg + deg / times for deg in FILE_DEG]) + lines([zero_deg + 13.0 / times], 20.0)
    found = scale_of(maps(), seen, places())
    assert found is not None
    assert found.times == pytest.approx(times, rel=1e-6)
    # Marks known to 0.05 degrees, seen to 0.1, over 32.
    assert found.sd < 0.01


def test_a_scale_far_off_may_be_where_all_marks_are_the_plainest_lines() -> None:
    far = 1.27
    marks = [deg / far for deg in FILE_DEG]
    found = scale_of(maps(), lines(marks) + lines([13.0 / far], 40.0), places())
    assert found is not None and found.plain and found.may_be()
    # Not beside another line as plain; nor two marks, of which any two lines have the spacing; nor beyond all measure.
    beside = scale_of(maps(), lines(marks) + lines([13.0 / far], 90.0), places())
    assert beside is not None and not beside.plain and not beside.may_be()
    two = scale_of(maps(), lines(marks[:2]), places(FILE_DEG[:2]))
    assert two is not None and not two.plain
    assert not replace(found, times=1.6).may_be()


def test_one_line_tells_nothing() -> None:
    assert scale_of(maps(), lines([5.0]), places()) is None
    assert scale_of(maps(), lines([5.0, 13.0]), places((0.0,))) is None


@pytest.mark.parametrize("pose", [EDGE, square_on(np.array([320.0, 900.0]), 700.0, (640, 480))])
def test_rescaled_the_angles_are_as_the_spacing_says(pose: Drum) -> None:
    at_deg = -90.0
    lever = scale_lever(pose, at_deg, 0.9)
    wide = np.diag(np.array([0.02, 0.02, 0.02, 0.05, 0.05, 0.1]) ** 2)
    new, left = rescaled(pose, wide, lever, Scale(1.02, 1e-4, 0.0))
    ends = np.radians(at_deg + np.array([-4.0, 4.0]))
    px = pose.to_image(np.stack([np.cos(ends), np.sin(ends)], axis=1) * 0.9)
    before, after = (np.degrees(np.arctan2(xy[:, 1], xy[:, 0])) for xy in (pose.to_plane(px), new.to_plane(px)))
    # Two percent, but for what is of second order.
    assert (after[1] - after[0]) / (before[1] - before[0]) == pytest.approx(1.02, abs=5e-4)
    assert lever @ left @ lever == pytest.approx(1e-8, rel=0.01)  # as sure as the spacing is
    assert np.all(np.linalg.eigvalsh(left) > -1e-12)


def test_where_the_spacing_contradicts_what_told_the_pose_the_marks_count() -> None:
    """Five percent off, where the turning says that it knows to a thousandth, and the marks to a hundredth."""
    lever, scale = scale_lever(EDGE, -90.0, 0.9), Scale(0.95, 0.01, 0.0)
    narrow = np.eye(6) * (1e-3**2 / (lever @ lever))
    new, left = rescaled(EDGE, narrow, lever, scale)
    told = np.log(0.95) * (1 - 0.01**2 / (np.log(0.95) ** 2 + 0.01**2))
    # The pose's angles by its numbers, to second order.
    assert lever @ (moved_by(EDGE, new)) == pytest.approx(told, rel=1e-6)
    assert np.sqrt(lever @ left @ lever) == pytest.approx(0.01, rel=0.05)
    # Within three standard uncertainties it is one measurement more.
    near, _ = rescaled(EDGE, narrow, lever, Scale(np.exp(0.02), 0.01, 0.0))
    assert lever @ moved_by(EDGE, near) == pytest.approx(0.02 * 1e-6 / (1e-6 + 1e-4), rel=1e-6)


def moved_by(one: Drum, other: Drum) -> np.ndarray:
    """The six numbers of `Drum.moved` from one to another that differ by little."""
    step = 1e-6

    def numbers(drum: Drum) -> np.ndarray:
        angles = [drum.out_rad, drum.tilt_rad, np.log(drum.focal_px), np.log(drum.size_px)]
        return np.array([*drum.centre_px, *angles])

    by = np.stack([(numbers(one.moved(d)) - numbers(one)) / step for d in np.eye(6) * step], axis=1)
    return np.linalg.solve(by, numbers(other) - numbers(one))
