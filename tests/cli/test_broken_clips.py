"""Clips whose heads lie, and disks and folders that fail: one sentence, the right status, bounded memory and time."""

from __future__ import annotations

import importlib
import os
import resource
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parents[1] / "seeing"))
sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement
from small_files import gradients, write_frames

from timingcam.cli.main import main
from timingcam.showing import plots

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"
# No clip of a few kilobytes needs more: what the process grows by, and how long it takes on a busy machine.
MOST_MEMORY_MB, MOST_TIME_S = 300, 20.0


def measure(clip: str | Path, *more: str | Path, engine: Path = ENGINE) -> Result:
    words = ["measure", "--engine", str(engine), "--cylinder", "left", *map(str, more), "--", str(clip)]
    return CliRunner().invoke(main, words)


def assert_refused(result: Result, status: int, *named: str) -> None:
    assert (result.exit_code, result.stdout) == (status, ""), result.output
    words = result.stderr
    assert words.count("\n") == 1 and words.startswith("Found ") and words.endswith(".\n"), words
    assert all(name in words for name in named), words


def whole() -> tuple[bytearray, dict[str, int]]:
    """A small MP4 file, and where each of its boxes begins."""
    return bytearray(WHOLE), PLACES


def boxes(data: bytes, start: int, end: int) -> dict[str, int]:
    found = {}
    while start + 8 <= end:
        size, kind = struct.unpack(">I4s", data[start : start + 8])
        found[kind.decode("latin1")] = start
        if kind in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts"):
            found |= boxes(data, start + 8, start + size)
        start += size
    return found


@pytest.fixture(scope="module", autouse=True)
def _written(tmp_path_factory: pytest.TempPathFactory) -> None:
    global WHOLE, PLACES
    path = write_frames(tmp_path_factory.mktemp("whole") / "a.mp4", gradients(5), [0, 3000, 6000, 9000, 12000])
    WHOLE = path.read_bytes()
    PLACES = boxes(WHOLE, 0, len(WHOLE))


def edited(box: str, offset: int, content: bytes) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        data, places = whole()
        at = places[box] + offset
        data[at : at + len(content)] = content
        path.write_bytes(data)
        return path

    return write


def noise(box: str, offset: int, length: int) -> Callable[[Path], Path]:
    return edited(box, offset, np.random.default_rng(length).bytes(length))


def numbers(*values: int) -> bytes:
    return b"".join(struct.pack(">I", value) for value in values)


def many_of_one_byte(path: Path) -> Path:
    """Without a limit: 2000 million samples of a byte each, 50 GB of table."""
    data, places = whole()
    data[places["stsz"] + 12 : places["stsz"] + 20] = numbers(1, 0x7FFFFFF0)
    data[places["stsc"] + 20 : places["stsc"] + 24] = numbers(0x7FFFFFF0)
    path.write_bytes(data)
    return path


def many_in_a_fragment(path: Path) -> Path:
    """The same in a fragmented file."""
    with av.open(str(path), "w", options={"movflags": "frag_keyframe+empty_moov"}) as file:
        stream: Any = file.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for _ in range(3):
            file.mux(stream.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")))
        file.mux(stream.encode(None))
    data = bytearray(path.read_bytes())
    at = data.find(b"trun")
    data[at + 5 : at + 12] = b"\0\0\1" + numbers(0x7FFFFFF0)
    path.write_bytes(data)
    return path


def box(kind: bytes, content: bytes) -> bytes:
    return numbers(8 + len(content)) + kind + content


def names_of_notes(before: bytes) -> Callable[[Path], Path]:
    """Without a limit: 196 million names of notes, 1.6 GB of table; with what comes before the boxes of notes."""

    def write(path: Path) -> Path:
        handler = box(b"hdlr", numbers(0, 0) + b"mdta" + bytes(13))
        meta = box(b"meta", before + handler + box(b"keys", numbers(0, 0x0BB80000) + bytes(20)))
        data, places = whole()
        at = places["moov"]
        moov = data[at : at + struct.unpack(">I", data[at : at + 4])[0]]
        path.write_bytes(data[:at] + box(b"moov", moov[8:] + box(b"udta", meta)))
        return path

    return write


def nested(path: Path) -> Path:
    path.write_bytes(WHOLE[:32] + b"".join(struct.pack(">I4s", 8 * (20_000 - k), b"moov") for k in range(20_000)))
    return path


def one_frame(path: Path) -> Path:
    return write_frames(path, gradients(1), [0])


def no_key_frame(path: Path) -> Path:
    """The first picture, which all others build on, is blanked out."""
    data = bytearray(write_frames(path, gradients(12), [3000 * k for k in range(12)]).read_bytes())
    at = boxes(data, 0, len(data))["mdat"]
    size = struct.unpack(">I", data[boxes(data, 0, len(data))["stsz"] + 20 :][:4])[0]
    data[at + 8 : at + 8 + size] = bytes(size)
    path.write_bytes(data)
    return path


def times(*ticks: int) -> Callable[[Path], Path]:
    """Stamps as they stand in the file, in 1/90 000 s, whatever a player would make of them."""

    def write(path: Path) -> Path:
        frames = gradients(len(ticks))
        with av.open(str(path), "w", format="matroska") as file:
            stream: Any = file.add_stream("mjpeg", rate=30)
            stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
            for luma, tick in zip(frames, ticks, strict=True):
                rgb = np.repeat(luma[:, :, None], 3, axis=2)
                picture = av.VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format="yuvj420p")
                for packet in stream.encode(picture):
                    packet.pts = packet.dts = tick
                    packet.time_base = Fraction(1, 90_000)
                    file.mux(packet)
        return path

    return write


def beyond_8k(path: Path) -> Path:
    return write_frames(path, [np.full((4800, 8448), 90, np.uint8)], [0], options={"preset": "ultrafast", "crf": "40"})


def in_8k(path: Path) -> Path:
    luma = [np.full((4320, 7680), 90, np.uint8)] * 2
    return write_frames(path, luma, [0, 3000], options={"preset": "ultrafast", "crf": "40"})


# How to make a clip, the status, and words that the sentence must hold.
CLIPS: dict[str, tuple[Callable[[Path], Path], int, str]] = {
    "two thousand million samples": (many_of_one_byte, 2, "2147483632 samples in the head"),
    "a fragment of as many": (many_in_a_fragment, 2, "samples in the head"),
    "more sizes than the file has": (edited("stsz", 16, numbers(0x7FFFFFFF)), 2, "samples in the head"),
    "names of notes": (names_of_notes(numbers(0)), 2, "196608000 names of notes in the head"),
    "names of notes as in MOV": (names_of_notes(b""), 2, "196608000 names of notes in the head"),
    "times: two thousand million": (edited("stts", 16, numbers(0x7FFFFFFF)), 3, "5 frames"),
    "times that stand still": (edited("stts", 20, numbers(0)), 3, "frames; expected at least"),
    "times that leap": (edited("stts", 20, numbers(0x7FFFFFFF)), 3, "frames; expected at least"),
    "times that run backwards": (edited("stts", 20, numbers(0xFFFFFFFF)), 3, "frames; expected at least"),
    "ticks: none a second": (edited("mdhd", 20, numbers(0)), 2, "clip.mp4"),
    "ticks: all of them": (edited("mdhd", 20, numbers(0xFFFFFFFF)), 2, "clip.mp4"),
    "as long as can be": (edited("mdhd", 24, numbers(0xFFFFFFFF)), 3, "5 frames"),
    "begins before the beginning": (edited("elst", 20, numbers(0x80000000)), 2, "clip.mp4"),
    "size in the head 65535": (edited("stsd", 48, b"\xff\xff\xff\xff"), 3, "5 frames"),
    "encrypted": (edited("stsd", 20, b"encv"), 2, "unknown, or encrypted"),
    "unknown coding": (edited("stsd", 20, b"zzzz"), 2, "unknown, or encrypted"),
    "noise for pictures": (noise("mdat", 8, 800), 2, "cannot be decoded"),
    "noise for its turn": (noise("tkhd", 48, 36), 3, "5 frames"),
    "noise for a box": (noise("stbl", 8, 300), 2, "clip.mp4"),
    "boxes within boxes": (nested, 2, "clip.mp4"),
    "a box beyond the end": (edited("mdat", 0, numbers(1)), 2, "clip.mp4"),
    "one frame": (one_frame, 3, "1 frame"),
    "no key frame": (no_key_frame, 2, "clip.mp4"),
    "stamps repeated": (times(*[0] * 12), 3, "frames; expected at least"),
    "negative stamps": (times(*range(-36_000, 0, 3000)), 3, ""),
    "stamps of centuries": (times(*range(0, 12 * 90_000 * 86_400 * 3650, 90_000 * 86_400 * 3650)), 3, ""),
    "8K is read": (in_8k, 3, "2 frames"),
    "beyond 8K": (beyond_8k, 2, "8448 x 4800"),
}


@pytest.mark.parametrize("kind", CLIPS)
def test_heads_that_lie(kind: str, tmp_path: Path) -> None:
    make, status, words = CLIPS[kind]
    clip = make(tmp_path / "clip.mp4")
    memory_kb, began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.monotonic()
    result = measure(clip, "--out", tmp_path / "result")
    assert_refused(result, status, words)
    assert time.monotonic() - began < MOST_TIME_S
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory_kb) / 1024
    # 50 MB a picture, for each of the decoder's threads one or two.
    assert grown_mb < MOST_MEMORY_MB + (1000 if "8K" in kind else 0)
    left = {p.name for p in tmp_path.iterdir()}
    # Of a clip that can be looked at, the picture that the refusal names; else nothing.
    assert left - {"result-refused.png"} == {"clip.mp4"}
    assert ("result-refused.png" in left) == ("result-refused.png" in result.stderr)
    assert status == 3 or "result-refused.png" not in left


NOBODY = 65534  # the user id that owns nothing


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may become somebody else; test_measure.py has the rest")
def test_as_somebody_who_may_not_read_or_write(tmp_path: Path) -> None:
    """Root may read everything, so the command runs as nobody."""
    clip = write_frames(tmp_path / "clip.mp4", gradients(2), [0, 3000])
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    # Not the project's own: that may lie where nobody else may look.
    engine = tmp_path / "engine.toml"
    engine.write_bytes(ENGINE.read_bytes())
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    (closed / "engine.toml").write_bytes(ENGINE.read_bytes())
    (closed / "clip.mp4").write_bytes(clip.read_bytes())
    assert_refused(measure(clip, "--out", tmp_path / "result"), 3, "2 frames")  # loads all that is loaded late
    ways = [(above, above.stat().st_mode) for above in [tmp_path, *tmp_path.parents]]
    ways = [(above, mode) for above, mode in ways if mode & 0o055 != 0o055]
    try:
        for above, mode in ways:
            above.chmod(mode | 0o055)  # its group is still root
        for mode, out, said in ((0o000, "open/result", "cannot be read"), (0o444, "result", "cannot be written")):
            clip.chmod(mode)
            os.seteuid(NOBODY)
            try:
                result = measure(clip, "--out", tmp_path / out, engine=engine)
            finally:
                os.seteuid(0)
            assert_refused(result, 2, said)
        for words in (
            {"clip": clip, "engine": closed / "engine.toml"},
            {"clip": closed / "clip.mp4", "engine": engine},
        ):
            os.seteuid(NOBODY)
            try:
                result = measure(words["clip"], "--out", tmp_path / "open" / "result", engine=words["engine"])
            finally:
                os.seteuid(0)
            assert_refused(result, 2, "Permission denied", "closed")
    finally:
        for above, mode in ways:
            above.chmod(mode)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4", "closed", "engine.toml", "open"]
    assert list((tmp_path / "open").iterdir()) == []


@pytest.fixture
def _measured_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.import_module("timingcam.measure"), "measure", lambda *_: make_measurement())


@pytest.mark.usefixtures("_measured_at_once")
def test_a_disk_that_fills_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the middle of the result's files; an old result stays."""

    def full(*_: object, **__: object) -> bytes:
        raise OSError(28, "No space left on device")

    out = tmp_path / "result"
    out.mkdir()
    (out / "result.json").write_text("old")
    monkeypatch.setattr(plots, "picture_bytes", full)
    assert_refused(measure("clip.mp4", "--out", out, "--replace"), 2, "No space left on device", "room")
    assert (out / "result.json").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["result"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_a_real_disk_that_is_full(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)], capture_output=True).returncode:
        pytest.skip("nothing may be mounted here")
    script = (
        "import sys; sys.path.insert(0, sys.argv[1]); from made_measurement import make_measurement\n"
        "from timingcam.showing.results import save; from timingcam.cli.faults import guard\n"
        "sys.exit(guard(lambda: save(make_measurement(), sys.argv[2]) and 0))"
    )
    try:
        result = subprocess.run(
            [sys.executable, "-c", script, str(ROOT / "tests" / "showing"), str(disk / "result")],
            capture_output=True, text=True, timeout=120, cwd=ROOT,
        )  # fmt: skip
        assert (result.returncode, list(disk.iterdir())) == (2, [])
        assert "No space left on device" in result.stderr and result.stderr.count("\n") == 1
    finally:
        subprocess.run(["umount", str(disk)], check=True)
