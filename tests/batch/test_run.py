"""A batch: each clip measured once, gone on with where it was left, nothing lost to what happens to one clip."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_work import jobs, notes, stand_in, work

import timingcam.batch.work
from timingcam.batch import processes, run
from timingcam.batch.cluster import Cluster
from timingcam.batch.job import Task, key_in, task_of
from timingcam.batch.run import run_batch
from timingcam.batch.work import Report, work_anywhere, work_here
from timingcam.errors import CannotUse
from timingcam.measure import Options
from timingcam.showing import results
from timingcam.showing.results import FILES


@pytest.fixture(autouse=True)
def _no_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measured in this process, and instantly."""
    monkeypatch.setattr(timingcam.batch.work, "measure", timingcam.batch.work.measure)
    monkeypatch.setattr(results, "_write_all", results._write_all)
    stand_in()

    def here(tasks: list[Task], out: Path, _n: int) -> Iterator[tuple[Task, Report]]:
        for task in tasks:
            yield task, work_here(task, out)

    monkeypatch.setattr(run, "measure_here", here)


def test_every_clip_ends_in_one_way(tmp_path: Path) -> None:
    given = jobs(tmp_path, good="", other="2", bad="refuse", broken="fault")
    given.append(replace(given[0], clip=tmp_path / "none.mp4", shown="none.mp4"))
    told: list[str] = []
    outcomes = run_batch(given, tmp_path / "out", tell=lambda one: told.append(one.job.shown))
    assert [(one.state, one.status, one.before) for one in outcomes] == [
        ("measured", 0, False), ("measured", 0, False), ("refused", 3, False), ("failed", 1, False),
        ("failed", 2, False),
    ]  # fmt: skip
    assert sorted(told) == sorted(one.job.shown for one in outcomes)
    assert [one.reason for one in outcomes[:2]] == ["", ""]
    assert outcomes[2].reason == "Found no flash; expected 20; film again."
    assert "ZeroDivisionError" in outcomes[3].reason and "no file 'none.mp4'" in outcomes[4].reason
    for one in outcomes[:2]:
        assert sorted(p.name for p in (tmp_path / "out" / one.folder).iterdir()) == sorted(FILES)
        assert one.figures is not None and one.figures.low is not None and one.figures.low_limits == (7.0, 11.0)


def test_a_second_run_measures_what_is_new_or_failed_and_nothing_else(tmp_path: Path) -> None:
    given, out = jobs(tmp_path, good="", bad="refuse", broken="fault"), tmp_path / "out"
    first = run_batch(given, out)
    (tmp_path / "broken.mp4").write_text("mended")
    again = run_batch([*given, *jobs(tmp_path, new="new")], out)
    assert notes(out) == ["broken.mp4", "good.mp4", "new.mp4"]
    assert [(one.state, one.before) for one in again] == [
        ("measured", True), ("refused", True), ("measured", False), ("measured", False),
    ]  # fmt: skip
    assert again[0].figures == first[0].figures and again[1].reason == first[1].reason


def test_known_by_content_not_by_name(tmp_path: Path) -> None:
    out, (first,) = tmp_path / "out", jobs(tmp_path, first="same")
    (second,) = jobs(tmp_path, second="same")
    outcomes = run_batch([first, second], out)
    assert notes(out) == ["first.mp4"]
    assert outcomes[0].folder == outcomes[1].folder and outcomes[1].before
    (third,) = jobs(tmp_path, third="same")
    assert run_batch([third], out)[0].folder == outcomes[0].folder
    (changed,) = jobs(tmp_path, first="other")
    assert not run_batch([changed], out)[0].before
    assert notes(out) == ["first.mp4", "first.mp4"]


def test_whatever_changes_the_answer_changes_the_key(tmp_path: Path) -> None:
    (job,) = jobs(tmp_path, clip="")
    log = tmp_path / "rpm.csv"
    log.write_text("time_s,rpm\n0,1000\n1,1000\n")
    others = [
        replace(job, cylinder="right"),
        replace(job, engine_sha256="1" * 64),
        replace(job, options=Options(capture_fps=240.0)),
        replace(job, options=Options(rpm=1000.0)),
        replace(job, options=Options(rpm=log)),
    ]
    keys = [key_in(task_of(one).name) for one in (job, *others)]
    log.write_text("time_s,rpm\n0,1000\n1,1001\n")
    keys.append(key_in(task_of(others[-1]).name))
    assert len(set(keys)) == len(keys)
    log.rename(tmp_path / "renamed.csv")
    assert key_in(task_of(replace(job, options=Options(rpm=tmp_path / "renamed.csv"))).name) == keys[-1]


def test_a_result_that_somebody_damaged_is_measured_again(tmp_path: Path) -> None:
    given, out = jobs(tmp_path, good="", other="2"), tmp_path / "out"
    first = run_batch(given, out)
    (out / first[0].folder / "curve.png").unlink()
    (out / first[1].folder / "result.json").write_text("{")
    assert [(one.state, one.before) for one in run_batch(given, out)] == [("measured", False)] * 2
    assert all(one.before for one in run_batch(given, out))


def test_names_of_any_kind_become_folders(tmp_path: Path) -> None:
    names = ["-dash", "with spaces", "點火 прогрев", "n" * 251, "a:b|c", "two\nlines", "..."]
    given = jobs(tmp_path, **{name: str(i) for i, name in enumerate(names)})
    outcomes = run_batch(given, tmp_path / "out")
    assert [one.state for one in outcomes] == ["measured"] * len(names)
    for one in outcomes:
        assert not one.folder.startswith(("-", ".")) and len(one.folder.encode()) <= 255


def test_another_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "diary.txt").write_text("mine")
    with pytest.raises(CannotUse, match="holds no batch"):
        run_batch(jobs(tmp_path, good=""), tmp_path / "out")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(CannotUse, match="holds no batch"):
        run_batch(jobs(tmp_path, good=""), tmp_path / "file")
    assert notes(tmp_path / "out") == []


def test_a_full_disk_ends_it_and_what_is_measured_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given, out = jobs(tmp_path, a="", b="2", c="3"), tmp_path / "out"
    write = results._write_all

    def full(measurement: object, inside: Path) -> None:
        if len(notes(out)) == 2:
            raise OSError(28, "No space left on device")
        write(measurement, inside)  # type: ignore[arg-type]

    monkeypatch.setattr(results, "_write_all", full)
    with pytest.raises(CannotUse, match=r"No space left on device.*make room"):
        run_batch(given, out)
    monkeypatch.setattr(results, "_write_all", write)
    assert notes(out) == ["a.mp4", "b.mp4"]
    assert [one.before for one in run_batch(given, out)] == [True, False, False]


def test_a_worker_that_does_not_see_the_folder_sends_the_result_back(tmp_path: Path) -> None:
    (job,) = jobs(tmp_path, good="")
    task, elsewhere = task_of(job), tmp_path / "elsewhere"
    report = work_anywhere(task, elsewhere, "an id", None)
    assert report.status == 0 and report.files is not None and sorted(report.files) == sorted(FILES)
    assert not elsewhere.exists()
    out = tmp_path / "out"
    run_batch([], out)
    folder_id = json.loads((out / "batch.json").read_text())["folder_id"]
    assert work_anywhere(task, out, folder_id, None) == Report(0)
    # Asked again, as by a scheduler that lost sight of a worker: measured once.
    assert work_anywhere(task, out, folder_id, None) == Report(0)
    assert notes(out) == ["good.mp4", "good.mp4"]


def test_a_worker_that_sees_another_clip_says_so(tmp_path: Path) -> None:
    (job,) = jobs(tmp_path, good="")
    task = task_of(job)
    sent = timingcam.batch.work.Sent(job.clip.read_bytes(), None)
    job.clip.write_text("other")
    assert "another file 'good.mp4'" in work_anywhere(task, tmp_path, "", None).reason
    job.clip.unlink()
    assert "--upload" in work_anywhere(task, tmp_path, "", None).reason
    assert work_anywhere(task, tmp_path, "", sent).status == 0


def test_no_scheduler_and_no_dask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = jobs(tmp_path, good="")
    monkeypatch.setattr("timingcam.batch.cluster.ANSWER_S", 0.5)
    with pytest.raises(CannotUse, match=r"no Dask scheduler at 'tcp://127\.0\.0\.1:9'"):
        run_batch(given, tmp_path / "out", Cluster("tcp://127.0.0.1:9"))
    with pytest.raises(CannotUse, match="no Dask scheduler at 'no such thing'"):
        run_batch(given, tmp_path / "out", Cluster("no such thing"))
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(CannotUse, match=r"timingcam\[cluster\]"):
        run_batch(given, tmp_path / "out", Cluster("tcp://127.0.0.1:9"))


def test_a_process_that_dies_takes_no_other_clip_along(tmp_path: Path) -> None:
    """Real processes: one clip kills its process each time, another one the first time only."""
    given, out = jobs(tmp_path, a="", b="die always", c="die once", d="2"), tmp_path / "out"
    run_batch([], out)
    tasks = [task_of(job) for job in given]
    reports = {task.job.clip.stem: report for task, report in processes.measure_here(tasks, out, 2, work)}
    assert {stem: report.status for stem, report in reports.items()} == {"a": 0, "b": 1, "c": 0, "d": 0}
    assert "signal 9" in reports["b"].reason
    assert notes(out) == ["a.mp4", "c.mp4", "d.mp4"]


def test_without_its_folder_a_copy_of_the_batch_goes_on_too(tmp_path: Path) -> None:
    given, out = jobs(tmp_path, good=""), tmp_path / "out"
    run_batch(given, out)
    shutil.copytree(out, tmp_path / "copy")
    assert run_batch(given, tmp_path / "copy")[0].before
