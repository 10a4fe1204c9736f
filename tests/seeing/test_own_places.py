"""Marks at their own lines, not at the ground beside them that happens to suit the file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from timingcam.errors import CannotMeasure
from timingcam.seeing.lines import Line
from timingcam.seeing.marks import Index, Maps, Mark, Marks, Place
from timingcam.seeing.own_places import at_own_places, band_lines, clearest
from timingcam.seeing.pose import square_on
from timingcam.seeing.strips import Grid

ENGRAVED = Line(118.5, 2.1, 0.67, 0.97, -1, 240.0)


def test_the_clearest_is_taken_however_far_within_reach() -> None:
    faint = replace(ENGRAVED, deg=116.0, score=100.0)
    assert clearest([ENGRAVED, faint], 116.0, 3.5) is ENGRAVED
    assert clearest([ENGRAVED, faint], 116.0, 2.0) is faint
    assert clearest([ENGRAVED], 90.0, 3.5) is None


def test_two_about_as_clear_leave_it_open() -> None:
    assert clearest([ENGRAVED, replace(ENGRAVED, deg=122.1, score=200.0)], 119.0, 3.7) is None


def test_two_answers_to_one_line_are_one() -> None:
    assert clearest([ENGRAVED, replace(ENGRAVED, deg=119.7, width_deg=0.9, score=239.0)], 119.0, 3.5) is ENGRAVED


GRID = Grid(np.linspace(0.5, 1.45, 96), 2048)
POSE = square_on(np.array([320.0, 180.0]), 130.0, (640, 360))


def made(*marks_deg: float) -> Maps:
    """A rotor with dark lines a degree wide from 0.7 to 0.95, and an index line above them."""
    rng = np.random.default_rng(2)
    angle = np.arange(2048) * 360 / 2048
    rotor = 0.012 * rng.standard_normal((96, 2048))
    along = (GRID.radii > 0.7) & (GRID.radii < 0.95)
    for deg in marks_deg:
        rotor[along] -= 0.1 * np.exp(-0.5 * (((angle - deg + 180) % 360 - 180) / 0.5) ** 2)
    still = 0.012 * rng.standard_normal((96, 2048))
    covariance = np.diag([1e-6, 1e-6, 1e-4, 1e-4, 1e-4, 0.1])
    return Maps(GRID, rotor.astype(np.float32), still.astype(np.float32), np.zeros(1), 1.0, 1, POSE, covariance)


def test_the_ground_between_two_marks_is_no_line() -> None:
    maps = made(100.0, 93.0)
    inside = GRID.radii < 0.985
    lines = [line for line in band_lines(maps.rotor[inside], GRID.some(inside), 0.72) if 85 < line.deg < 108]
    assert lines
    assert all(line.sign == -1 for line in lines)
    assert all(min(abs(line.deg - 100.0), abs(line.deg - 93.0)) < 1.0 for line in lines if line.width_deg < 3)


def named(zero_deg: float) -> Marks:
    mark = Mark("T", zero_deg, 0.1, 0.7, 0.95, 1.0, 0.0, 0.3)
    return Marks((mark,), Index(270.0, 0.02, 1.03, 1.0), zero_deg, 0.1, 0.3, ())


def place(deg: float, name: str) -> Place:
    return Place(deg, name, 0.3, None)  # type: ignore[arg-type]


@pytest.mark.parametrize("error", [-2.5, -0.7, 0.0, 1.3, 2.9])
def test_a_mark_is_found_however_far_its_file_is_off(error: float) -> None:
    # The file says 0, -9 and -35; the first is off.
    found = at_own_places(
        made(100.0 + error, 91.0, 65.0), named(100.0), [place(0, "T"), place(-9, "S"), place(-35, "A")]
    )
    at = {mark.name: mark.deg for mark in found.marks}
    # An eighth of the contrast is noise, over 7 rows of a line half a degree (sd) wide: 0.02 degrees; three of those.
    assert at == pytest.approx({"T": 100.0 + error, "S": 91.0, "A": 65.0}, abs=0.06)
    assert found.zero_deg == pytest.approx(100.0 + error / 3, abs=0.06)
    # Marks that disagree widen the doubt of what they give together.
    agreed = 0.3 / np.sqrt(3)
    assert found.file_sd_deg > (1.5 if abs(error) > 1 else 0.99) * agreed


def test_a_mark_that_is_not_there_is_left_out_and_said() -> None:
    found = at_own_places(made(100.0, 65.0), named(100.0), [place(0, "T"), place(-9, "S"), place(-35, "A")])
    assert [mark.name for mark in found.marks] == ["T", "A"]
    assert "mark S: left out" in found.warnings[0]


def test_one_line_alone_names_nothing() -> None:
    with pytest.raises(CannotMeasure, match="1 of 2 marks"):
        at_own_places(made(100.0), named(100.0), [place(0, "T"), place(-9, "S")])
    assert len(at_own_places(made(100.0), named(100.0), [place(0, "T")]).marks) == 1
