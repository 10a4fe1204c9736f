"""`compare.json` and the table."""

from __future__ import annotations

import json

import pytest
from made_measurement import make_measurement

from timingcam.reckoning.compare import Comparison, compare
from timingcam.reckoning.result import Measurement
from timingcam.showing.compare_file import compare_json, comparison_rows, comparison_title, limit_words


@pytest.fixture(scope="module")
def compared(measurement: Measurement) -> Comparison:
    return compare(measurement, make_measurement(cylinder="right", shift_deg=3.0, seed=8))


def test_json_holds_the_difference_with_its_band(compared: Comparison) -> None:
    content = json.loads(compare_json(compared))
    assert content["format"] == "timingcam-compare/1"
    d = content["difference"]
    assert len({len(column) for column in d.values()}) == 1
    assert all(low < value < high for low, value, high in zip(d["low_deg"], d["value_deg"], d["high_deg"], strict=True))
    assert content["as"] == "left-right" and content["second"]["cylinder"] == "right"
    assert content["shape"]["tests"][0]["what"] == "shift"


def test_the_table_carries_signs_limits_and_tests(compared: Comparison) -> None:
    rows = {row.what: row for row in comparison_rows(compared)}
    assert rows["At low speed (1075 rpm)"].value == "+3.00°"
    assert rows["At low speed (1075 rpm)"].verdict == "OUTSIDE (−1.50 to 1.50°)"
    assert "no difference shown" in rows["Start of the rise"].verdict
    assert comparison_title(compared) == "Right less left"


def test_the_limit_is_told_in_a_sentence(measurement: Measurement, compared: Comparison) -> None:
    assert limit_words(compared) == ("out", "Further apart than the spec allows, −1.50 to 1.50°.")
    assert limit_words(compare(measurement, make_measurement(seed=8))) == ("none", "")


def test_a_changed_shape_is_named(measurement: Measurement) -> None:
    rows = {row.what: row for row in comparison_rows(compare(measurement, make_measurement(seed=8, full_deg=28.0)))}
    assert rows["Slope in 1000 rpm"].verdict == "DIFFERS (p below 0.001)"
    assert "Shift that would fit best" in rows
