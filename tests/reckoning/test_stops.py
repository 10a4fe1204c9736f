"""The piston stop: contacts told from mere turning back, the middle, its doubt."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.errors import CannotMeasure
from timingcam.reckoning.stops import NO_REST, ONE_CONTACT_SD_DEG, TURNED_BACK, contacts_of, middle_of_stops

FPS = 30.0


def course(*points: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    t, y = np.array(points).T
    time_s = np.arange(0, t[-1] + 1e-9, 1 / FPS)
    return np.interp(time_s, t, y), time_s


def test_rests_at_both_ends_are_contacts() -> None:
    found = contacts_of(*course((0, 0), (2, 150), (3, 150), (6, -160), (7, -160), (9, 150), (10, 150), (10.5, 120)))
    assert [(one.ahead, one.used) for one in found] == [
        (False, False), (True, True), (False, True), (True, True), (False, False)
    ]  # fmt: skip
    assert found[0].reason == TURNED_BACK


def test_turning_back_early_is_no_contact() -> None:
    found = contacts_of(
        *course((0, 0), (2, 150), (3, 150), (6, -160), (7, -160), (9, 130), (10, 130), (11, 0), (12, -160), (13, -160))
    )
    assert [one.reason for one in found if one.ahead] == ["", TURNED_BACK]


def test_touching_without_a_rest_is_no_contact() -> None:
    found = contacts_of(*course((0, 0), (2, 150), (3, 150), (6, -160), (7, -160), (9, 150), (11, 0)))
    assert [one.reason for one in found if one.ahead] == ["", NO_REST]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((0, 0), (2, 200), (3, 200), (6, -200), (7, -200), (8, 0)), "400 degrees"),
        (((0, 0), (2, 60), (3, 60), (6, -60), (7, -60), (8, 0)), "120 degrees only"),
        (((0, 0), (3, 0.1)), "hardly turns"),
        (((0, 0), (2, 150), (3, 150), (6, -160)), "no rest at the backward end"),
        (((0, -160), (1, -160), (4, 150), (5, 150)), "no rest at the forward end"),
    ],
)
def test_courses_without_two_stops_are_refused(points: tuple[tuple[float, float], ...], words: str) -> None:
    with pytest.raises(CannotMeasure, match=words):
        contacts_of(*course(*points))


@given(st.floats(-1000, 1000), st.floats(6, 80))
def test_the_middle_is_top_dead_centre_wherever_the_count_begins(tdc: float, holds: float) -> None:
    """A stop that holds the crank 25 degrees either side: forwards at TDC - 25, backwards at TDC - 360 + 25."""
    middle = middle_of_stops([(tdc - holds, 0.01)], [(tdc - 360 + holds, 0.01)])
    assert middle.tdc_deg == pytest.approx(tdc, abs=1e-9)
    assert middle.blocked_deg == pytest.approx(holds, abs=1e-9)


@given(st.floats(-3, 3))
def test_an_end_that_is_off_moves_the_middle_by_half(off: float) -> None:
    straight = middle_of_stops([(335.0, 0.01)], [(25.0, 0.01)])
    assert middle_of_stops([(335.0 + off, 0.01)], [(25.0, 0.01)]).tdc_deg == pytest.approx(straight.tdc_deg + off / 2)


def test_doubt_of_one_contact_each_way() -> None:
    # Half of each end's doubt: sqrt(2)·0.1/2, the readings' own 0.01 hardly count.
    part = middle_of_stops([(335.0, 0.01)], [(25.0, 0.01)]).part
    assert part.sd == pytest.approx(np.hypot(ONE_CONTACT_SD_DEG, 0.01) / np.sqrt(2))


def test_doubt_falls_with_contacts() -> None:
    one = middle_of_stops([(335.0, 0.01)], [(25.0, 0.01)]).part.sd
    three = middle_of_stops([(335.0, 0.01)] * 3, [(25.0, 0.01)] * 3).part.sd
    assert three < 0.6 * one
