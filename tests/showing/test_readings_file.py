"""`readings.csv`: columns, empty numbers, faults by row and column."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Measurement, Readings
from timingcam.showing.readings_file import COLUMNS, parse_readings, readings_text

HEAD = "time_s,rpm,rpm_sd,advance_deg,advance_sd_deg,used,reason,frame\n"


def one(**columns: object) -> Readings:
    values = {"time_s": 0.5, "rpm": 1200.0, "rpm_sd": 2.0, "advance_deg": 9.0, "advance_sd_deg": 0.1, **columns}
    numbers = [np.array([values[name]], dtype=float) for name in COLUMNS[:5]]
    return Readings(*numbers, np.array([False]), (str(columns.get("reason", "")),), np.array([3]))


def test_columns_are_those_of_the_contract(measurement: Measurement) -> None:
    rows = list(csv.reader(io.StringIO(readings_text(measurement.readings))))
    assert ",".join(rows[0]) + "\n" == HEAD
    assert len(rows) == len(measurement.readings) + 1


def test_a_number_that_could_not_be_had_is_empty() -> None:
    text = readings_text(one(rpm=math.nan, rpm_sd=math.nan))
    assert text.splitlines()[1] == "0.5,,,9,0.1,no,,3"
    assert math.isnan(parse_readings(text).rpm[0])


@given(st.floats(-1e6, 1e6), st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40))
def test_what_is_written_is_read(value: float, reason: str) -> None:
    back = parse_readings(readings_text(one(advance_deg=value, reason=reason)))
    # Ten figures: half a unit of the tenth.
    assert back.advance_deg[0] == pytest.approx(value, rel=5e-10, abs=1e-300)
    assert back.reason == (" ".join(reason.split()),)


def test_a_reason_stays_on_one_line() -> None:
    assert parse_readings(readings_text(one(reason='far off,\r\n"twice"'))).reason == ('far off, "twice"',)


def test_no_flash_at_all() -> None:
    assert len(parse_readings(HEAD)) == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "expected columns"),
        ("time,rpm\n", "expected columns"),
        (HEAD + "0.1,1\n", "2 values in row 2"),
        (HEAD + ",1,1,1,1,yes,,1\n", "as time_s in row 2"),
        (HEAD + "0.1,fast,1,1,1,yes,,1\n", "'fast' as rpm in row 2"),
        (HEAD + "0.1,inf,1,1,1,yes,,1\n", "'inf' as rpm in row 2"),
        (HEAD + "0.1,nan,1,1,1,yes,,1\n", "'nan' as rpm in row 2"),
        (HEAD + "0.1,1,1,1,1,maybe,,1\n", "'maybe' as used"),
        (HEAD + "0.1,1,1,,1,yes,,1\n", "used without its advance_deg in row 2"),
        (HEAD + "0.1,1,1,1,1,yes,,-1\n", "'-1' as frame"),
        (HEAD + "0.1,1,1,1,1,yes,," + "9" * 5000 + "\n", "as frame"),
        (HEAD + "0.1,1,1,1,1,yes," + "x" * 20_000 + ",1\n", "20000 characters as reason"),
        (HEAD + "0.2,1,1,1,1,yes,,1\n0.1,1,1,1,1,yes,,1\n", "time order"),
        (HEAD + '0.1,1,1,1,1,yes,"open,1\n', "comma-separated"),
    ],
)
def test_a_wrong_file_is_refused_with_its_place(text: str, words: str) -> None:
    with pytest.raises(CannotUse, match=words):
        parse_readings(text)
