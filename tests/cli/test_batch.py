"""`timingcam batch` from the outside: the list and its faults, a folder of clips, how it ends."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parents[1] / "batch"))

from made_work import ENGINE

import timingcam.batch.run
from timingcam.batch.job import Job, Outcome
from timingcam.cli.main import main
from timingcam.measure import Options

HEADER = "clip,engine,cylinder,strobe_delay,mark,rpm\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with an engine file and two files that only their names make clips."""
    (tmp_path / "engine.toml").write_bytes(ENGINE.read_bytes())
    for name in ("left.mp4", "right.mov"):
        (tmp_path / name).write_text("no clip")
    return tmp_path


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Job]:
    """The jobs that the command asks for; none of them is measured."""
    jobs: list[Job] = []

    def note(given: list[Job], *_: object) -> tuple[Outcome, ...]:
        jobs.extend(given)
        return tuple(Outcome(job, "failed", 2, "not measured") for job in given)

    monkeypatch.setattr(timingcam.batch.run, "run_batch", note)
    monkeypatch.setattr("timingcam.cli.batch._write", lambda *_: "{}")
    return jobs


def batch(what: Path, *more: str, out: str = "out") -> Result:
    words = ["batch", str(what), "--out", str(what.parent / out), *more]
    return CliRunner().invoke(main, words)


def assert_refused(result: Result, *named: str) -> None:
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    words = result.stderr
    assert words.count("\n") == 1 and words.startswith("Found ") and words.endswith(".\n"), words
    assert all(name in words for name in named), words


def write(folder: Path, text: str) -> Path:
    path = folder / "list.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_list(folder: Path, asked: list[Job]) -> None:
    (folder / "rpm.csv").write_text("time_s,rpm\n0,1000\n1,1000\n")
    text = "\ufeff" + HEADER + (
        "left.mp4,engine.toml,left,40,,\n"
        "\n"
        '" right.mov ",engine.toml,right,,"1F@10,20;1T@30,40",rpm.csv\n'
        "sub/none.mp4,engine.toml,left,,,3000\n"
    )  # fmt: skip
    result = batch(write(folder, text), "--strobe-delay", "25", "--dial", "3")
    assert result.exit_code == 2
    assert [job.clip for job in asked] == [folder / "left.mp4", folder / "right.mov", folder / "sub" / "none.mp4"]
    assert [job.cylinder for job in asked] == ["left", "right", "left"]
    options = [job.options for job in asked]
    assert [one.strobe.dial_deg for one in options] == [3, 3, 3]
    assert [round(1e6 * (one.strobe.delay_s or 0)) for one in options] == [40, 25, 25]
    assert options[1].pointed.marks_px == (("1F", 10, 20), ("1T", 30, 40))
    assert [one.rpm for one in options] == [None, folder / "rpm.csv", 3000]


def test_what_all_rows_share_may_stand_on_the_command_line(folder: Path, asked: list[Job]) -> None:
    batch(write(folder, "clip\nleft.mp4\n"), "--engine", str(ENGINE), "--cylinder", "left")
    assert [(job.shown, job.cylinder, job.options) for job in asked] == [("left.mp4", "left", Options())]


# A list that cannot be used, and the words by which its sentence names the place.
FAULTS = {
    "empty": ("", ("list.csv", "row 1", "'clip'")),
    "no rows": (HEADER, ("no row", "list.csv")),
    "no clip column": ("engine,cylinder\nengine.toml,left\n", ("row 1", "'clip'")),
    "no engine column": ("clip,cylinder\nleft.mp4,left\n", ("row 1", "'engine'", "--engine")),
    "unknown column": ("clip,engine,cylinder,strobe-delay\n", ("row 1", "'strobe-delay'", "write strobe_delay")),
    "nameless column": ("clip,engine,cylinder,\n", ("row 1", "without a name")),
    "column twice": ("clip,engine,cylinder,clip\n", ("row 1", "'clip' twice")),
    "too few values": (HEADER + "left.mp4,engine.toml,left\n", ("row 2", "3 values", "6")),
    "too many values": (HEADER + "left.mp4,engine.toml,left,,,,,\n", ("row 2", "8 values")),
    "no clip": (HEADER + ",engine.toml,left,,,\n", ("row 2", "clip", "empty cell")),
    "no engine": (HEADER + "left.mp4,,left,,,\n", ("row 2", "engine", "empty cell")),
    "no cylinder": (HEADER + "left.mp4,engine.toml,,,,\n", ("row 2", "cylinder", "empty cell")),
    "missing engine": (HEADER + "left.mp4,none.toml,left,,,\n", ("row 2, engine", "none.toml")),
    "unusable engine": (HEADER + "left.mp4,left.mp4,left,,,\n", ("row 2, engine", "left.mp4")),
    "other cylinder": (HEADER + "left.mp4,engine.toml,middle,,,\n", ("row 2, cylinder", "'middle'", "left, right")),
    "no number": (HEADER + "left.mp4,engine.toml,left,40,,\nleft.mp4,engine.toml,left,forty,,\n",
                  ("row 3, strobe_delay", "forty")),
    "beyond its limits": (HEADER + "left.mp4,engine.toml,left,-1,,\n", ("row 2, strobe_delay", "-1")),
    "no mark": (HEADER + "left.mp4,engine.toml,left,,1F,\n", ("row 2, mark", "NAME@X,Y")),
    "no speed": (HEADER + "left.mp4,engine.toml,left,,,-5\n", ("row 2, rpm", "-5")),
    "after a row of two lines": (HEADER + '"a\nb.mp4",engine.toml,left,,,\nleft.mp4,engine.toml,left,x,,\n',
                                 ("row 4, strobe_delay",)),
    "open quote": (HEADER + 'left.mp4,"engine.toml,left,,,\n', ("row", "comma-separated")),
}  # fmt: skip


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_of_the_list_names_row_and_column(kind: str, folder: Path, asked: list[Job]) -> None:
    text, named = FAULTS[kind]
    assert_refused(batch(write(folder, text)), *named)
    assert asked == [] and not (folder / "out").exists()


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"\x00" * 100, b"clip\n" + b"x" * 200_000])
def test_what_is_no_list(content: bytes, folder: Path) -> None:
    (folder / "list.csv").write_bytes(content)
    assert_refused(batch(folder / "list.csv", "--engine", str(ENGINE), "--cylinder", "left"), "list.csv")


def test_a_list_that_is_not_there_or_is_a_pipe(folder: Path) -> None:
    assert_refused(batch(folder / "none.csv"), "none.csv")
    os.mkfifo(folder / "pipe.csv")
    assert_refused(batch(folder / "pipe.csv"), "pipe.csv")


def test_a_folder_of_clips_named_after_their_cylinders(folder: Path, asked: list[Job]) -> None:
    for name in ("2nd LEFT take.MP4", "b_right-1.mkv", ".hidden-left.mp4", "left.txt", "left.scene.toml"):
        (folder / name).write_text("x")
    assert CliRunner().invoke(main, ["batch", str(folder), "--out", str(folder / "out")]).exit_code == 2
    assert [(job.shown, job.cylinder) for job in asked] == [
        ("2nd LEFT take.MP4", "left"), ("b_right-1.mkv", "right"), ("left.mp4", "left"), ("right.mov", "right"),
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["leftover.mp4", "left and right.mp4", "take 3.mp4"])
def test_a_clip_named_after_no_one_cylinder(name: str, folder: Path, asked: list[Job]) -> None:
    (folder / name).write_text("x")
    words = ["batch", str(folder), "--out", str(folder / "out")]
    assert_refused(CliRunner().invoke(main, words), name, "--cylinder")
    CliRunner().invoke(main, [*words, "--cylinder", "right"])
    assert {job.cylinder for job in asked} == {"right"}


def test_a_folder_without_engine_file_or_clips(tmp_path: Path) -> None:
    words = ["batch", str(tmp_path), "--out", str(tmp_path / "out")]
    assert_refused(CliRunner().invoke(main, words), "no engine file", "--engine")
    assert_refused(CliRunner().invoke(main, [*words, "--engine", str(ENGINE)]), "no clip")


@pytest.mark.parametrize("words", [["--upload"], ["--jobs", "2", "--cluster", "tcp://127.0.0.1:9"]], ids=" ".join)
def test_words_that_contradict_each_other(words: list[str], folder: Path) -> None:
    assert_refused(batch(write(folder, "clip\nleft.mp4\n"), *words), words[0])


def test_clips_that_are_none_are_listed_and_the_batch_is_whole(folder: Path) -> None:
    """Real processes and a real folder; nothing in it can be decoded, so that nothing takes long."""
    text = HEADER + "left.mp4,engine.toml,left,,,\nnone.mp4,engine.toml,left,,,\n[red]\x1b.mp4,engine.toml,left,,,\n"
    result = batch(write(folder, text), "--jobs", "1")
    assert result.exit_code == 2 and result.stderr == "" and "Traceback" not in result.output
    words = " ".join(result.stdout.split())
    for part in ("0 of 3 clips measured, 3 failed", "cannot be decoded", "no file 'none.mp4'", "[red]\\x1b.mp4",
                 "Keep hands, tools, leads and the phone well away", "Written: "):  # fmt: skip
        assert part in words
    assert sorted(p.name for p in (folder / "out").iterdir()) == ["batch.csv", "batch.json", "batch.png"]
    content = json.loads((folder / "out" / "batch.json").read_text())
    assert [row["state"] for row in content["clips"]] == ["failed"] * 3
