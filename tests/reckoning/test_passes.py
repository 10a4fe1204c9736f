"""Which passes of the switching point count, and what they give together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.reckoning.passes import (
    BACKWARDS,
    NO_RUN_UP,
    OTHER_EDGE,
    PASS_SD_DEG,
    TOO_SLOW,
    UNREAD,
    Pass,
    Stand,
    judge_passes,
    mean_of_passes,
)
from timingcam.reckoning.result import BudgetRow
from timingcam.seeing.switching import Switching

TIME_S = np.arange(0, 4.001, 1 / 30)
# Forwards through 10 degrees at 1.25 s, back through it at 2.5 s, forwards again at 3.75 s.
COURSE = np.interp(TIME_S, [0, 2, 3, 4], [-40, 40, -20, 20])


def event(time_s: float, on: bool) -> Switching:
    return Switching(time_s, 0.005, on, 0.0, 0.002)


def stand(speed: float) -> Stand:
    return Stand(0.0, 0.05, 0.1, speed, 20.0, 0.002)


def judge(events: list[Switching], speeds: list[float], spark_at: str = "lamp-on") -> list[tuple[bool, str]]:
    return judge_passes(events, [stand(v) for v in speeds], COURSE, TIME_S, spark_at)  # type: ignore[arg-type]


def test_forwards_counts_backwards_does_not() -> None:
    assert judge([event(1.25, True), event(2.5, False), event(3.75, True)], [40, -60, 40]) == [
        (True, ""), (True, BACKWARDS), (True, "")
    ]  # fmt: skip


def test_a_lamp_that_goes_out_at_the_spark() -> None:
    assert judge([event(1.25, False), event(2.5, True), event(3.75, False)], [40, -60, 40], "lamp-off") == [
        (True, ""), (True, BACKWARDS), (True, "")
    ]  # fmt: skip


def test_the_lamps_other_switching_is_none_of_the_sparks() -> None:
    assert judge([event(1.25, False), event(2.5, True)], [40, -60]) == [(False, OTHER_EDGE), (False, OTHER_EDGE)]


def test_slack_has_to_be_taken_up_first() -> None:
    # 3.1 s: turned forwards by 4 degrees only since it went backwards.
    assert judge([event(3.1, True)], [40]) == [(True, NO_RUN_UP)]


def test_a_rotor_at_rest_has_no_direction() -> None:
    assert judge([event(1.25, True)], [0.2]) == [(True, TOO_SLOW)]


def test_a_rotor_not_read_is_said() -> None:
    assert judge_passes([event(1.25, True)], [None], COURSE, TIME_S, "lamp-on") == [(True, UNREAD)]


@given(st.booleans(), st.booleans(), st.floats(1.0, 200.0))
def test_nothing_turned_backwards_ever_counts(on: bool, spark_on: bool, speed: float) -> None:
    ((of_spark, reason),) = judge([event(2.5, on)], [-speed], "lamp-on" if spark_on else "lamp-off")
    assert reason != ""
    assert of_spark == (on != spark_on)


def passes(*advances: float, sd: float = 0.05) -> list[Pass]:
    return [Pass(float(k), a, sd, 20.0, True, "") for k, a in enumerate(advances)]


COMMON = [BudgetRow("where the index is", 0.1, "deg", "systematic", 0.1)]


def test_equal_passes_are_averaged() -> None:
    advance, repeats, random = mean_of_passes(passes(10.0, 10.4, 10.2), COMMON)
    assert advance.value == pytest.approx(10.2)
    assert repeats == pytest.approx(0.2)
    # Scatter 0.2 over three passes: 0.2/sqrt(3) = 0.1155.
    assert random.effect_deg == pytest.approx(0.1155, abs=1e-4)
    assert advance.sd == pytest.approx(np.hypot(0.1155, 0.1), abs=1e-4)


def test_what_all_passes_share_does_not_shrink() -> None:
    many, _, _ = mean_of_passes(passes(*[10.0] * 400), COMMON)
    assert many.sd >= 0.1


def test_passes_that_agree_by_chance_are_no_better_than_they_can_be() -> None:
    _, _, random = mean_of_passes(passes(10.0, 10.0), COMMON)
    assert random.effect_deg == pytest.approx(np.hypot(0.05, PASS_SD_DEG) / np.sqrt(2))


def test_one_pass_has_its_own_doubt_and_no_repeatability() -> None:
    advance, repeats, random = mean_of_passes(passes(10.0), [])
    assert repeats is None
    assert advance.sd == random.effect_deg == pytest.approx(np.hypot(0.05, PASS_SD_DEG))


@given(st.floats(-180, 180), st.lists(st.floats(-2, 2), min_size=1, max_size=6))
def test_the_mean_knows_no_seam(base: float, off: list[float]) -> None:
    wrapped = [(base + one + 180) % 360 - 180 for one in off]
    advance, _, _ = mean_of_passes(passes(*wrapped), [])
    assert (advance.value - base - float(np.mean(off)) + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


def test_coverage_of_the_interval() -> None:
    """With four passes of sd 0.3 the 95 % interval holds the truth in 95 % of trials."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(1500):
        advance, _, _ = mean_of_passes(passes(*(10 + 0.3 * rng.standard_normal(4)), sd=0.02), [])
        held += advance.low <= 10 <= advance.high
    # 1500 trials know 95 % to 0.56 %; three of those.
    assert abs(held / 1500 - 0.95) < 0.017
