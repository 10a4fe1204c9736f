"""`timingcam log`: add, list, show and the trend."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import cv2
import pytest
from click.testing import CliRunner

from timingcam.cli.log import log
from timingcam.errors import CannotUse
from timingcam.showing.flashes_file import pictures_bytes
from timingcam.showing.results import readings_csv, result_json

TESTS = Path(__file__).parents[1]


def load_module(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MADE = load_module(TESTS / "showing" / "made_measurement.py")


def folder(at: Path, cylinder: str, shift_deg: float, sha: str) -> Path:
    one = MADE.make_measurement(n=40, cylinder=cylinder, shift_deg=shift_deg)
    one = replace(one, clip=replace(one.clip, sha256=sha * 32))
    at.mkdir()
    # Only the files that are read back: drawing the others takes seconds.
    (at / "result.json").write_text(result_json(one), encoding="utf-8")
    (at / "readings.csv").write_text(readings_csv(one), encoding="utf-8")
    (at / "flashes.npz").write_bytes(pictures_bytes(one.pictures))
    return at


def said(*args: str | Path) -> str:
    result = CliRunner().invoke(log, [str(arg) for arg in args], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("log")
    path = root / "log.jsonl"
    for sha, cylinder, shift, date, more in (
        ("a1", "left", 2.5, "2024-04-11", ["--note", "as bought"]),
        ("a2", "right", 0.4, "2024-04-11", []),
        ("a3", "left", 0.1, "2024-04-12", ["--moved", "base plate +1 division"]),
        ("a4", "left", 0.3, "2026-05-02", ["--note", "two\nyears\x1b[31m later"]),
    ):
        words = said("add", folder(root / sha, cylinder, shift, sha), "--date", date, *more, "--log", path)
        assert words.startswith("Number ")
    return path


def test_list(kept: Path) -> None:
    lines = said("list", "--log", kept).splitlines()
    assert len(lines) == 5
    assert lines[1].split()[:2] == ["1", "2024-04-11"] and lines[1].endswith("as bought")
    assert "base plate +1 division" in lines[3]
    assert "\x1b" not in "".join(lines)  # a note must not steer the terminal


def test_history_says_what_changed(kept: Path) -> None:
    words = said("show", "--log", kept)
    assert "moved: base plate +1 division" in words
    assert "(-2.4°)" in words and "(no change that can be told)" in words
    assert words.index("2024-04-12") < words.index("2026-05-02")


def test_one_entry_in_full(kept: Path) -> None:
    words = said("show", "3", "--log", kept)
    assert "The spec allowed at full advance: 29 to 33°" in words
    assert "Full advance: 31.10° (95 %:" in words and "Moved before: base plate +1 division" in words
    with pytest.raises(CannotUse, match="no entry 9"):
        said("show", "9", "--log", kept)


def test_trend(kept: Path, tmp_path: Path) -> None:
    said("show", "--log", kept, "--out", tmp_path / "trend")
    data = json.loads((tmp_path / "trend" / "log.json").read_text(encoding="utf-8"))
    assert len(data["entries"]) == 4
    picture = cv2.imread(str(tmp_path / "trend" / "log.png"))
    assert picture is not None and picture.shape[1] > 1000


def test_refusals(kept: Path, tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="already, number 1"):
        said("add", kept.parent / "a1", "--log", kept)
    with pytest.raises(CannotUse, match="one of: Test twin 415"):
        said("show", "--engine", "Other", "--log", kept)
    with pytest.raises(CannotUse, match="at most 2000"):
        said("add", kept.parent / "a1", "--note", "x" * 2001, "--log", kept)
    with pytest.raises(CannotUse, match="no readable bench log"):
        said("list", "--log", tmp_path / "none.jsonl")
