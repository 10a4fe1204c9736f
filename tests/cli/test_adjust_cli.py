"""`timingcam adjust`: from result folders to words, JSON and a picture."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import cv2
import pytest
from click.testing import CliRunner

from timingcam.cli.adjust import adjust
from timingcam.engine import read_engine
from timingcam.errors import CannotUse
from timingcam.showing.flashes_file import pictures_bytes
from timingcam.showing.results import readings_csv, result_json

TESTS = Path(__file__).parents[1]
DEMO = read_engine(TESTS.parent / "shared" / "engines" / "demo-twin.toml")


def load_module(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MADE = load_module(TESTS / "showing" / "made_measurement.py")
BENCH = load_module(TESTS / "reckoning" / "bench_engine.py")


def folder(at: Path, cylinder: str, off_deg: float, engine=DEMO) -> Path:
    spec = engine.spec
    low, full = spec.curve[0][1] + off_deg, max(advance for _, advance in spec.curve) + off_deg
    one = MADE.make_measurement(n=40, cylinder=cylinder)
    one = replace(one, engine=engine, cylinder=cylinder, curve=BENCH.curve(low, full), checks=())
    at.mkdir()
    # Only the files that are read back: drawing the others takes seconds.
    (at / "result.json").write_text(result_json(one), encoding="utf-8")
    (at / "readings.csv").write_text(readings_csv(one), encoding="utf-8")
    (at / "flashes.npz").write_bytes(pictures_bytes(one.pictures))
    return at


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    root = tmp_path_factory.mktemp("results")
    return {
        name: folder(root / name, cylinder, off)
        for name, cylinder, off in (
            ("left", "left", 2.0),
            ("right", "right", -0.5),
            ("left-before", "left", -2.5),
            ("right-before", "right", -5.0),
        )
    }


def said(*args: str | Path) -> str:
    result = CliRunner().invoke(adjust, [str(arg) for arg in args], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_json_and_nothing_else_on_standard_output(results: dict[str, Path], tmp_path: Path) -> None:
    both = [str(results["left"]), str(results["right"])]
    printed = CliRunner().invoke(adjust, [*both, "--json", "--out", str(tmp_path / "advice")]).stdout
    assert json.loads(printed)["format"] == "timingcam-adjust/1"
    assert printed == (tmp_path / "advice" / "adjust.json").read_text(encoding="utf-8")


def test_words(results: dict[str, Path]) -> None:
    words = said(results["left"], results["right"])
    # Left is 2 early: the plate must go with its shaft, clockwise facing it, 1 degree of the plate, 0.63 mm at 36 mm.
    assert "1. Turn base plate clockwise, facing base plate, by 0.63 mm at its rim = 0.67 of its divisions" in words
    assert "2.0 ± 0.3 crank degrees later (less advance) for left and right" in words
    # Right is then 2.5 late: a wider gap advances, 0.153 degrees a thou, 16.3 thou.
    assert "2. Set the gap of right trigger with the feeler blades of" in words
    assert "16 thou wider than the 25 in it now" in words
    assert words.index("Before you move anything") < words.index("1. Turn")
    assert "Keep hands" in words  # the usual cautions


def test_files(results: dict[str, Path], tmp_path: Path) -> None:
    out = tmp_path / "advice"
    said(results["left"], results["right"], "--out", out)
    data = json.loads((out / "adjust.json").read_text(encoding="utf-8"))
    assert data["format"] == "timingcam-adjust/1"
    assert [step["adjuster"] for step in data["steps"]] == ["base plate", "right trigger"]
    assert data["steps"][0]["directions_seen"] == "facing base plate"
    assert {cylinder["cylinder"] for cylinder in data["cylinders"]} == {"left", "right"}
    picture = cv2.imread(str(out / "adjust.png"))
    assert picture is not None and picture.shape[1] > 1000
    with pytest.raises(CannotUse, match="exists already"):
        said(results["left"], results["right"], "--out", out)
    said(results["left"], results["right"], "--out", out, "--replace")


def test_learning_from_the_last_move_and_next_time(results: dict[str, Path], tmp_path: Path) -> None:
    # 1.5 divisions, by the file 4.5 degrees, were followed by 4.5 degrees.
    since = ("--since", results["left-before"], results["right-before"], "--moved", "base plate=+1.5 divisions")
    words = said(results["left"], results["right"], *since, "--out", tmp_path / "a")
    assert "base plate: one division did 3 ±" in words and "the engine file says 3" in words
    again = said(results["left"], results["right"], "--learned", tmp_path / "a")
    assert "base plate: one division did 3 ±" in again
    with pytest.raises(CannotUse, match="--moved without --since"):
        said(results["left"], results["right"], "--moved", "base plate=+1.5 divisions")


def test_engine_file_as_it_is_now(results: dict[str, Path], tmp_path: Path) -> None:
    now = tmp_path / "now.toml"
    text = (TESTS.parent / "shared" / "engines" / "demo-twin.toml").read_text(encoding="utf-8")
    now.write_text(text.replace("gap_thou = 25.0", "gap_thou = 20.0"), encoding="utf-8")
    assert "than the 20 in it now" in said(results["left"], results["right"], "--engine", now)
    now.write_text(text.replace("Brindle", "Other"), encoding="utf-8")
    with pytest.raises(CannotUse, match="Other"):
        said(results["left"], results["right"], "--engine", now)


def test_right_engine_is_left_alone(tmp_path: Path) -> None:
    words = said(folder(tmp_path / "l", "left", 0.0), folder(tmp_path / "r", "right", 0.0))
    assert "Leave everything where it is." in words and "1. " not in words


def test_refusals(results: dict[str, Path], tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="two results of cylinder left"):
        said(results["left"], results["left-before"])
    with pytest.raises(CannotUse, match="no folder"):
        said(tmp_path / "none")
    with pytest.raises(CannotUse, match=r"no readable .*adjust\.json"):
        said(results["left"], "--learned", tmp_path)
    (tmp_path / "adjust.json").write_text('{"format": "timingcam-result/1"}', encoding="utf-8")
    with pytest.raises(CannotUse, match="timingcam-adjust/1"):
        said(results["left"], "--learned", tmp_path)
