"""The engine file: what is read, what is refused and in which words."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import (
    Adjuster,
    Crank,
    Cylinder,
    Engine,
    Rotor,
    RotorMark,
    Spec,
    engine_from_dict,
    engine_from_toml,
    engine_to_dict,
    read_engine,
)
from timingcam.errors import CannotUse

ENGINES = sorted((Path(__file__).parents[1] / "shared" / "engines").glob("*.toml"))
DEMO = (Path(__file__).parents[1] / "shared" / "engines" / "demo-twin.toml").read_text(encoding="utf-8")
VEE = (Path(__file__).parents[1] / "shared" / "engines" / "edge-marked-vee.toml").read_text(encoding="utf-8")
STROKE = (Path(__file__).parents[1] / "shared" / "engines" / "millimetre-two-stroke.toml").read_text(encoding="utf-8")


def refusal(text: str) -> str:
    with pytest.raises(CannotUse) as caught:
        engine_from_toml(text, "bench.toml")
    assert "bench.toml" in caught.value.found
    return str(caught.value)


def changed(old: str, new: str, text: str = DEMO) -> str:
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize("path", ENGINES, ids=lambda path: path.stem)
def test_shipped_engine_survives_the_way_through_json(path: Path) -> None:
    engine = read_engine(path)
    data = json.loads(json.dumps(engine_to_dict(engine)))
    assert engine_from_dict(data) == engine
    # "The engine file as read": nothing added that the file left out.
    assert set(data) == set(tomllib.loads(path.read_text(encoding="utf-8")))


def test_shipped_engines_are_none_like_another() -> None:
    engines = [read_engine(path) for path in ENGINES]
    assert len(engines) >= 3
    for kind in (
        lambda e: e.name,
        lambda e: e.rotor.rim_diameter_mm,
        lambda e: [m.name for m in e.rotor.mark],
        lambda e: e.spec.curve,
    ):
        seen = [str(kind(engine)) for engine in engines]
        assert len(set(seen)) == len(seen)
    assert {e.rotor.turns for e in engines} == {"clockwise", "anticlockwise"}
    assert {len(e.cylinder) for e in engines} == {1, 2}


def test_values_of_the_demo_twin() -> None:
    engine = engine_from_toml(DEMO, "demo")
    assert engine.rotor.mark[1].btdc_deg == 9.0
    assert engine.rotor.mark[1].cylinder == ("left", "right")
    assert engine.adjuster[1].gap_range_thou == (5.0, 55.0)
    assert engine.spec is not None and engine.spec.curve[2] == (3700.0, 35.0)


def test_one_cylinder_may_be_named_without_a_list() -> None:
    engine = engine_from_toml(changed('cylinder = "rear"', 'cylinder = ["rear"]', VEE), "vee")
    assert engine == engine_from_toml(VEE, "vee")


# Each: what is changed in the demo twin's file, and words that the refusal must hold: key, found, expected.
FAULTS = [
    ("format = 1", "format = 2", ["format", "2", "1"]),
    ("format = 1", "", ["format", "nothing"]),
    ("format = 1", "format = true", ["format", "true"]),
    ('name = "Brindle 410 twin"', "name = 3", ["name", "3", "text in quotes"]),
    ('name = "Brindle 410 twin"', 'name = ""', ["name", '""', "not empty"]),
    ('name = "Brindle 410 twin"', 'name = "a\\nb"', ["name", "control characters"]),
    ("strokes = 4", "strokes = 3", ["crank.strokes", "3", "2 or 4"]),
    ("strokes = 4", "strokes = true", ["crank.strokes", "true"]),
    ("strokes = 4", 'strokes = "4"', ["crank.strokes", '"4"', "2 or 4"]),
    ("strokes = 4", "strokes = 2", ["crank.sparks_per_rev", "two-stroke", "cylinder[2].tdc_deg", "less than 360"]),
    ("sparks_per_rev = 0.5", "sparks_per_rev = 0.4", ["crank.sparks_per_rev", "0.4", "0.5 or 1"]),
    ("sparks_per_rev = 0.5", "sparks_per_rev = true", ["crank.sparks_per_rev", "true"]),
    ("idle_rpm = 1250", "idle_rpm = 8000", ["crank.idle_rpm", "8000", "less than crank.max_rpm"]),
    ("idle_rpm = 1250", "idle_rpm = -1", ["crank.idle_rpm", "-1", "above 0"]),
    ("idle_rpm = 1250", "stroke_mm = 60", ["crank.rod_mm", "nothing", "crank.stroke_mm is given"]),
    ("idle_rpm = 1250", "rod_mm = 60", ["crank.stroke_mm", "nothing"]),
    ("idle_rpm = 1250", "stroke_mm = 60\nrod_mm = 30", ["crank.rod_mm", "30", "more than half"]),
    ("tdc_deg = 360.0", "tdc_deg = 720", ["cylinder[2].tdc_deg", "720", "less than 720"]),
    ("tdc_deg = 360.0", "tdc_deg = nan", ["cylinder[2].tdc_deg", "nan", "finite"]),
    ("tdc_deg = 360.0", 'tdc_deg = "360"', ["cylinder[2].tdc_deg", '"360"', "a number"]),
    ("tdc_deg = 360.0", "tdc_deg = 540", ["rotor.mark[1].cylinder", "rise together"]),
    ("tdc_deg = 0.0", "tdc_deg = 360.0", ["cylinder[1].tdc_deg", "360", "first cylinder"]),
    ('name = "right"', 'name = "left"', ["cylinder[2].name", "another name than that of cylinder[1]"]),
    ('turns = "anticlockwise"', 'turns = "left"', ["rotor.turns", '"left"', '"clockwise" or "anticlockwise"']),
    ("rim_diameter_mm = 98.0", "", ["rotor.rim_diameter_mm", "nothing", "required"]),
    ("rim_diameter_mm = 98.0", "rim_diameter_mm = 0", ["rotor.rim_diameter_mm", "0", "above 0"]),
    ("rim_diameter_mm = 98.0", "rim_diameter_mm = 98.0\nrim_diam_mm = 9", ["rotor.rim_diam_mm", "nearest is rim_dia"]),
    ("index_above_mm = 2.5\n", "", ["rotor.index_above_sd_mm", "index_above_mm with it"]),
    ("btdc_deg = 9.0", "btdc_dge = 9.0", ['rotor.mark[2].btdc_dge ("S")', "not known", "nearest is btdc_deg"]),
    ("btdc_deg = 9.0", "", ["rotor.mark[2]", "neither btdc_deg nor mm_btdc"]),
    ("btdc_deg = 9.0", "btdc_deg = 9.0\nmm_btdc = 1.0", ["rotor.mark[2]", "only one of the two"]),
    ("btdc_deg = 9.0", "mm_btdc = 1.0", ["rotor.mark[2].mm_btdc", "crank.stroke_mm and crank.rod_mm"]),
    ("btdc_deg = 9.0", "btdc_deg = 200", ["rotor.mark[2].btdc_deg", "200", "half a turn"]),
    ("btdc_deg = 9.0", "btdc_deg = 35.0", ["rotor.mark[3].btdc_deg", "another place", "rotor.mark[2]"]),
    ('name = "S"', 'name = "T"', ["rotor.mark[2].name", "another name"]),
    (
        'cylinder = ["left", "right"]',
        'cylinder = ["left", "rigth"]',
        ["rotor.mark[1].cylinder", "rigth", "left, right"],
    ),
    ('cylinder = ["left", "right"]', 'cylinder = ["left", "left"]', ["rotor.mark[1].cylinder", "each cylinder once"]),
    ('cylinder = ["left", "right"]', "cylinder = []", ["rotor.mark[1].cylinder", "at least 1"]),
    ("[1800, 9.0]", "[1250, 9.0]", ["spec.curve[2]", "1250", "above that of the point before"]),
    ("[1800, 9.0]", "[1800, 95.0]", ["spec.curve[2]", "95", "from -30 to 90"]),
    ("[1800, 9.0]", "[1800]", ["spec.curve[2]", "two values"]),
    ("[1800, 9.0]", "[1800, 1, 2]", ["spec.curve[2]", "two values"]),
    ("[1800, 9.0]", "1800", ["spec.curve[2]", "1800", "a list"]),
    (
        "curve = [[1250, 9.0], [1800, 9.0], [3700, 35.0], [7800, 35.0]]",
        "curve = [[1250, 9.0]]",
        ["spec.curve", "least 2"],
    ),
    ("full_advance_max_deg = 37.0", "full_advance_max_deg = 30", ["spec.full_advance_max_deg", "30", "at least", "35"]),
    ("curve = [[1250", "curve_mm = [[1250", ["spec.curve_mm", "crank.stroke_mm"]),
    (
        'advances = "anticlockwise"',
        'advances = "clockwise"',
        ["adjuster[1].advances", "opposite of shaft_turns", "sooner"],
    ),
    ('shaft = "camshaft"', "", ["adjuster[1].shaft", "nothing", 'kind "turn" needs']),
    ('shaft = "camshaft"', 'shaft = "camshaft"\nradius_mm = 3', ["adjuster[1].radius_mm", 'only with "slide"']),
    ("division_crank_deg = 3.0", "division_crank_deg = 0", ["adjuster[1].division_crank_deg", "above 0"]),
    ("radius_mm = 19.0", "", ["adjuster[2].radius_mm", "nothing"]),
    ("radius_mm = 19.0", "radius_mm = 0.5", ["adjuster[2].radius_mm", "wider than the gap"]),
    (
        "radius_mm = 19.0",
        "radius_mm = 19.0\ncrank_deg_per_thou = 1",
        ["adjuster[2].crank_deg_per_thou", 'only with "gap"'],
    ),
    (
        'kind = "slide"',
        'kind = "gap"',
        ["adjuster[2].crank_deg_per_thou", "adjuster[2].radius_mm", "adjuster[2].shaft"],
    ),
    ('kind = "slide"', 'kind = "lever"', ["adjuster[2].kind", '"lever"', '"turn", "slide" or "gap"']),
    ('moves = ["right"]', 'moves = ["rigth"]', ["adjuster[2].moves", "rigth"]),
    ("gap_range_thou = [5.0, 55.0]", "gap_range_thou = [55.0, 5.0]", ["adjuster[2].gap_range_thou", "in that order"]),
    ("[rotor]", "[rotor", ["not TOML", "line 20"]),
    ("[crank]", "crank = 3\n[krank]", ["crank", "a table, [crank]"]),
]


@pytest.mark.parametrize(("old", "new", "words"), FAULTS, ids=[f"{i}-{fault[2][0]}" for i, fault in enumerate(FAULTS)])
def test_fault_is_refused_by_name(old: str, new: str, words: list[str]) -> None:
    said = refusal(changed(old, new))
    for word in words:
        assert word in said
    assert "pydantic" not in said and "Traceback" not in said


def test_all_faults_are_told_at_once() -> None:
    said = refusal(changed("tolerance_deg = 2.0", "tolerance = 2.0", changed("strokes = 4", "strokes = 5")))
    assert "crank.strokes" in said and "spec.tolerance_deg" in said and "nearest is tolerance_deg" in said


def test_key_in_the_wrong_table_is_sent_home() -> None:
    assert "only in [[rotor.mark]]" in refusal(changed("[rotor]\n", "[rotor]\nbtdc_deg = 3.0\n"))


def test_single_brackets_are_recognised() -> None:
    said = refusal(changed('[[cylinder]]\nname = "barrel"', '[cylinder]\nname = "barrel"', STROKE))
    assert "[[cylinder]], with two brackets" in said


def test_rotor_without_marks_is_refused() -> None:
    head = DEMO[: DEMO.index("[[rotor.mark]]")]
    assert "rotor.mark" in refusal(head + DEMO[DEMO.index("[spec]") :])


def test_spec_in_millimetres_becomes_degrees() -> None:
    # 2.000 mm before top dead centre at stroke 60, rod 120 is 18.84491 degrees (computed by root-finding).
    text = changed("stroke_mm = 47.2\nrod_mm = 91.0", "stroke_mm = 60\nrod_mm = 120", STROKE)
    text = changed("curve = [[1500, 21.0], [9800, 21.0]]", "curve_mm = [[1500, 2.0], [9800, 2.0]]", text)
    engine = engine_from_toml(text, "mm")
    assert engine.spec is not None
    assert math.isclose(engine.spec.curve[0][1], 18.84491, abs_tol=1e-5)  # the printed figure's last digit
    data = engine_to_dict(engine)
    assert "curve" not in data["spec"]
    assert engine_from_dict(data) == engine
    both = changed("curve_mm =", "curve = [[1500, 21.0], [9800, 21.0]]\ncurve_mm =", text)
    assert "not both" in refusal(both)


class TestFiles:
    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(CannotUse, match="no file"):
            read_engine(tmp_path / "none.toml")

    def test_folder(self, tmp_path: Path) -> None:
        with pytest.raises(CannotUse, match="a folder"):
            read_engine(tmp_path)

    def test_not_utf8(self, tmp_path: Path) -> None:
        path = tmp_path / "latin.toml"
        path.write_bytes(b'format = 1\nname = "J\xe4ger"\n')
        with pytest.raises(CannotUse, match=r"line 2.*UTF-8"):
            read_engine(path)

    def test_byte_order_mark_and_windows_line_ends_are_no_fault(self, tmp_path: Path) -> None:
        path = tmp_path / "notepad.toml"
        path.write_bytes(b"\xef\xbb\xbf" + DEMO.replace("\n", "\r\n").encode())
        assert read_engine(path) == engine_from_toml(DEMO, "demo")

    def test_huge(self, tmp_path: Path) -> None:
        path = tmp_path / "huge.toml"
        path.write_bytes(b"#" * 1_000_001)
        with pytest.raises(CannotUse, match="longer than 1 MB"):
            read_engine(path)

    def test_nested_beyond_measure(self, tmp_path: Path) -> None:
        path = tmp_path / "deep.toml"
        path.write_text("format = " + "[" * 100_000, encoding="utf-8")
        with pytest.raises(CannotUse, match=r"deep\.toml"):
            read_engine(path)

    def test_whole_number_beyond_measure(self) -> None:
        assert "not TOML" in refusal(changed("idle_rpm = 1250", "idle_rpm = " + "9" * 5000))
        assert "beyond all measure" in refusal(changed("idle_rpm = 1250", "idle_rpm = " + "9" * 400))


@given(st.text(max_size=200))
def test_any_text_is_refused_in_words(text: str) -> None:
    with pytest.raises(CannotUse):
        engine_from_toml(text, "any.toml")


_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(st.data())
def test_any_value_anywhere_gives_an_engine_or_words(data: st.DataObject) -> None:
    demo = tomllib.loads(DEMO)
    here: dict = demo
    key = data.draw(st.sampled_from(sorted(here)))
    while data.draw(st.booleans()):
        inner = here.get(key)
        inner = inner[0] if isinstance(inner, list) and inner and isinstance(inner[0], dict) else inner
        if not isinstance(inner, dict):
            break
        here, key = inner, data.draw(st.sampled_from([*sorted(inner), "stroke_mm", "rod_mm", "curve_mm"]))
    here[key] = data.draw(_values)
    try:
        engine = engine_from_dict(demo, "any")
    except CannotUse as refused:
        assert refused.found and refused.expected
        return
    assert isinstance(engine, Engine)
    assert engine_from_dict(engine_to_dict(engine)) == engine


class TestReferencePage:
    PAGE = (Path(__file__).parents[1] / "docs" / "engine-file.md").read_text(encoding="utf-8")

    def test_its_example_is_an_engine_and_its_sum_is_right(self) -> None:
        text = self.PAGE.split("```toml\n")[1].split("```")[0]
        engine = engine_from_toml(text, "page")
        crank = engine.crank
        assert engine.spec is not None and crank.stroke_mm is not None and crank.rod_mm is not None
        # The page says 12.9 degrees for 1.2 mm; slider-crank the other way round, so half a digit of 1.2 mm.
        angle = math.radians(12.9)
        throw = crank.stroke_mm / 2
        travel = (
            throw
            + crank.rod_mm
            - throw * math.cos(angle)
            - crank.rod_mm * math.cos(math.asin(throw * math.sin(angle) / crank.rod_mm))
        )
        assert abs(travel - 1.2) < 0.05

    def test_every_key_is_on_it(self) -> None:
        for model in (Engine, Crank, Cylinder, Rotor, RotorMark, Spec, Adjuster):
            for key in model.model_fields:
                table = key in ("crank", "rotor", "spec", "cylinder", "mark", "adjuster")
                assert table or f"`{key}`" in self.PAGE, key
