"""One file, whole or not at all; folders are tested with the results they hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from timingcam.errors import CannotUse
from timingcam.showing.writing import write_file


def test_a_new_file(tmp_path: Path) -> None:
    write_file(tmp_path / "page.html", b"new")
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    assert (tmp_path / "page.html").read_bytes() == b"new"


def test_an_old_file_needs_replace(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_bytes(b"old")
    with pytest.raises(CannotUse, match="exists already"):
        write_file(path, b"new")
    assert path.read_bytes() == b"old"
    write_file(path, b"new", replace=True)
    assert path.read_bytes() == b"new"


def test_a_folder_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "page.html").mkdir()
    with pytest.raises(CannotUse, match="a folder"):
        write_file(tmp_path / "page.html", b"new", replace=True)


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.html").write_bytes(b"old")
    (tmp_path / "link.html").symlink_to(tmp_path / "real.html")
    write_file(tmp_path / "link.html", b"new", replace=True)
    assert (tmp_path / "link.html").is_symlink() and (tmp_path / "real.html").read_bytes() == b"new"


def test_the_old_one_stays_when_interrupted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.html"
    path.write_bytes(b"old")

    def interrupted(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_file(path, b"new", replace=True)
    assert path.read_bytes() == b"old" and [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_no_folder_to_write_into(tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="cannot be written"):
        write_file(tmp_path / "nowhere" / "page.html", b"new")
