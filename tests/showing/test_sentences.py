"""A measurement in words."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from made_measurement import make_measurement

from timingcam.reckoning.result import BudgetRow, Check, Estimate, Measurement
from timingcam.showing.sentences import (
    CAUTIONS,
    figure_rows,
    interval_words,
    limits_words,
    number,
    overall_verdict,
    size_words,
    verdict_sentence,
)

IN = Check("full advance", 31.0, 29.0, 33.0, "in")
OUT = Check("low-speed advance", 12.5, 7.0, 11.0, "out")
UNSURE = Check("hysteresis", 1.45, None, 1.5, "unsure")


@pytest.mark.parametrize(
    ("checks", "verdict"), [((IN,), "in"), ((IN, UNSURE), "unsure"), ((IN, UNSURE, OUT), "out"), ((), None)]
)
def test_the_worst_check_decides(measurement: Measurement, checks: tuple[Check, ...], verdict: str | None) -> None:
    assert overall_verdict(replace(measurement, checks=checks)) == verdict


def test_the_sentence_names_what_decides(measurement: Measurement) -> None:
    out = verdict_sentence(replace(measurement, checks=(IN, OUT)))
    assert out == "Out of spec: Low-speed advance 12.50° (limits: 7.00 to 11.00°)."
    assert "at most 1.50°" in verdict_sentence(replace(measurement, checks=(IN, UNSURE)))
    one = verdict_sentence(replace(measurement, checks=(IN,)))
    assert one == "In spec: Full advance 31.00° (limits: 29.00 to 33.00°)."
    assert verdict_sentence(make_measurement(n=20, spec=False)).startswith("Measured only, not judged")


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


def test_limits() -> None:
    assert limits_words(Check("a", 1.0, 2.0, None, "out"), "°") == "at least 2.00°"
    assert limits_words(Check("a", 1.0, None, None, "in")) == ""


def test_sizes_carry_their_unit() -> None:
    assert size_words(BudgetRow("a", 0.5, "mm", "random", 0.1)) == "0.5 mm"
    assert size_words(BudgetRow("a", 0.25, "°", "random", 0.1)) == "0.25°"


USUAL = (
    "still|seizures|exhaust|high voltage|pacemaker|Petrol|hair|neutral|500 rpm|ignition off|maker's manual|law|licensed"
    "|eye protection|hot oil|local rules"
)


@pytest.mark.parametrize("word", USUAL.split("|"))
def test_every_usual_caution_is_there(word: str) -> None:
    assert word in " ".join(CAUTIONS)
