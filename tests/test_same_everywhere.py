"""The same clip gives the same readings, to the last figure written, however many threads are at work."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CLIP, ENGINE = ROOT / "sample_media" / "left-idle.mp4", ROOT / "shared" / "engines" / "demo-twin.toml"

# OpenCV's threads are set from within; those of FFmpeg go by the cores that this process may use, those of the linear
# algebra by the environment.
SETTING = """
import os, sys
import cv2
cv2.setNumThreads(int(sys.argv[1]))
if sys.argv[1] == "1" and hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, [min(os.sched_getaffinity(0))])
"""
MEASURING = """
import timingcam
from timingcam.showing.results import readings_csv, result_json
m = timingcam.measure(sys.argv[2], sys.argv[3], "left")
print(result_json(m) + readings_csv(m))
"""
DECODING = """
import hashlib
from timingcam.seeing.clip import frames, open_clip
told = hashlib.sha256()
for frame in frames(open_clip(sys.argv[2])):
    told.update(repr(frame.stamp_s).encode() + frame.luma.tobytes())
print(told.hexdigest())
"""


def told_by(script: str, threads: int) -> str:
    limits = {name: str(threads) for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}
    result = subprocess.run(
        [sys.executable, "-c", SETTING + script, str(threads), str(CLIP), str(ENGINE)],
        capture_output=True, text=True, timeout=1200, env={**os.environ, **limits},
    )  # fmt: skip
    assert result.returncode == 0, result.stderr
    return result.stdout


def test_pictures_are_the_same() -> None:
    assert told_by(DECODING, 1) == told_by(DECODING, 8)


@pytest.mark.slow
def test_readings_are_the_same() -> None:
    first, second, third = (told_by(MEASURING, threads) for threads in (1, 2, 8))
    assert json.loads(first[: first.index("\n}\n") + 3])["strobe"]["flashes_used"] > 0
    assert [hashlib.sha256(one.encode()).hexdigest() for one in (second, third)] == [
        hashlib.sha256(first.encode()).hexdigest()
    ] * 2
