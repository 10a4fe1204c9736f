"""`timingcam engine new` and `engine check`: words and refusals."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from timingcam.cli.engine import engine
from timingcam.errors import CannotUse

ENGINES = sorted((Path(__file__).parents[2] / "shared" / "engines").glob("*.toml"))
TWIN, VEE, DEMO = (
    next(path for path in ENGINES if path.stem == stem) for stem in ("half-turn-twin", "edge-marked-vee", "demo-twin")
)


def said(*args: str | Path) -> str:
    result = CliRunner().invoke(engine, [str(arg) for arg in args], catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


@pytest.mark.parametrize("path", ENGINES, ids=lambda path: path.stem)
def test_every_shipped_engine_is_described(path: Path) -> None:
    words = said("check", path)
    assert "pass the index" in words and "No fault found" in words
    assert max(map(len, words.splitlines())) <= 120


def test_starting_file_passes_its_own_check(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    assert "engine check" in said("new", "--out", path)
    assert "My engine" in said("check", path)
    assert said("new") == path.read_text(encoding="utf-8")


def test_starting_file_still_passes_with_its_optional_lines_taken_in(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    optional = re.compile(r"^# (\w+ = |\[\[)")
    lines = [line.removeprefix("# ") if optional.match(line) else line for line in said("new").splitlines()]
    path.write_text("\n".join(lines), encoding="utf-8")
    words = said("check", path)
    assert "right trigger" in words and "left points" in words


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(CannotUse, match="there already"):
        said("new", "--out", path)
    assert path.read_text(encoding="utf-8") == "precious"
    with pytest.raises(CannotUse, match="cannot be written"):
        said("new", "--out", tmp_path / "nowhere" / "mine.toml")


def test_order_of_the_vee_twin_as_worked_out_on_paper() -> None:
    # rear at 0: R-full passes at -38 = 322, R at 0; front at 435 = 75: V-full at 37, V-low at 64, V at 75.
    words = said("check", VEE)
    table = words[words.index("to the next") : words.index("Spec:")].splitlines()[1:]
    rows = [line.split() for line in table if line]
    assert [row[0] for row in rows] == ["R-full", "R", "V-full", "V-low", "V"]
    for step in ("38.0° to R", "37.0° to V-full", "27.0° to V-low", "11.0° to V", "247.0° to R-full"):
        assert step in words
    assert "going round anticlockwise" in words  # it turns clockwise, so later marks lie behind


def test_directions_are_said_with_where_one_stands() -> None:
    words = " ".join(said("check", DEMO).split())
    assert "Facing it, the camshaft turns clockwise: turn base plate anticlockwise for an earlier spark" in words
    assert "A wider gap advances the spark, a narrower one retards it, 0.153 crank degrees for each thou" in words


def test_groups_that_look_alike_are_hinted_at_unless_painted(tmp_path: Path) -> None:
    assert "look the same again" not in said("check", TWIN)
    bare = tmp_path / "bare.toml"
    bare.write_text(TWIN.read_text(encoding="utf-8").replace('paint = "red"', ""), encoding="utf-8")
    words = said("check", bare)
    assert "After 180° the marks look the same again" in words


def test_hints(tmp_path: Path) -> None:
    path = tmp_path / "hints.toml"
    path.write_text(DEMO.read_text(encoding="utf-8").replace("gap_thou = 25.0", ""), encoding="utf-8")
    assert "no feeler blade can be advised" in " ".join(said("check", path).split())
    path.write_text(DEMO.read_text(encoding="utf-8").replace("gap_thou = 25.0", "gap_thou = 60"), encoding="utf-8")
    assert "outside its range" in " ".join(said("check", path).split())


def test_a_cylinder_that_no_mark_names(tmp_path: Path) -> None:
    path = tmp_path / "left-only.toml"
    text = DEMO.read_text(encoding="utf-8").replace('cylinder = ["left", "right"]', 'cylinder = "left"')
    path.write_text(text, encoding="utf-8")
    assert "right has no mark of its own in this file" in " ".join(said("check", path).split())


def test_fault_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(DEMO.read_text(encoding="utf-8").replace("btdc_deg = 9.0", "btdc = 9.0"), encoding="utf-8")
    with pytest.raises(CannotUse, match="nearest are mm_btdc and btdc_deg"):
        said("check", path)
