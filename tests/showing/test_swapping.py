"""The new in the place of the old: at one stroke, or put back by the next run; what is being written stays."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from timingcam.errors import CannotUse
from timingcam.showing import swapping
from timingcam.showing.writing import write_file, write_folder

FILES = ("a.txt", "b.txt")


def fill(words: str) -> object:
    def write(inside: Path) -> None:
        for name in FILES:
            (inside / name).write_text(words)

    return write


def put(folder: Path, words: str) -> None:
    write_folder(folder, fill(words), files=FILES, replace=True)  # type: ignore[arg-type]


def words_in(folder: Path) -> set[str]:
    return {(folder / name).read_text() for name in FILES}


@pytest.fixture(params=["at one stroke", "in two steps"])
def _both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "in two steps":
        monkeypatch.setattr(swapping, "_renameat2", lambda: None)


@pytest.mark.usefixtures("_both_ways")
def test_the_new_takes_the_place_of_the_old(tmp_path: Path) -> None:
    put(tmp_path / "result", "old")
    put(tmp_path / "result", "new")
    assert words_in(tmp_path / "result") == {"new"}
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="renameat2 is Linux's")
def test_linux_exchanges_them_at_one_stroke(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No moment without a whole folder of that name: nothing steps aside."""
    monkeypatch.setattr(Path, "rename", lambda *_: pytest.fail("stepped aside"))
    (tmp_path / "result").mkdir()
    put(tmp_path / "result", "new")
    assert words_in(tmp_path / "result") == {"new"}


def test_an_old_one_that_stepped_aside_is_put_back(tmp_path: Path) -> None:
    """As a kill between the two steps leaves it; the next run may be refused and still heals it."""
    put(tmp_path / "result", "old")
    (tmp_path / "result").rename(tmp_path / ".result.0123abcd.old")
    with pytest.raises(CannotUse, match="exists already"):
        write_folder(tmp_path / "result", fill("new"), files=FILES)  # type: ignore[arg-type]
    assert words_in(tmp_path / "result") == {"old"}
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


def test_leftovers_of_killed_runs_go_and_all_else_stays(tmp_path: Path) -> None:
    for name in (".result.0123abcd.new", ".result.4567abcd.old", ".other.0123abcd.new", ".result.short.new", ".result"):
        (tmp_path / name).mkdir()
    (tmp_path / "result").mkdir()
    (tmp_path / ".page.html.0123abcd.new").write_text("half")
    put(tmp_path / "result", "new")
    write_file(tmp_path / "page.html", b"whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        ".other.0123abcd.new", ".result", ".result.short.new", "page.html", "result",
    ]  # fmt: skip


def test_what_another_process_is_writing_stays(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from timingcam.showing.swapping import fresh_place\n"
        "with fresh_place(Path(sys.argv[1]), folder=True) as fresh: print(fresh, flush=True); input()"
    )
    command = [sys.executable, "-c", script, str(tmp_path / "result")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        fresh = Path(other.stdout.readline().strip())
        put(tmp_path / "result", "ours")
        assert fresh.is_dir()
        other.kill()
    assert fresh.is_dir()
    put(tmp_path / "result", "ours again")
    assert not fresh.exists()


def test_names_of_255_bytes(tmp_path: Path) -> None:
    for name in ("n" * 255, "ü" * 127, "点" * 85, os.fsdecode(b"\xff" * 255)):
        put(tmp_path / name, "old")
        put(tmp_path / name, "new")
        assert words_in(tmp_path / name) == {"new"}
    assert len(list(tmp_path.iterdir())) == 4
