"""Clips measured by the workers of a Dask scheduler, on this or other machines.

In:  tasks, the batch folder, the scheduler's address.
Out: a `Report` for each task, as they end.
Not here: what a worker does with a clip (`work.py`).

A worker that dies is no loss: the scheduler gives its clip to another. Where the workers see the batch folder they
write into it, and find there what one of them had done before it died; else results come back as bytes, as soon as they
are there, and only what a dead worker still held is measured again.
"""

from __future__ import annotations

import logging
import warnings
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from timingcam.batch.job import Task, rpm_file
from timingcam.batch.work import PROGRAM_FAULT, Report, Sent, work_anywhere
from timingcam.errors import CannotUse

ANSWER_S = 15.0  # our choice: a scheduler that can be reached answers within a second
AHEAD = 2  # our choice: clips given out for each thread of a worker, so that none waits and few are held in memory


@dataclass(frozen=True, slots=True)
class Cluster:
    """Where the workers are, and whether clips are sent to them."""

    address: str
    upload: bool = False


def measure_on_cluster(
    tasks: Sequence[Task], out: Path, folder_id: str, cluster: Cluster
) -> Iterator[tuple[Task, Report]]:
    """Measure clips on the workers of a running Dask scheduler.

    Parameters
    ----------
    tasks : sequence of Task
    out : Path
        The batch folder.
    folder_id : str
        What its `batch.json` holds.
    cluster : Cluster

    Yields
    ------
    Task, Report
        As they end. Whoever stops listening takes back what has not begun.

    Raises
    ------
    CannotUse
        If Dask is not installed, the scheduler does not answer, or it has no workers.
    """
    distributed = _distributed()
    client = _connected(distributed, cluster.address)
    try:
        # With results: fetched as they end, while this thread writes another one, lest they die with their worker.
        given = distributed.as_completed(loop=client.loop, with_results=True, raise_errors=False)
        waiting = deque(tasks)
        owner: dict[str, Task] = {}
        _refuse_idle(client, cluster.address)
        while waiting or owner:
            # Asked each time: workers come and go.
            room = AHEAD * max(1, sum(client.nthreads().values()))
            while waiting and len(owner) < room:
                task = waiting.popleft()
                future = _submitted(client, task, out, folder_id, cluster.upload)
                owner[future.key] = task
                given.add(future)
            future, result = next(given)
            task = owner.pop(future.key)
            report = result if future.status == "finished" else _not_done(future)
            future.release()
            yield task, report
    finally:
        # Also on Ctrl-C: letting go of futures takes back what no worker has begun.
        client.close(timeout=ANSWER_S)


def _distributed() -> Any:
    try:
        import distributed
    except ModuleNotFoundError as fault:
        raise CannotUse(
            found="--cluster without the Python package distributed",
            expected="Dask beside timingcam, here and on the workers",
            do="install it with: pip install 'timingcam[cluster]'",
        ) from fault
    # Its own words of lost connections would stand between ours; what matters comes as exceptions.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    return distributed


def _connected(distributed: Any, address: str) -> Any:
    try:
        with warnings.catch_warnings():
            # Differing versions are named by what goes wrong, if anything does.
            warnings.simplefilter("ignore")
            return distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as fault:
        raise CannotUse(
            found=f"no Dask scheduler at {address!r}",
            expected=f"one that answers within {ANSWER_S:.0f} s",
            do="start it with 'dask scheduler', and give the address that it prints, for instance tcp://192.0.2.7:8786",
        ) from fault


def _refuse_idle(client: Any, address: str) -> None:
    if not client.nthreads():
        raise CannotUse(
            found=f"a Dask scheduler at {address!r} without a worker",
            expected="at least one",
            do="start one with 'dask worker' and that address, on a machine that has timingcam too",
        )


def _submitted(client: Any, task: Task, out: Path, folder_id: str, upload: bool) -> Any:
    sent = _packed(task) if upload else None
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Sending large graph")
        # Its key is the content's: a scheduler that is asked twice for one key does it once.
        return client.submit(
            work_anywhere, task, out, folder_id, sent, key=f"timingcam-{folder_id}-{task.name}", pure=True
        )


def _packed(task: Task) -> Sent:
    logged = rpm_file(task.job.options)
    return Sent(task.job.clip.read_bytes(), None if logged is None else logged.read_bytes())


def _not_done(future: Any) -> Report:
    # What ended it on the worker, or the scheduler's own: workers that died over it, or whose versions do not fit.
    fault = future.exception() if future.status == "error" else None
    words = " ".join(f"{type(fault).__name__}: {fault}".split()) if fault else "the scheduler took it back"
    return Report(PROGRAM_FAULT, f"The workers could not measure it ({words}).")
