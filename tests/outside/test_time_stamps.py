"""Frames' time stamps and the way up, against ffprobe (FFmpeg's own reader, as Debian ships it)."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "seeing"))

from small_files import gradients, write_frames

from timingcam.seeing.clip import frames, open_clip
from timingcam.staging.container import display_matrix, write_display_matrix

needs_ffprobe = pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")

STAMPS = {
    "even": [3000 * k for k in range(12)],
    "from half a second on": [45_000 + 3000 * k for k in range(12)],
    "milliseconds": [90 * round(1000 * k / 60) for k in range(12)],
    "a frame missing": [3000 * k for k in (0, 1, 2, 4, 5, 6)],
    "variable": [0, 1500, 3300, 6000, 9900, 12_000],
}


def probed(path: Path, entries: str) -> Any:
    ask = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", entries, "-of", "json", str(path)]
    return json.loads(subprocess.run(ask, capture_output=True, text=True, check=True, timeout=30).stdout)


@needs_ffprobe
@pytest.mark.parametrize("ending", [".mp4", ".mov", ".mkv"])
@pytest.mark.parametrize("ticks", STAMPS.values(), ids=STAMPS)
def test_stamps(tmp_path: Path, ticks: list[int], ending: str) -> None:
    path = write_frames(tmp_path / f"a{ending}", gradients(len(ticks)), ticks)
    theirs = [float(frame["pts_time"]) for frame in probed(path, "frame=pts_time")["frames"]]
    ours = [frame.stamp_s for frame in frames(open_clip(path))]
    # ffprobe prints microseconds.
    assert ours == pytest.approx(theirs, abs=0.6e-6)


@needs_ffprobe
def test_the_small_clip(small_clip) -> None:  # type: ignore[no-untyped-def]
    """A rendered clip with sound, as a phone writes it."""
    theirs = [float(frame["pts_time"]) for frame in probed(small_clip.path, "frame=pts_time")["frames"]]
    ours = [frame.stamp_s for frame in frames(open_clip(small_clip.path))]
    assert ours == pytest.approx(theirs, abs=0.6e-6)


@needs_ffprobe
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("clockwise_deg", [0, 90, 180, 270])
def test_display_matrix(tmp_path: Path, clockwise_deg: int, mirrored: bool) -> None:
    """The matrix as ffprobe prints it, applied to the picture's corners, is what our orientation does."""
    path = write_frames(tmp_path / "a.mp4", gradients(2), [0, 3000])
    if clockwise_deg or mirrored:
        write_display_matrix(path, display_matrix(clockwise_deg, (64, 48), mirrored), 64)
    found = probed(path, "stream_side_data=displaymatrix,rotation").get("streams", [{}])[0].get("side_data_list", [])
    orientation = open_clip(path).orientation
    # Where a matrix was written ffprobe must see it, or nothing would be compared.
    assert bool(found) == bool(clockwise_deg or mirrored)
    if not found:
        assert (orientation.quarter_turns, orientation.mirrored) == (0, False)
        return
    # Three lines of three numbers, a b u / c d v / x y w, each after the line's own number.
    rows = [line.split(":")[1].split() for line in found[0]["displaymatrix"].strip().splitlines()]
    (a, b), (c, d) = ([int(n) / 65536 for n in row[:2]] for row in rows[:2])
    assert orientation.matrix()[:2, :2] == pytest.approx(np.array([[a, c], [b, d]]), abs=1e-9)


def test_published_matrix_of_a_quarter_turn() -> None:
    """FFmpeg's documentation (libavutil, display.h) and ISO/IEC 14496-12: 90° clockwise is a 0, b 1, c −1, d 0."""
    a, b, _, c, d = np.frombuffer(display_matrix(90, (64, 48), False), ">i4")[:5] / 65536
    assert (a, b, c, d) == (0, 1, -1, 0)
