"""Static timing and true TDC as JSON and words."""

from __future__ import annotations

import json
from dataclasses import replace

from made_by_hand import make_static, make_tdc

from timingcam.engine import engine_from_dict
from timingcam.reckoning.result import Estimate
from timingcam.showing.static_file import (
    before_words,
    mark_sentences,
    pass_rows,
    static_json,
    static_title,
    tdc_json,
    verdict_words,
)


def test_static_json_holds_what_was_measured() -> None:
    told = json.loads(static_json(make_static()))
    assert told["format"] == "timingcam-static/1"
    assert told["static_advance_deg"] == {"value": 9.93, "sd": 0.15, "low": 9.6, "high": 10.26}
    assert [one["used"] for one in told["passes"]] == [True, False, True, False, True]
    # A number that could not be had is null, never 0.
    assert told["passes"][3]["advance_deg"] is None
    assert told["checks"][0]["verdict"] == "in"
    assert told["rotor_turns_as_the_camera_sees_it"] == "anticlockwise"
    assert engine_from_dict(told["engine"]) == make_static().engine


def test_tdc_json_holds_what_was_measured() -> None:
    told = json.loads(tdc_json(make_tdc()))
    assert told["format"] == "timingcam-tdc/1"
    assert told["t_mark"] == "T"
    assert told["marks"][0]["btdc_deg"]["value"] == 0.54
    assert [one["met"] for one in told["contacts"]] == ["forwards", "backwards", "forwards"]
    assert told["contacts"][2]["reason"] == "turned back before the stop"
    assert any("never with the starter" in one for one in told["cautions"])


def test_before_and_after_top_dead_centre() -> None:
    assert before_words(Estimate(9.93, 0.1, 9.73, 10.13)) == "9.93° before TDC (± 0.20° at 95 %)"
    assert before_words(Estimate(-2.0, 0.1, -2.2, -1.8)) == "2.00° after TDC (± 0.20° at 95 %)"


def test_passes_in_words() -> None:
    rows = pass_rows(make_static())
    assert rows[0] == ("0.52 s", "forwards, 18°/s", "9.80°", "counts")
    assert rows[1] == ("1.31 s", "backwards, 42°/s", "10.90°", "left out: turned backwards")
    assert rows[3] == ("2.70 s", "", "", "left out: the rotor could not be read there")


def test_title_and_verdict() -> None:
    static = make_static()
    assert static_title(static) == "left cylinder: the lamp lights at 9.93° before TDC (± 0.33° at 95 %)"
    assert verdict_words(static) == "Against the spec's advance at low speed, 7.00 to 11.00°: within."
    assert "not judged" in verdict_words(replace(static, check=None))
    assert "goes out" in static_title(replace(static, spark_at="lamp-off"))


def test_marks_in_words() -> None:
    (t, t_words), (s, s_words) = mark_sentences(make_tdc())
    assert (t, s) == ("T", "S")
    assert t_words == (
        "Mark T (left, right) lines up with the index 0.54° before TDC (± 0.14° at 95 %): 0.54° more than its file "
        "says (0.00°)."
    )
    # 0.05 degrees off with a doubt of 0.14 is no finding.
    assert "as its file says, within the doubt" in s_words
