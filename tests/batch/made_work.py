"""What stands in for measuring in tests of batches: instant, and noted in a file, so that it can be counted."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

import timingcam.batch.work
from timingcam.batch.job import Job, Task
from timingcam.batch.work import Report, work_here
from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.result import Measurement
from timingcam.showing import flashes_file, results

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"


def notes(out: Path) -> list[str]:
    """Names of the clips whose measuring ended, once each time, from the file that `measure` writes."""
    path = out.parent / "notes.txt"
    return sorted(path.read_text().split()) if path.exists() else []


def measure(clip: Path, *_: object) -> Measurement:
    """In place of `timingcam.measure`: what the clip's text says happens."""
    words = clip.read_text()
    if "refuse" in words:
        raise CannotMeasure(found="no flash", expected="20", do="film again")
    if "fault" in words:
        raise ZeroDivisionError("division by zero")
    folder = Path(os.environ.get("NOTES", clip.parent))
    if "slow" in words:
        with (folder / f"begun-{os.getpid()}.txt").open("a") as file:
            file.write(f"{clip.name}\n")
        time.sleep(0.5)
    with (folder / "notes.txt").open("a") as file:
        file.write(f"{clip.name}\n")
    return make_measurement(n=60)


def write_quickly(measurement: Measurement, inside: Path) -> None:
    """In place of the slow pictures: all that is read back, and names."""
    (inside / "result.json").write_text(results.result_json(measurement), encoding="utf-8")
    (inside / "readings.csv").write_text(results.readings_csv(measurement), encoding="utf-8")
    (inside / "flashes.npz").write_bytes(flashes_file.pictures_bytes(measurement.pictures))
    for name in ("curve.png", "marks.png", "report.html"):
        (inside / name).write_text("drawn")


def stand_in() -> None:
    """From now on, this process measures as above."""
    timingcam.batch.work.measure = measure  # type: ignore[attr-defined]
    results._write_all = write_quickly


def dask_setup(_worker: object) -> None:
    """Called by a Dask worker that is started with `--preload made_work`."""
    stand_in()
    if os.environ.get("BLIND"):  # as on another machine, whose folders are its own
        timingcam.batch.work.stands_here = lambda *_: False  # type: ignore[attr-defined]


def work(task: Task, out: Path) -> Report:
    """In place of `work_here`, for processes that are started anew: dies where the clip says so."""
    stand_in()
    words = task.job.clip.read_text()
    died = task.job.clip.with_suffix(".died")
    if "die always" in words or ("die once" in words and not died.exists()):
        died.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return work_here(task, out)


def jobs(folder: Path, **clips: str) -> list[Job]:
    """A job for each word, whose clip is a file that holds what happens."""
    engine, found = read_engine(ENGINE), []
    for name, words in clips.items():
        path = folder / f"{name}.mp4"
        path.write_text(words)
        found.append(Job(path, path.name, engine, "0" * 64, "left"))
    return found
