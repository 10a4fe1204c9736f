"""What one worker does with one clip, in whatever process and on whatever machine.

In:  a `Task`, and the batch folder.
Out: a result folder, or a `Report` that says why not.
Not here: who works (`processes.py`, `cluster.py`).
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from timingcam.batch.folder import read_back, stands_here
from timingcam.batch.job import Job, Task
from timingcam.errors import CannotUse, TimingcamError
from timingcam.measure import measure
from timingcam.seeing.clip import sha256_of
from timingcam.showing.results import save

PROGRAM_FAULT = 1


@dataclass(frozen=True, slots=True)
class Report:
    """How the work on one clip ended.

    Attributes
    ----------
    status : int
        As `timingcam measure` would have ended.
    reason : str
        A sentence; empty at status 0.
    no_room : bool
        Whether the result could not be written, which will happen to the next one as well.
    files : dict of bytes, optional
        The result folder's files by name, from a worker that does not see the batch folder.
    """

    status: int
    reason: str = ""
    no_room: bool = False
    files: dict[str, bytes] | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """Files sent along with a task to a worker that does not see them."""

    clip: bytes
    rpm: bytes | None


def work_here(task: Task, out: Path) -> Report:
    """Measure one clip and write its result into the batch folder.

    Parameters
    ----------
    task : Task
    out : Path
        The batch folder.

    Returns
    -------
    Report
        Nothing is measured where the result is there already: a scheduler that lost sight of a worker asks twice.
    """
    place = out / task.name
    if read_back(place) is not None:
        return Report(0)
    return _reported(task.job, place)


def work_anywhere(task: Task, out: Path, folder_id: str, sent: Sent | None) -> Report:
    """Measure one clip on a worker that may lie on another machine.

    Parameters
    ----------
    task : Task
    out : Path
        The batch folder, as the machine that asks names it.
    folder_id : str
        What its `batch.json` holds, so that a folder of the same name on another machine is not taken for it.
    sent : Sent, optional
        The clip, where the worker does not see it.

    Returns
    -------
    Report
        With the files where this worker does not see the batch folder.
    """
    with tempfile.TemporaryDirectory(prefix="timingcam-") as scratch:
        inside = Path(scratch)
        job = task.job if sent is None else _unpacked(task.job, sent, inside)
        changed = _differs(job.clip, task.clip_sha256)
        if changed:
            return Report(CannotUse.exit_status, changed)
        if stands_here(out, folder_id):
            return work_here(replace(task, job=job), out)
        report = _reported(job, inside / "result")
        if report.status:
            return report
        return Report(0, files={path.name: path.read_bytes() for path in (inside / "result").iterdir()})


def _reported(job: Job, place: Path) -> Report:
    try:
        measurement = measure(job.clip, job.engine, job.cylinder, job.options)
    except TimingcamError as error:
        return Report(error.exit_status, sentence(error))
    # By design: whatever happens to one clip must not end the others; the sentence says that it is a fault of ours.
    except Exception as error:
        words = " ".join(f"{type(error).__name__}: {error}".split())
        return Report(PROGRAM_FAULT, f"A fault of timingcam ({words}): measure this clip with 'timingcam --debug'.")
    try:
        # What lies there is not whole, or it would not be measured.
        save(measurement, place, replace=True)
    except CannotUse as error:
        return Report(error.exit_status, sentence(error), no_room=isinstance(error.__cause__, OSError))
    return Report(0)


def sentence(error: TimingcamError) -> str:
    """A fault as a sentence with a capital and a full stop."""
    words = " ".join(str(error).split())
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".")


def _unpacked(job: Job, sent: Sent, inside: Path) -> Job:
    # Under its own name, which the result holds.
    (inside / "clip").mkdir()
    clip = inside / "clip" / job.clip.name
    clip.write_bytes(sent.clip)
    options = job.options
    if sent.rpm is not None:
        (inside / "rpm.csv").write_bytes(sent.rpm)
        options = replace(options, rpm=inside / "rpm.csv")
    return replace(job, clip=clip, options=options)


def _differs(clip: Path, sha256: str) -> str:
    try:
        same = sha256_of(clip) == sha256
    except OSError as fault:
        return sentence(
            CannotUse(
                found=f"no readable {clip.name!r} on the worker ({fault.strerror})",
                expected="a folder that all workers share",
                do="share it under the same path, or send the clips with --upload",
            )
        )
    if same:
        return ""
    return sentence(
        CannotUse(
            found=f"another file {clip.name!r} on the worker",
            expected="the clip that lies here under that path",
            do="share the folder, or send the clips with --upload",
        )
    )
