"""A batch from its jobs to their outcomes: what is done is passed over, the rest is measured.

In:  jobs, the batch folder, who works.
Out: an `Outcome` for each job, in their order.
Not here: the list that the jobs come from (`cli/batch_list.py`); table and picture (`summary.py`, `picture.py`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from timingcam.batch import folder
from timingcam.batch.cluster import Cluster, measure_on_cluster
from timingcam.batch.job import Job, Outcome, Task, figures_of, key_in, task_of
from timingcam.batch.processes import measure_here
from timingcam.batch.work import Report, sentence
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.showing.results import load

Tell = Callable[[Outcome], None]


def run_batch(
    jobs: Sequence[Job], out: Path, by: int | Cluster | None = None, tell: Tell | None = None
) -> tuple[Outcome, ...]:
    """Measure many clips, each once.

    Parameters
    ----------
    jobs : sequence of Job
    out : Path
        The batch folder; made, or gone on with.
    by : int or Cluster, optional
        How many processes of this computer, as many as it has cores if left out; or a Dask scheduler.
    tell : callable, optional
        Told of every outcome as it comes.

    Returns
    -------
    tuple of Outcome
        One a job, in their order.

    Raises
    ------
    CannotUse
        If the folder cannot be used or written to, or the scheduler does not answer. What was measured by then stays.
    """
    out = Path(os.path.realpath(out))
    folder_id = folder.open_folder(out)
    settled: dict[int, Outcome] = {}

    def settle(i: int, outcome: Outcome) -> None:
        settled[i] = outcome
        if tell is not None:
            tell(outcome)

    same: dict[str, list[int]] = {}
    to_do: list[Task] = []
    results, refusals = folder.results_by_key(out), folder.refusals_by_key(out)
    for i, job in enumerate(jobs):
        task = _looked_at(job)
        if isinstance(task, Outcome):
            settle(i, task)
        elif (before := _before(task, out, results, refusals)) is not None:
            settle(i, before)
        else:
            rows = same.setdefault(key_in(task.name), [])
            rows.append(i)
            if len(rows) == 1:
                to_do.append(task)
    # Closed at once whatever happens here: then the workers end.
    with closing(_measured(to_do, out, folder_id, by)) as reports:
        for task, report in reports:
            first, *others = same[key_in(task.name)]
            outcome = _outcome(task, report, out)
            settle(first, outcome)
            for i in others:
                settle(i, replace(outcome, job=jobs[i], before=True))
    return tuple(settled[i] for i in range(len(jobs)))


def _looked_at(job: Job) -> Task | Outcome:
    try:
        return task_of(job)
    except CannotUse as error:
        return Outcome(job, "failed", error.exit_status, sentence(error))


def _before(task: Task, out: Path, results: dict[str, str], refusals: dict[str, str]) -> Outcome | None:
    key = key_in(task.name)
    if key in refusals:
        return Outcome(task.job, "refused", CannotMeasure.exit_status, refusals[key], before=True)
    if key not in results:
        return None
    measurement = folder.read_back(out / results[key])
    if measurement is None:
        return None  # somebody wrote into it: measured again
    return Outcome(task.job, "measured", folder=results[key], figures=figures_of(measurement), before=True)


def _measured(
    tasks: Sequence[Task], out: Path, folder_id: str, by: int | Cluster | None
) -> Generator[tuple[Task, Report], None, None]:
    if not tasks:
        return
    if isinstance(by, Cluster):
        yield from measure_on_cluster(tasks, out, folder_id, by)
    else:
        yield from measure_here(tasks, out, by or os.cpu_count() or 1)


def _outcome(task: Task, report: Report, out: Path) -> Outcome:
    """Write down what a worker reports."""
    if report.no_room:
        raise CannotUse(
            found=f"no way to write the result of {task.job.shown!r} ({report.reason.rstrip('.')})",
            expected="a folder with room that you may write to",
            do="make room and run the same command again: what is measured stays",
        )
    if report.status == CannotMeasure.exit_status:
        folder.note_refusal(out, task, report.reason)
        return Outcome(task.job, "refused", report.status, report.reason)
    if report.status:
        return Outcome(task.job, "failed", report.status, report.reason)
    if report.files is not None:
        folder.take_in(out, task, report.files)
    return Outcome(task.job, "measured", folder=task.name, figures=figures_of(load(out / task.name)))
