"""`result.json`: every fault names its key."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_measurement import make_measurement

from timingcam.engine import engine_from_dict, engine_to_dict, read_engine
from timingcam.errors import CannotUse
from timingcam.reckoning.result import Check, Measurement
from timingcam.showing.result_file import checks_of, parse_result, result_json, strobe_of

ENGINES = sorted((Path(__file__).parents[2] / "shared" / "engines").glob("*.toml"))
SMALL = make_measurement(n=20)


def spoiled(measurement: Measurement, change: Callable[[dict[str, Any]], object]) -> str:
    content = json.loads(result_json(measurement))
    change(content)
    return json.dumps(content)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (lambda c: c.pop("cylinder"), "no key 'cylinder'"),
        (lambda c: c.update(format="timingcam-result/2"), "key 'format'"),
        (lambda c: c["curve"]["starts_rpm"].update(sd="much"), r"key 'curve\.starts_rpm\.sd'"),
        (lambda c: c["curve"]["starts_rpm"].update(low=9e9), r"key 'curve\.starts_rpm'"),
        (lambda c: c["curve"]["starts_rpm"].update(sd=math.inf), r"key 'curve\.starts_rpm\.sd'"),
        (lambda c: c["checks"][1].update(verdict="fine"), r"key 'checks\.1\.verdict'"),
        (lambda c: c["budget"][0].update(kind=3), r"key 'budget\.0\.kind'"),
        (lambda c: c["clip"].update(frames="many"), r"key 'clip\.frames'"),
        (lambda c: c["clip"].update(frames=True), r"key 'clip\.frames'"),
        (lambda c: c["engine"].update(wheels=2), r"key 'engine\.wheels'"),
        (lambda c: c.update(warnings="one"), "key 'warnings'"),
        (lambda c: c.update(cylinder="middle"), "cylinder 'middle'"),
    ],
)
def test_a_wrong_key_is_named(measurement: Measurement, change: Callable[[dict[str, Any]], object], key: str) -> None:
    with pytest.raises(CannotUse, match=key):
        parse_result(spoiled(measurement, change))


@pytest.mark.parametrize("text", ["", "[]", "{", "null", "[" * 100_000, '{"format": NaN}'])
def test_what_is_no_such_file_is_refused(text: str) -> None:
    with pytest.raises(CannotUse):
        parse_result(text)


@pytest.mark.parametrize("path", ENGINES, ids=lambda path: path.stem)
def test_the_engine_file_is_there_as_read(measurement: Measurement, path: Path) -> None:
    engine = read_engine(path)
    m = replace(measurement, engine=engine, cylinder=engine.cylinder[0].name)
    text = result_json(m)
    assert json.loads(text)["engine"] == json.loads(json.dumps(engine_to_dict(engine)))
    assert parse_result(text).engine == engine


def test_a_spec_in_millimetres_is_there_in_both(measurement: Measurement) -> None:
    data = engine_to_dict(read_engine(next(path for path in ENGINES if path.stem == "millimetre-two-stroke")))
    data["spec"] = {"curve_mm": [[1500, 1.9], [9800, 1.9]], "tolerance_deg": 1.5}
    engine = engine_from_dict(data)
    text = result_json(replace(measurement, engine=engine, cylinder="barrel"))
    assert {"curve", "curve_mm"} <= set(json.loads(text)["engine"]["spec"])
    assert parse_result(text).engine == engine


def test_a_long_wrong_value_is_cut(measurement: Measurement) -> None:
    with pytest.raises(CannotUse) as caught:
        parse_result(spoiled(measurement, lambda c: c.update(rpm_source="x" * 10_000)))
    assert len(str(caught.value)) < 400


def test_keys_of_later_versions_are_passed_over(measurement: Measurement) -> None:
    parse_result(spoiled(measurement, lambda c: c["camera"].update(lens="wide")))


def test_a_check_without_a_value_is_null(measurement: Measurement) -> None:
    m = replace(measurement, checks=(Check("missing flashes", math.nan, None, 1.0, "unsure"),))
    text = result_json(m)
    assert json.loads(text)["checks"][0]["value"] is None
    assert math.isnan(checks_of(parse_result(text))[0].value)


def test_infinite_numbers_are_never_written(measurement: Measurement) -> None:
    with pytest.raises(ValueError, match="JSON"):
        result_json(replace(measurement, clip=replace(measurement.clip, fps=math.inf)))


@given(st.floats(0.0, 0.01))
def test_a_delay_survives_microseconds(delay_s: float) -> None:
    back = strobe_of(parse_result(result_json(replace(SMALL, strobe=replace(SMALL.strobe, delay_s=delay_s)))))
    # Two roundings of a double.
    assert back.delay_s == pytest.approx(delay_s, rel=3e-16, abs=1e-300)
