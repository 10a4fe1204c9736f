"""The bench log: only added to, whole after a crash, two writers at once, a full disk."""

from __future__ import annotations

import datetime
import json
import multiprocessing
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.errors import CannotUse
from timingcam.keeping import store
from timingcam.keeping.entry import Entry, Figure
from timingcam.keeping.store import append, read_log


def entry(sha: str = "a", note: str = "", cylinder: str = "left") -> Entry:
    return Entry(
        format="timingcam-log/1",
        date=datetime.date(2026, 5, 3),
        engine="Brindle 410 twin",
        cylinder=cylinder,
        verdict="in",
        low_speed_advance_deg=Figure(value=9.0, sd=0.2, low=8.6, high=9.4),
        full_advance_deg=None,
        starts_rpm=None,
        full_rpm=None,
        scatter_deg=None,
        hysteresis_deg=None,
        moved=("base plate +1 division",),
        note=note,
        clip="left.mp4",
        sha256=sha,
        folder="left-before",
    )


def test_what_was_added_is_read_in_order(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    assert [append(path, entry(str(i))) for i in range(3)] == [1, 2, 3]
    assert [one.sha256 for one in read_log(path).entries] == ["0", "1", "2"]
    assert read_log(path).entries[1] == entry("1")


def test_it_is_a_text_that_a_person_can_read(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    append(path, entry(note="rotor off, cleaned: 40 °C"))
    (line,) = path.read_text(encoding="utf-8").splitlines()
    assert "2026-05-03" in line and "rotor off, cleaned: 40 °C" in line
    assert json.loads(line)["format"] == "timingcam-log/1"


def test_a_log_from_before_limits_were_kept_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    data = json.loads(entry("old").line())
    for key in ("low_speed_limits_deg", "full_limits_deg"):
        del data[key]
    path.write_text(json.dumps(data) + "\n", encoding="utf-8")
    append(path, entry("new").model_copy(update={"full_limits_deg": (33.0, 37.0)}))
    old, new = read_log(path).entries
    assert old.point().full_limits_deg is None and new.point().full_limits_deg == (33.0, 37.0)


@given(st.text(max_size=60))
def test_any_note_survives(note: str) -> None:
    if any("\ud800" <= c <= "\udfff" for c in note):
        return  # no text that a terminal can give
    line = entry(note=note).line()
    assert line.count("\n") == 1
    assert Entry.model_validate_json(line).note == note


@pytest.mark.parametrize("kept", [1, 30, 200])
def test_crash_while_writing(tmp_path: Path, kept: int) -> None:
    path = tmp_path / "log.jsonl"
    append(path, entry("first"))
    whole = path.read_bytes()
    path.write_bytes(whole + entry("torn").line().encode()[:kept])
    log = read_log(path)
    assert [one.sha256 for one in log.entries] == ["first"]
    assert "Line 2" in log.unreadable[0] and "cut short" in log.unreadable[0]
    assert append(path, entry("next")) == 2
    log = read_log(path)
    assert [one.sha256 for one in log.entries] == ["first", "next"]
    assert len(log.unreadable) == 1 and path.read_bytes().startswith(whole)


def test_crash_just_before_the_line_end_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_bytes(entry("first").line().encode()[:-1])
    append(path, entry("second"))
    log = read_log(path)
    assert [one.sha256 for one in log.entries] == ["first", "second"] and not log.unreadable


def _write_many(path: Path, who: str, n: int) -> None:
    for i in range(n):
        append(path, entry(f"{who}{i}"))


def test_two_programs_at_once(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    context = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
    writers = [context.Process(target=_write_many, args=(path, who, 25)) for who in "abc"]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
        assert writer.exitcode == 0
    log = read_log(path)
    assert not log.unreadable
    assert {one.sha256 for one in log.entries} == {f"{who}{i}" for who in "abc" for i in range(25)}


def test_log_held_by_another_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.jsonl"
    append(path, entry("first"))
    monkeypatch.setattr(store, "WAIT_S", 0.1)
    monkeypatch.setattr(store, "_try_lock", lambda handle: False)
    with pytest.raises(CannotUse, match="held by another program"):
        append(path, entry("second"))


def test_full_disk_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.jsonl"
    append(path, entry("first"))
    before = path.read_bytes()
    real = os.write
    calls = []

    def full(handle: int, data: bytes) -> int:
        calls.append(len(data))
        if len(calls) == 1:
            return real(handle, data[:40])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store.os, "write", full)
    with pytest.raises(CannotUse, match="No space left"):
        append(path, entry("second"))
    monkeypatch.undo()
    assert len(calls) == 2 and path.read_bytes() == before


def test_same_clip_twice_is_refused_unless_meant(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    append(path, entry("a"))
    with pytest.raises(CannotUse, match=r"already, number 1 of 2026-05-03"):
        append(path, entry("a"))
    assert append(path, entry("a", cylinder="right")) == 2  # one clip may show both
    assert append(path, entry("a"), again=True) == 3


def test_strange_lines_are_told(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text('{"format": "timingcam-log/9"}\n\n' + entry("a").line() + "scribble\n", encoding="utf-8")
    log = read_log(path)
    assert [one.sha256 for one in log.entries] == ["a"]
    assert [sentence[:6] for sentence in log.unreadable] == ["Line 1", "Line 4"]


def test_refusals(tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="no readable bench log"):
        read_log(tmp_path / "none.jsonl")
    with pytest.raises(CannotUse, match="no readable bench log"):
        read_log(tmp_path)
    with pytest.raises(CannotUse, match="cannot be written to"):
        append(tmp_path / "nowhere" / "log.jsonl", entry())
