"""`timingcam compare` from the outside."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

from timingcam.cli.compare import compare
from timingcam.errors import CannotUse
from timingcam.showing.results import save


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    base = tmp_path_factory.mktemp("results")
    left = save(make_measurement(n=200), base / "left")
    right = save(make_measurement(n=200, cylinder="right", shift_deg=3.0, seed=8), base / "right")
    return str(left), str(right)


def test_words(folders: tuple[str, str]) -> None:
    result = CliRunner().invoke(compare, [*folders], catch_exceptions=False)
    assert result.exit_code == 0
    assert "Right less left" in result.output and "+3.00°" in result.output and "OUTSIDE" in result.output
    assert "Under the strobe" in result.output


def test_json_on_standard_output_is_the_file(folders: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "compared"
    result = CliRunner().invoke(compare, [*folders, "--json", "--out", str(out)], catch_exceptions=False)
    assert json.loads(result.output)["format"] == "timingcam-compare/1"
    assert (out / "compare.json").read_text() == result.output
    assert sorted(p.name for p in out.iterdir()) == ["compare.json", "compare.png"]


def test_an_existing_folder_needs_replace(folders: tuple[str, str], tmp_path: Path) -> None:
    out = str(tmp_path / "compared")
    runner = CliRunner()
    assert runner.invoke(compare, [*folders, "--out", out]).exit_code == 0
    with pytest.raises(CannotUse, match="exists already"):
        runner.invoke(compare, [*folders, "--out", out], catch_exceptions=False)
    assert runner.invoke(compare, [*folders, "--out", out, "--replace"]).exit_code == 0


def test_the_same_setup_narrows_the_doubt(folders: tuple[str, str]) -> None:
    runner = CliRunner()
    wide, narrow = (
        json.loads(runner.invoke(compare, [*folders, "--json", *more]).output)["at_idle"]["sd"]
        for more in ([], ["--same-setup"])
    )
    assert narrow < wide


def test_as_contradicting_the_cylinders_is_refused(folders: tuple[str, str]) -> None:
    with pytest.raises(CannotUse, match="left-right"):
        CliRunner().invoke(compare, [*folders, "--as", "before-after"], catch_exceptions=False)
