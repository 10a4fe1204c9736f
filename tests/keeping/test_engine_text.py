"""A measured mark into an engine file's text: only that place changes, or nothing does."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.engine import engine_from_toml
from timingcam.errors import CannotUse
from timingcam.keeping.engine_text import with_measured_mark
from timingcam.reckoning.piston import mark_btdc_deg

ENGINES = sorted((Path(__file__).parents[2] / "shared" / "engines").glob("*.toml"))
DEMO = next(path for path in ENGINES if path.name == "demo-twin.toml").read_text(encoding="utf-8")
COMMENTED = DEMO.replace(
    'name = "T"\ncylinder = ["left", "right"]\nbtdc_deg = 0.0',
    '  name = "T"   # stamped\n  cylinder = ["left", "right"]\n  btdc_deg=0.0# by the book\n\n  # sd unknown',
)


def changes(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True))
    return [line for line in lines if line[0] in "+-"]


def test_value_changed_doubt_added() -> None:
    assert changes(DEMO, with_measured_mark(DEMO, "T", 0.5411, 0.0672)) == [
        "- btdc_deg = 0.0\n", "+ btdc_deg = 0.541\n", "+ sd_deg = 0.067\n"
    ]  # fmt: skip


def test_an_old_doubt_is_replaced() -> None:
    after = with_measured_mark(DEMO, "A", 34.9, 0.1)
    assert changes(DEMO, after) == [
        "- btdc_deg = 35.0\n",
        "+ btdc_deg = 34.900\n",
        "- sd_deg = 0.2\n",
        "+ sd_deg = 0.100\n",
    ]


def test_comments_spaces_and_indents_stay() -> None:
    after = with_measured_mark(COMMENTED, "T", -1.25, 0.1)
    assert "  btdc_deg=-1.250# by the book\n  sd_deg=0.100\n\n  # sd unknown" in after
    assert '  name = "T"   # stamped\n' in after


@pytest.mark.parametrize("end", ["\r\n", "\n"])
@pytest.mark.parametrize("head", ["", "\ufeff"])
def test_line_ends_and_byte_order_mark_stay(end: str, head: str) -> None:
    text = head + DEMO.replace("\n", end)
    after = with_measured_mark(text, "S", 9.3, 0.1)
    assert after.startswith(head)
    assert after.count(end) == text.count(end)
    assert after.replace(end, "").count("\n") == 0


@pytest.mark.parametrize("path", ENGINES, ids=lambda path: path.stem)
@settings(max_examples=12, deadline=None)
@given(st.floats(-1.5, 1.5), st.floats(0, 2))
def test_every_mark_of_every_engine(path: Path, off: float, sd: float) -> None:
    text = path.read_text(encoding="utf-8")
    before = engine_from_toml(text, path.name)
    for k, mark in enumerate(before.rotor.mark):
        btdc = mark_btdc_deg(mark, before.crank) + off
        after = engine_from_toml(with_measured_mark(text, mark.name, btdc, sd), path.name)
        assert after.rotor.mark[k].btdc_deg == pytest.approx(btdc, abs=5.1e-4)
        # The doubt is never written as 0, which would say that there is none.
        assert after.rotor.mark[k].sd_deg == pytest.approx(max(sd, 1e-3), abs=5.1e-4)
        rest = [one for i, one in enumerate(after.rotor.mark) if i != k]
        assert rest == [one for i, one in enumerate(before.rotor.mark) if i != k]
        assert after.model_copy(update={"rotor": before.rotor}) == before


def test_a_mark_given_in_mm_becomes_degrees() -> None:
    text = next(path for path in ENGINES if "millimetre" in path.name).read_text(encoding="utf-8")
    engine = engine_from_toml(text, "e")
    in_mm = next(mark for mark in engine.rotor.mark if mark.mm_btdc is not None)
    after = engine_from_toml(with_measured_mark(text, in_mm.name, 18.0, 0.1), "e")
    changed = next(mark for mark in after.rotor.mark if mark.name == in_mm.name)
    assert (changed.mm_btdc, changed.btdc_deg) == (None, 18.0)


INLINE = DEMO[: DEMO.index("[[rotor.mark]]")] + 'mark = [{name = "T", cylinder = "left", btdc_deg = 0.0}]\n'


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        (INLINE, "T"),
        (DEMO, "X"),
        (DEMO.replace("[[rotor.mark]]", '[["rotor".mark]]'), "T"),
        (DEMO.replace("btdc_deg = 0.0", '"btdc_deg" = 0.0'), "T"),
    ],
)
def test_unusual_ways_of_writing_are_refused_with_the_values(text: str, mark: str) -> None:
    with pytest.raises(CannotUse, match=r"btdc_deg = 0\.541 and sd_deg = 0\.067"):
        with_measured_mark(text, mark, 0.541, 0.067)


def test_a_look_alike_inside_a_text_is_not_touched() -> None:
    text = DEMO.replace('name = "Brindle 410 twin"', "name = '''Brindle'''\n# [[rotor.mark]]\n# btdc_deg = 5.0")
    after = with_measured_mark(text, "T", 0.541, 0.067)
    assert "# btdc_deg = 5.0" in after
