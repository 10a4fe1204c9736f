"""An entry of the bench log, from a measurement."""

from __future__ import annotations

import datetime
import importlib.util
from dataclasses import replace
from pathlib import Path

from timingcam.keeping.entry import entry_of
from timingcam.reckoning.result import Check

_spec = importlib.util.spec_from_file_location(
    "made_measurement", Path(__file__).parents[1] / "showing" / "made_measurement.py"
)
assert _spec is not None and _spec.loader is not None
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)
DAY = datetime.date(2026, 5, 3)


def test_limits_of_that_day_are_kept() -> None:
    entry = entry_of(made.make_measurement(n=40), DAY)
    assert entry.low_speed_limits_deg == (7.0, 11.0)
    assert entry.full_limits_deg == (29.0, 33.0)
    bare = entry_of(made.make_measurement(n=40, spec=False), DAY)
    assert bare.low_speed_limits_deg is None and bare.verdict is None


def test_verdict_is_that_of_the_spec_alone() -> None:
    """A strobe that misses flashes puts no engine out of spec, in the log as on the terminal."""
    one = made.make_measurement(n=40)
    good = tuple(replace(check, verdict="in") for check in one.checks)
    missing = Check("missing flashes", 0.3, None, 0.1, "out")
    assert entry_of(replace(one, checks=(*good, missing)), DAY).verdict == "in"


def test_a_line_is_short_enough_to_read() -> None:
    one = made.make_measurement(n=40)
    third = replace(one.curve.full_advance_deg, value=31.0 + 1 / 3, high=31.7)
    line = entry_of(replace(one, curve=replace(one.curve, full_advance_deg=third)), DAY).line()
    assert '"value": 31.3333,' in line
