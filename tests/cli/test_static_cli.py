"""`timingcam static` and `timingcam tdc`: words, files, statuses. What is measured is made up here."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_by_hand import make_static, make_tdc

from timingcam.cli.static import static
from timingcam.cli.tdc import tdc
from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure, CannotUse

ENGINES = Path(__file__).parents[2] / "shared" / "engines"


@pytest.fixture
def engine(tmp_path: Path) -> Path:
    path = tmp_path / "engine.toml"
    path.write_bytes((ENGINES / "demo-twin.toml").read_bytes())
    return path


@pytest.fixture(autouse=True)
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    """Stand in for the measuring, and keep what it was asked."""
    asked: dict[str, object] = {}

    def fake_static(clip, engine, cylinder, spark_at, watched, progress):  # type: ignore[no-untyped-def]
        asked.update(clip=clip, cylinder=cylinder, spark_at=spark_at, watched=watched)
        return make_static()

    def fake_tdc(clip, engine, cylinder, watched, progress):  # type: ignore[no-untyped-def]
        asked.update(clip=clip, cylinder=cylinder, watched=watched)
        return make_tdc()

    monkeypatch.setattr("timingcam.reckoning.static.static_timing", fake_static)
    monkeypatch.setattr("timingcam.reckoning.tdc.true_tdc", fake_tdc)
    return asked


def run(command: object, *words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])  # type: ignore[arg-type]


def words_of(result: Result) -> str:
    return " ".join(result.output.split())


def test_static_says_what_it_found_and_what_it_cannot_see(engine: Path) -> None:
    result = run(static, "c.mp4", "--engine", engine, "--cylinder", "left")
    assert result.exit_code == 0
    said = words_of(result)
    assert "the lamp lights at 9.93° before TDC" in said
    assert "left out: turned backwards" in said
    assert "whether this is the compression or the exhaust stroke" in said
    assert "rotor turns anticlockwise as the camera sees it" in said
    assert "maker's manual" in said


def test_static_passes_on_what_it_was_told(engine: Path, measured: dict[str, object]) -> None:
    run(static, "c.mp4", "--engine", engine, "--cylinder", "right", "--spark-at", "lamp-off", "--lamp", "462,98.5",
        "--index", "320,50", "--mark", "T@330,80", "--centre", "321,180", "--capture-fps", "120")  # fmt: skip
    watched = measured["watched"]
    assert (measured["cylinder"], measured["spark_at"]) == ("right", "lamp-off")
    assert watched.lamp_px == (462.0, 98.5)  # type: ignore[attr-defined]
    assert watched.capture_fps == 120.0  # type: ignore[attr-defined]
    assert watched.pointed.index_px == (320.0, 50.0)  # type: ignore[attr-defined]
    assert watched.pointed.marks_px == (("T", 330.0, 80.0),)  # type: ignore[attr-defined]


def test_static_writes_its_folder(engine: Path, tmp_path: Path) -> None:
    out = tmp_path / "s"
    result = run(static, "c.mp4", "--engine", engine, "--cylinder", "left", "--out", out)
    assert result.exit_code == 0
    assert sorted(path.name for path in out.iterdir()) == ["static.json", "static.png"]
    assert json.loads((out / "static.json").read_text(encoding="utf-8"))["format"] == "timingcam-static/1"


def test_an_existing_folder_is_refused(engine: Path, tmp_path: Path) -> None:
    result = run(static, "c.mp4", "--engine", engine, "--cylinder", "left", "--out", tmp_path)
    assert isinstance(result.exception, CannotUse)


def test_json_alone_on_standard_output(engine: Path) -> None:
    result = run(static, "c.mp4", "--engine", engine, "--cylinder", "left", "--json")
    assert json.loads(result.stdout)["cylinder"] == "left"
    result = run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left", "--json")
    assert json.loads(result.stdout)["format"] == "timingcam-tdc/1"


def test_a_wrong_way_to_switch_is_a_usage_fault(engine: Path) -> None:
    assert run(static, "c.mp4", "--engine", engine, "--cylinder", "left", "--spark-at", "noon").exit_code == 2


def test_tdc_says_what_it_found_and_warns(engine: Path) -> None:
    said = words_of(run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left"))
    assert "Mark T (left, right) lines up with the index 0.54° before TDC" in said
    assert "never with the starter" in said
    assert "Take the stop out" in said


def test_tdc_leaves_the_engine_file_alone_unless_asked(engine: Path) -> None:
    before = engine.read_bytes()
    run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left")
    assert engine.read_bytes() == before


def test_tdc_writes_the_t_mark(engine: Path) -> None:
    before = engine.read_text(encoding="utf-8")
    result = run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left", "--write")
    assert result.exit_code == 0
    after = read_engine(engine)
    assert (after.rotor.mark[0].btdc_deg, after.rotor.mark[0].sd_deg) == (0.54, 0.07)
    # Comments and everything else are as they were.
    assert engine.read_text(encoding="utf-8").replace("0.540\nsd_deg = 0.070", "0.0") == before
    assert list(engine.parent.glob(".*")) == []


def test_nothing_is_written_where_the_folder_cannot_be(engine: Path, tmp_path: Path) -> None:
    before = engine.read_bytes()
    result = run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left", "--write", "--out", tmp_path)
    assert isinstance(result.exception, CannotUse)
    assert engine.read_bytes() == before


def test_an_engine_file_that_cannot_be_edited_is_told_before_measuring(
    engine: Path, measured: dict[str, object]
) -> None:
    text = engine.read_text(encoding="utf-8").replace("btdc_deg = 0.0", '"btdc_deg" = 0.0')
    engine.write_text(text, encoding="utf-8")
    result = run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left", "--write")
    assert isinstance(result.exception, CannotUse)
    assert "clip" not in measured


def test_without_a_t_mark_nothing_is_written(engine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = engine.read_bytes()
    monkeypatch.setattr("timingcam.reckoning.tdc.true_tdc", lambda *_: replace(make_tdc(), t_mark=None))
    result = run(tdc, "c.mp4", "--engine", engine, "--cylinder", "left", "--write")
    assert isinstance(result.exception, CannotUse)
    assert "no mark near TDC" in str(result.exception)
    assert engine.read_bytes() == before


def test_what_cannot_be_measured_ends_in_3(engine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise CannotMeasure(found="passes turned backwards only", expected="others", do="turn it forwards")

    monkeypatch.setattr("timingcam.reckoning.static.static_timing", refuse)
    result = run(static, "c.mp4", "--engine", engine, "--cylinder", "left")
    assert isinstance(result.exception, CannotMeasure)
    assert result.exception.exit_status == 3
