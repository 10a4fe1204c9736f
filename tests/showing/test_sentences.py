"""A measurement in words."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from made_measurement import make_measurement

from timingcam.reckoning.checks import LOOK_FIRST
from timingcam.reckoning.result import BudgetRow, Check, Estimate, Measurement
from timingcam.showing.sentences import (
    CAUTIONS,
    check_number,
    figure_rows,
    interval_words,
    limits_words,
    look_first,
    number,
    size_words,
    spec_verdict,
    verdict_sentence,
)

START = Check("start of the advance", 1512.4, 1200.0, 1800.0, "in")
MISSING = Check("missing flashes", 0.123, None, 0.1, "out")
IN = Check("full advance", 31.0, 29.0, 33.0, "in")
OUT = Check("low-speed advance", 12.5, 7.0, 11.0, "out")
ODD = Check("outlying sparks", 0.05, None, 0.03, "out")
UNSURE = Check("hysteresis", 1.45, None, 1.5, "unsure")


DECIDED = [
    ((IN,), "in"),
    ((IN, ODD), "in"),
    ((ODD,), None),
    ((IN, UNSURE), "unsure"),
    ((IN, UNSURE, OUT), "out"),
    ((), None),
]


@pytest.mark.parametrize(("checks", "verdict"), DECIDED)
def test_the_worst_check_of_the_spec_decides(
    measurement: Measurement, checks: tuple[Check, ...], verdict: str | None
) -> None:
    assert spec_verdict(replace(measurement, checks=checks)) == verdict


def test_the_sentence_names_what_decides(measurement: Measurement) -> None:
    out = verdict_sentence(replace(measurement, checks=(IN, OUT)))
    assert out == "Out of spec: Low-speed advance 12.50° (limits: 7.00 to 11.00°)."
    assert "at most 1.50°" in verdict_sentence(replace(measurement, checks=(IN, UNSURE)))
    one = verdict_sentence(replace(measurement, checks=(IN,)))
    assert one == "In spec: Full advance 31.00° (limits: 29.00 to 33.00°)."
    assert verdict_sentence(make_measurement(n=20, spec=False)).startswith("Measured only, not judged")


def test_what_is_unusual_but_in_no_spec_is_said_apart(measurement: Measurement) -> None:
    said = verdict_sentence(replace(measurement, checks=(IN, ODD)))
    assert said.startswith("In spec: Full advance")
    assert said.endswith("Not as usual on a healthy engine: Outlying sparks 5.0 % (limits: at most 3.0 %).")


def test_hysteresis_is_of_the_spec_only_where_it_gives_a_limit(measurement: Measurement) -> None:
    assert measurement.engine.spec is not None
    spec = measurement.engine.spec.model_copy(update={"hysteresis_deg": None})
    engine = measurement.engine.model_copy(update={"spec": spec})
    assert spec_verdict(replace(measurement, checks=(IN, UNSURE))) == "unsure"
    assert spec_verdict(replace(measurement, checks=(IN, UNSURE), engine=engine)) == "in"


def test_many_faults_are_counted(measurement: Measurement) -> None:
    assert "and 2 more" in verdict_sentence(replace(measurement, checks=(OUT,) * 5))


def test_a_figure_that_was_not_had_says_so(measurement: Measurement) -> None:
    rows = figure_rows(replace(measurement, curve=replace(measurement.curve, full_rpm=None)))
    assert rows[3].value == "not had" and rows[3].interval == ""
    assert rows[0].value == "9.00°" and rows[0].limits == "7.00 to 11.00°" and rows[0].verdict == "in"


def test_intervals() -> None:
    assert interval_words(Estimate(10.0, 0.1, 9.8, 10.2), "°", 2) == "± 0.20°"
    assert interval_words(Estimate(10.0, 0.1, 9.9, 10.4), "°", 2) == "9.90 to 10.40°"
    assert interval_words(Estimate(1500.0, 20.0, 1460.0, 1540.0), " rpm", 0) == "± 40 rpm"


def test_numbers() -> None:
    assert number(-1.234, 2) == "−1.23"
    assert number(-0.001, 2) == "0.00"
    assert number(math.nan, 2) == "–"


def test_causes_are_named_for_what_is_not_in(measurement: Measurement) -> None:
    assert [name for name, _ in look_first(replace(measurement, checks=(IN, OUT, MISSING)))] == [
        "Low-speed advance",
        "Missing flashes",
    ]


def test_every_check_that_can_be_made_has_a_cause_to_look_at(measurement: Measurement) -> None:
    assert measurement.checks and all(check.name in LOOK_FIRST for check in measurement.checks)


def test_every_figure_with_a_limit_shows_it(measurement: Measurement) -> None:
    judged = [row.label for row in figure_rows(measurement) if row.limits]
    assert len(judged) == 6  # all but the slope, for which a spec holds no limit


def test_limits() -> None:
    assert limits_words(Check("a", 1.0, 2.0, None, "out")) == "at least 2.00°"
    assert limits_words(START) == "1200 to 1800 rpm" and check_number(START, START.value) == "1512 rpm"
    assert limits_words(MISSING) == "at most 10.0 %" and check_number(MISSING, MISSING.value) == "12.3 %"
    assert limits_words(Check("a", 1.0, None, None, "in")) == ""


def test_sizes_carry_their_unit() -> None:
    assert size_words(BudgetRow("a", 0.5, "mm", "random", 0.1)) == "0.5 mm"
    assert size_words(BudgetRow("a", 0.25, "deg", "random", 0.1)) == "0.25°"
    assert size_words(BudgetRow("a", 10.0, "us", "random", 0.1)) == "10 µs"


USUAL = (
    "still|seizures|exhaust|high voltage|pacemaker|Petrol|hair|neutral|500 rpm|ignition off|maker's manual|law|licensed"
    "|eye protection|hot oil|local rules"
)


@pytest.mark.parametrize("word", USUAL.split("|"))
def test_every_usual_caution_is_there(word: str) -> None:
    assert word in " ".join(CAUTIONS)
