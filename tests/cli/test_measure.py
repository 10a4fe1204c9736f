"""`timingcam measure` from the outside: what it writes, prints and refuses, and how it ends."""

from __future__ import annotations

import csv
import hashlib
import importlib
import io
import json
import os
import shlex
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parents[1]))

from conftest import MadeOnce, SmallClip

import timingcam.measure
from timingcam.cli.main import main
from timingcam.errors import CannotMeasure
from timingcam.seeing.best_frame import BestFrame
from timingcam.showing.results import FILES

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"


def measure(clip: str | Path, *more: str | Path, engine: Path = ENGINE) -> Result:
    words = ["measure", "--engine", str(engine), "--cylinder", "left", *map(str, more), "--", str(clip)]
    return CliRunner().invoke(main, words)


def assert_refused(result: Result, status: int, *named: str) -> None:
    """One sentence on standard error, nothing on standard output, the status."""
    assert result.exit_code == status, result.output
    assert result.stdout == ""
    words = result.stderr
    assert words.count("\n") == 1 and words.startswith("Found ") and words.endswith(".\n"), words
    assert all(name in words for name in named), words


def write_clip(path: Path, frames: int = 2) -> Path:
    """A whole and well-formed clip of noise, too short to be measured."""
    rng = np.random.default_rng(1)
    with av.open(str(path.absolute()), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number in range(frames):
            frame = av.VideoFrame.from_ndarray(rng.integers(0, 255, (48, 64, 3), np.uint8), format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_sound(path: Path) -> Path:
    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 44100
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_picture(path: Path) -> Path:
    path.write_bytes(cv2.imencode(".png", np.zeros((48, 64, 3), np.uint8))[1].tobytes())
    return path


def write_bytes(content: bytes) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        path.write_bytes(content)
        return path

    return write


def make_folder(path: Path) -> Path:
    path.mkdir()
    return path


def make_pipe(path: Path) -> Path:
    os.mkfifo(path)
    return path


def write_half(path: Path) -> Path:
    """A clip cut off before its index, which cameras write last."""
    whole = write_clip(path, 20).read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    return path


# Clips that cannot be used: how to make one, and a word that the sentence must hold.
USELESS: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (lambda path: path, "no file"),
    "empty": (write_bytes(b""), "empty"),
    "text": (write_bytes(b"time_s,rpm\n0,1200\n" * 50), "clip.mp4"),
    "random": (write_bytes(np.random.default_rng(3).bytes(20_000)), "clip.mp4"),
    "zeros": (write_bytes(bytes(20_000)), "clip.mp4"),
    "picture": (write_picture, "clip.mp4"),
    "sound": (write_sound, "no video"),
    "cut off": (write_half, "clip.mp4"),
    "folder": (make_folder, "clip.mp4"),
    "pipe": (make_pipe, "clip.mp4"),
}

NAMES = [
    "with spaces in it.mp4",
    "zündung – прогрев 点火.mp4",
    "-dash.mp4",
    "12:30.mp4",
    "http:no.mp4",
    "concat:a|b.mp4",
    "take-%03d.mp4",
    "[bold]red.mp4",
    "two\nlines.mp4",
    "no ending",
    "n" * 251 + ".mp4",
    os.fsdecode(b"not-\xff-text.mp4"),
]


@pytest.mark.parametrize("kind", USELESS)
def test_useless_clips(kind: str, tmp_path: Path) -> None:
    make, word = USELESS[kind]
    clip = make(tmp_path / "clip.mp4")
    before = sorted(tmp_path.iterdir())
    assert_refused(measure(clip, "--out", tmp_path / "result"), 2, word)
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_unreadable_clip(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4")
    clip.chmod(0)
    assert_refused(measure(clip, "--out", tmp_path / "result"), 2, "cannot be read")


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_unusual_names_are_read(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Too short a clip is refused for its length: so it was found, opened and decoded."""
    write_clip(tmp_path / "plain.mp4").rename(tmp_path / name)
    monkeypatch.chdir(tmp_path)
    assert_refused(measure(name, "--out", "result"), 3, "2 frames")
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_clip_is_only_read(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4")
    clip.chmod(0o444)
    before = hashlib.sha256(clip.read_bytes()).digest(), clip.stat().st_mtime_ns
    measure(clip, "--out", tmp_path / "result")
    assert (hashlib.sha256(clip.read_bytes()).digest(), clip.stat().st_mtime_ns) == before


def test_an_engine_file_that_cannot_be_used(tmp_path: Path) -> None:
    clip, engine = write_clip(tmp_path / "clip.mp4"), tmp_path / "engine.toml"
    engine.write_text("format = 1\nnam = 'x'\n")
    assert_refused(measure(clip, "--out", tmp_path / "result", engine=engine), 2, "nam")
    assert_refused(measure(clip, "--out", tmp_path / "result", engine=tmp_path / "none.toml"), 2, "none.toml")


def test_an_unknown_cylinder(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4")
    result = CliRunner().invoke(
        main, ["measure", str(clip), "--engine", str(ENGINE), "--cylinder", "middle", "--out", str(tmp_path / "r")]
    )
    assert_refused(result, 2, "middle", "left", "right")


def test_an_unknown_mark(tmp_path: Path) -> None:
    """Told before minutes are spent: the clip need not even be there."""
    assert_refused(measure("none.mp4", "--out", tmp_path / "r", "--mark", "Q@600,120"), 2, "'Q'", "T, S, A")


@pytest.mark.parametrize(
    "words",
    [
        ["--strobe-delay", "-1"],
        ["--strobe-delay", "nan"],
        ["--strobe-delay", "inf"],
        ["--strobe-delay", "forty"],
        ["--strobe-delay", "0.04s"],
        ["--strobe-delay-sd", "-1"],
        ["--dial", "-3"],
        ["--dial", "nan"],
        ["--capture-fps", "0"],
        ["--capture-fps", "-240"],
        ["--line-time", "0"],
        ["--line-time", "inf"],
        ["--exposure", "-0.01"],
        ["--exposure", "0"],
        ["--rpm", "0"],
        ["--rpm", "-1200"],
        ["--rpm", "nan"],
        ["--rpm", "1e9"],
        ["--centre", "640"],
        ["--centre", "640,360,1"],
        ["--centre", "nan,3"],
        ["--centre", "640;360"],
        ["--index", "-1,3"],
        ["--index", "inf,3"],
        ["--mark", "640,100"],
        ["--mark", "@640,100"],
        ["--mark", "A@640"],
    ],
    ids=" ".join,
)
def test_values_beyond_sense(words: list[str], tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4")
    assert_refused(measure(clip, "--out", tmp_path / "result", *words), 2, *words[:1])


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ([], "--out FOLDER"),
        (["--csv", "--json"], "--csv"),
        (["--csv", "--explain"], "--explain"),
        (["--explain"], "--out FOLDER"),
    ],
    ids=str,
)
def test_words_that_contradict_each_other(words: list[str], named: str, tmp_path: Path) -> None:
    assert_refused(measure(write_clip(tmp_path / "clip.mp4"), *words), 2, named)


@pytest.fixture
def never_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    def measured(*_: object) -> None:
        pytest.fail("measured although the result cannot be written")

    monkeypatch.setattr(sys.modules["timingcam.measure"], "measure", measured)


@pytest.mark.usefixtures("never_measured")
def test_a_folder_in_the_way_is_told_before_minutes_are_spent(tmp_path: Path) -> None:
    clip, out = write_clip(tmp_path / "clip.mp4"), make_folder(tmp_path / "result")
    assert_refused(measure(clip, "--out", out), 2, "'result', which exists already")
    (out / "diary.txt").write_text("mine")
    assert_refused(measure(clip, "--out", out, "--replace"), 2, "diary.txt")
    (tmp_path / "file").write_text("mine")
    assert_refused(measure(clip, "--out", tmp_path / "file", "--replace"), 2, "a file 'file'")
    assert_refused(measure(clip, "--out", tmp_path / "file" / "below"), 2, "below")
    assert (out / "diary.txt").read_text() == "mine" and (tmp_path / "file").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4", "file", "result"]


@pytest.mark.usefixtures("never_measured")
@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder in which nobody can write")
def test_a_place_where_nobody_can_write(tmp_path: Path) -> None:
    assert_refused(measure(write_clip(tmp_path / "clip.mp4"), "--out", "/proc/result"), 2, "/proc/result")


@pytest.mark.parametrize(
    ("fault", "status", "words"),
    [
        (CannotMeasure(found="no flash", expected="20", do="film"), 3, "Found no flash; expected 20; film.\n"),
        (KeyboardInterrupt(), 130, "Interrupted.\n"),
        (ZeroDivisionError("division by zero"), 1, "This is a fault of timingcam"),
    ],
    ids=["cannot measure", "interrupted", "fault"],
)
def test_whatever_ends_it_an_old_result_stays(
    fault: BaseException, status: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise fault

    monkeypatch.setattr(sys.modules["timingcam.measure"], "measure", broken)
    clip, out = write_clip(tmp_path / "clip.mp4"), make_folder(tmp_path / "result")
    (out / "result.json").write_text("old")
    result = measure(clip, "--out", out, "--replace")
    assert (result.exit_code, result.stdout) == (status, "")
    assert result.stderr.lstrip("\n").startswith(words)
    assert (out / "result.json").read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4", "result"]


def test_what_is_given_arrives_in_the_library_in_its_units(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[object] = []

    def note(*given: object) -> None:
        seen.extend(given)
        raise CannotMeasure(found="a", expected="b", do="c")

    monkeypatch.setattr(sys.modules["timingcam.measure"], "measure", note)
    words = shlex.split(
        "--strobe-delay 40 --dial 5 --capture-fps 240 --line-time 18.5 --exposure 8300 --rpm 3000 --centre 640,360.5 "
        "--index 641,100 --mark A@600,120 --mark 1@F@500,90"
    )
    measure("clip.mp4", "--out", tmp_path / "result", *words)
    clip, engine, cylinder, options, progress = seen
    assert (clip, engine.name, cylinder, progress) == (Path("clip.mp4"), "Brindle 410 twin", "left", None)  # type: ignore[attr-defined]
    assert isinstance(options, timingcam.Options)
    assert options.strobe.delay_s == pytest.approx(40e-6, rel=1e-12)
    assert options.strobe.late_sd_s == pytest.approx(4e-6, rel=1e-12)
    assert options.strobe.dial_deg == 5 and options.capture_fps == 240 and options.rpm == 3000
    assert options.line_time_s == pytest.approx(18.5e-6, rel=1e-12)
    assert options.exposure_s == pytest.approx(8.3e-3, rel=1e-12)
    assert options.pointed == timingcam.Pointed((640, 360.5), (641, 100), (("A", 600, 120), ("1@F", 500, 90)))


def test_the_delay_s_own_doubt_counts_where_it_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[timingcam.Options] = []

    def note(_clip: Path, _engine: object, _cylinder: str, options: timingcam.Options, _progress: object) -> None:
        seen.append(options)
        raise CannotMeasure(found="a", expected="b", do="c")

    monkeypatch.setattr(sys.modules["timingcam.measure"], "measure", note)
    measure("clip.mp4", "--out", tmp_path / "a", "--strobe-delay", "40", "--strobe-delay-sd", "0")
    measure("clip.mp4", "--out", tmp_path / "b", "--rpm", "log.csv")
    assert seen[0].strobe.delay_sd_s == 0
    assert seen[1].rpm == Path("log.csv")


# One whole measurement, looked at from all sides.


@dataclass(frozen=True, slots=True)
class Done:
    """How one measurement ended, and the folder that it wrote."""

    exit_code: int
    stdout: str
    stderr: str
    out: Path


@pytest.fixture(scope="module")
def done(small_clip: SmallClip, made_once: MadeOnce) -> Done:
    def make() -> tuple[int, str, str, Path]:
        out = made_once.folder / "measured-by-command" / "result"
        out.parent.mkdir()
        result = measure(small_clip.path, "--out", out, "--strobe-delay", f"{small_clip.strobe_delay_us}", "--explain")
        return result.exit_code, result.stdout, result.stderr, out

    return Done(*made_once("done", make))


def test_it_writes_the_files_that_the_formats_page_names(done: Done) -> None:
    assert done.exit_code == 0, done.stderr
    assert sorted(p.name for p in done.out.iterdir()) == sorted(FILES)
    assert [p.name for p in done.out.parent.iterdir()] == ["result"]


def test_it_prints_figures_verdict_budget_and_cautions(done: Done) -> None:
    words = " ".join(done.stdout.split())
    for part in ("Brindle 410 twin, left cylinder", "Full advance", "95 %", "Where the doubt of the advance comes from",
                 "Keep hands, tools, leads and the phone well away", "Written: "):  # fmt: skip
        assert part in words
    assert done.stderr == ""


def test_readings_agree_with_the_truth(done: Done, small_clip: SmallClip) -> None:
    with small_clip.truth_csv.open(encoding="utf-8", newline="") as file:
        sparks = [row for row in csv.DictReader(file) if row["missed"] == "no"]
    true_s, true_deg = (np.array([float(row[key]) for row in sparks]) for key in ("time_s", "advance_deg"))
    with (done.out / "readings.csv").open(encoding="utf-8", newline="") as file:
        used = [row for row in csv.DictReader(file) if row["used"] == "yes"]
    time_s, advance_deg = (np.array([float(row[key]) for row in used]) for key in ("time_s", "advance_deg"))
    nearest = np.abs(true_s[:, None] - time_s).argmin(axis=0)
    # Flashes are at least 20 ms apart (one spark in two turns at 6000 rpm): a tenth of that names the spark.
    assert np.abs(true_s[nearest] - time_s).max() < 2e-3
    result = json.loads((done.out / "result.json").read_text())
    systematic = [row["effect_deg"] for row in result["budget"] if row["kind"] == "systematic"]
    # The mean error is systematic doubt only, which the budget states: 3 of it, as one clip is one draw.
    assert abs(np.median(advance_deg - true_deg[nearest])) < 3 * np.hypot.reduce(systematic)


def test_two_runs_give_the_same_readings_and_replace_replaces(
    done: Done, small_clip: SmallClip, tmp_path: Path
) -> None:
    out = tmp_path / "again"
    shutil.copytree(done.out, out)
    (out / "readings.csv").write_text("old")
    result = measure(
        small_clip.path, "--out", out, "--replace", "--csv", "--strobe-delay", f"{small_clip.strobe_delay_us}"
    )
    assert result.exit_code == 0
    assert result.stdout == (done.out / "readings.csv").read_text() == (out / "readings.csv").read_text()
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert list(rows[0])[:5] == ["time_s", "rpm", "rpm_sd", "advance_deg", "advance_sd_deg"]


@pytest.mark.slow
def test_json_alone_on_standard_output(small_clip: SmallClip) -> None:
    result = measure(small_clip.path, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["format"] == "timingcam-result/1"


def test_a_refusal_names_its_picture_in_the_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        refusal = CannotMeasure(found="no lines", expected="marks", do="paint the marks")
        refusal.best_frame = BestFrame(0, np.zeros((48, 64), np.uint8), None)
        raise refusal

    monkeypatch.setattr(importlib.import_module("timingcam.measure"), "measure", refuse)
    clip = write_clip(tmp_path / "clip.mp4")
    assert_refused(measure(clip, "--out", tmp_path / "result", "--quiet"), 3, "paint the marks", "result-refused.png")
    assert not (tmp_path / "result").exists()
    assert cv2.imread(str(tmp_path / "result-refused.png")) is not None
    (tmp_path / "other-refused.png").mkdir()
    assert_refused(measure(clip, "--out", tmp_path / "other", "--quiet"), 3, "no picture of the best frame")
    # On standard output nobody asks for a file.
    assert_refused(measure(clip, "--json", "--quiet"), 3, "paint the marks.")
