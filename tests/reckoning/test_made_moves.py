"""Notes of what was moved: their signs above all. The engine file's words decide, not the package's formulas."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import Engine
from timingcam.errors import CannotUse
from timingcam.reckoning.made_moves import read_made

_spec = importlib.util.spec_from_file_location("bench_engine", Path(__file__).with_name("bench_engine.py"))
assert _spec is not None and _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

ways = st.sampled_from(["clockwise", "anticlockwise"])
effects = st.sampled_from(["advances", "retards"])
sizes = st.integers(1, 400).map(lambda n: n / 10)


def engine(shaft_turns: str, wider: str) -> Engine:
    return bench.engine(
        [
            bench.turn("plate", ["left", "right"], "camshaft", shaft_turns),
            bench.slide("own", ["right"], "camshaft", wider),
            bench.gap("points", ["left"], wider),
        ]
    )


@given(ways, ways, sizes, st.sampled_from(["divisions", "mm", "degrees"]))
def test_a_plate_turned_against_its_shaft_brings_the_spark_forward(
    shaft_turns: str, moved: str, size: float, unit: str
) -> None:
    made = read_made(f"plate={size} {unit} {moved}", engine(shaft_turns, "advances"))
    assert made.amount == (size if moved != shaft_turns else -size)
    assert made.unit == unit


@given(ways, sizes, st.sampled_from(["+", "-", "−"]))
def test_a_plates_sign_is_plus_for_earlier_whatever_way_that_is(shaft_turns: str, size: float, sign: str) -> None:
    made = read_made(f"plate={sign}{size} mm", engine(shaft_turns, "retards"))
    assert made.amount == (size if sign == "+" else -size)


@given(st.sampled_from(["own", "points"]), effects, sizes, st.sampled_from(["wider", "narrower"]), st.booleans())
def test_a_gap_does_what_the_file_says_of_wider(name: str, wider: str, size: float, moved: str, signed: bool) -> None:
    note = f"{'+' if moved == 'wider' else '-'}{size} thou" if signed else f"{size} thou {moved}"
    made = read_made(f"{name}={note}", engine("clockwise", wider))
    earlier = (moved == "wider") == (wider == "advances")
    assert made.amount == (size if earlier else -size)


@pytest.mark.parametrize(
    ("note", "words"),
    [
        ("plate 2 mm clockwise", "NAME=AMOUNT UNIT"),
        ("plate=2 furlongs clockwise", "NAME=AMOUNT UNIT"),
        ("plate=2 mm", "no direction"),
        ("plate=+2 mm clockwise", "both a sign and a direction"),
        ("plate=2 thou clockwise", "divisions, mm or degrees for plate"),
        ("own=2 mm wider", "thou for own"),
        ("own=2 thou clockwise", "NAME=AMOUNT UNIT"),
        ("plate=0 mm clockwise", "a move of nothing"),
        ("plat=2 mm clockwise", "did you mean 'plate'"),
    ],
)
def test_what_cannot_be_understood_is_said(note: str, words: str) -> None:
    with pytest.raises(CannotUse, match=words):
        read_made(note, engine("clockwise", "advances"))
