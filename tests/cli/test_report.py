"""`timingcam report` from the outside."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

from timingcam.cli.report import report
from timingcam.errors import CannotUse
from timingcam.showing.results import save


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    base = tmp_path_factory.mktemp("results")
    left = save(make_measurement(n=150), base / "left")
    right = save(make_measurement(n=150, cylinder="right", shift_deg=3.0, seed=8), base / "right")
    return str(left), str(right)


def run(*words: str) -> str:
    return CliRunner().invoke(report, list(words), catch_exceptions=False).output


def test_one(folders: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    assert "Written" in run(folders[0], "--out", str(out))
    assert "Test twin 415, left cylinder" in out.read_text()


def test_left_with_right_and_before_with_after(folders: tuple[str, str], tmp_path: Path) -> None:
    run(*folders, "--out", str(tmp_path / "both.html"))
    assert "Right less left" in (tmp_path / "both.html").read_text()
    run(folders[0], folders[0], "--as", "before-after", "--same-setup", "--out", str(tmp_path / "again.html"))
    assert "After less before" in (tmp_path / "again.html").read_text()


def test_what_cannot_be_is_refused(folders: tuple[str, str], tmp_path: Path) -> None:
    out = str(tmp_path / "page.html")
    with pytest.raises(CannotUse, match="3 result folders"):
        run(*folders, folders[0], "--out", out)
    with pytest.raises(CannotUse, match="--as with one result"):
        run(folders[0], "--as", "left-right", "--out", out)
    with pytest.raises(CannotUse, match="no folder"):
        run(str(tmp_path / "nothing"), "--out", out)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_needs_replace(folders: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    out.write_text("mine")
    with pytest.raises(CannotUse, match="exists already"):
        run(folders[0], "--out", str(out))
    assert out.read_text() == "mine"
    run(folders[0], "--out", str(out), "--replace")
    assert out.read_text() != "mine"
