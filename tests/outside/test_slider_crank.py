"""Piston travel and gap conversions against figures that are not timingcam's own.

Travel: the textbook slider-crank formula (J. B. Heywood, Internal Combustion Engine Fundamentals, ch. 2, from memory;
the same on the piston-position pages of vcalc.com and calculator.academy, the latter with a worked example). Tables of
figures computed from it and by a second route, root-finding on the circle of the rod's length.
"""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from timingcam.engine import Adjuster
from timingcam.reckoning.adjusters import THOU_MM, change_from_gaps, gap_for_change, rim_mm
from timingcam.reckoning.piston import deg_at_travel, travel_mm

ANGLES_DEG = (5, 10, 15, 20, 30, 37, 45, 90, 180)
TABLE_MM = 1e-5  # the last digit printed
TABLES = {
    (60, 120): (0.14265, 0.56890, 1.27369, 2.24869, 4.96043, 7.40689, 10.67668, 33.81050, 60),
    (50.6, 95): (0.12187, 0.48600, 1.08802, 1.92068, 4.23555, 6.32261, 9.10985, 28.73085, 50.6),
}


@pytest.mark.parametrize(("stroke", "rod"), TABLES)
def test_travel_table(stroke: float, rod: float) -> None:
    for deg, mm in zip(ANGLES_DEG, TABLES[stroke, rod], strict=True):
        assert travel_mm(deg, stroke, rod) == pytest.approx(mm, abs=TABLE_MM)
        assert travel_mm(-deg, stroke, rod) == travel_mm(deg, stroke, rod)


def test_long_rod_is_a_cosine() -> None:
    # The rod's own share is at most throw²/(2·rod), 4.5e-4 mm at this length.
    rod_mm = 1e6
    for deg, mm in zip(
        ANGLES_DEG, (0.11416, 0.45577, 1.02223, 1.80922, 4.01924, 6.04093, 8.78680, 30, 60), strict=True
    ):
        assert travel_mm(deg, 60, rod_mm) == pytest.approx(mm, abs=TABLE_MM + 30**2 / (2 * rod_mm))


def test_worked_example_in_inches() -> None:
    # calculator.academy: throw 3, rod 7, 40 degrees: pin 9.02728 from the crank's centre, printed to 1e-5.
    assert 3 + 7 - travel_mm(40, 6, 7) == pytest.approx(9.02728, abs=1e-5)


def test_angle_of_two_millimetres() -> None:
    assert deg_at_travel(2.0, 60, 120) == pytest.approx(18.84491, abs=1e-5)
    slope = (travel_mm(37.001, 60, 120) - travel_mm(36.999, 60, 120)) / 0.002
    assert slope == pytest.approx(0.37875, abs=1e-5)


def test_against_root_finding() -> None:
    def pin_off_circle(pin: float, deg: float) -> float:
        angle = math.radians(deg)
        return math.hypot(pin - 30 * math.cos(angle), 30 * math.sin(angle)) - 120

    for deg in ANGLES_DEG:
        pin = brentq(pin_off_circle, 60, 200, args=(deg,), xtol=1e-12)
        assert travel_mm(deg, 60, 120) == pytest.approx(150 - pin, abs=1e-9)  # brentq's own tolerance, with room


def slide(radius_mm: float) -> Adjuster:
    return Adjuster(name="s", moves=("x",), kind="slide", shaft="camshaft", radius_mm=radius_mm, wider_gap="advances")


def test_thou_is_by_definition() -> None:
    # One inch is exactly 25.4 mm (npl.co.uk, since July 1959).
    assert pytest.approx(0.2032, rel=1e-15) == THOU_MM * 8 and pytest.approx(0.2540, rel=1e-15) == THOU_MM * 10


def test_slide_of_24_mm_on_a_camshaft() -> None:
    # Computed: 1 thou is 0.12128 crank degrees; 1 crank degree is 0.20944 mm along the arc, 8.2457 thou.
    assert change_from_gaps(slide(24), 0, 1) == pytest.approx(0.12128, abs=1e-5)
    assert gap_for_change(slide(24), 0, 1.0) == pytest.approx(8.2457, abs=1e-4)
    assert rim_mm(slide(24), 1.0) == pytest.approx(0.20944, abs=1e-5)


def test_plate_of_34_mm_on_a_camshaft() -> None:
    plate = Adjuster(
        name="p", moves=("x",), kind="turn", shaft="camshaft", shaft_turns="clockwise", advances="anticlockwise",
        rim_radius_mm=34.0,
    )  # fmt: skip
    assert rim_mm(plate, 1.0) == pytest.approx(0.29671, abs=1e-5)
    assert rim_mm(plate, 5.0) == pytest.approx(1.48353, abs=1e-5)
