"""Clips measured side by side by processes of this computer.

In:  tasks, the batch folder, how many processes.
Out: a `Report` for each task, as they end.
Not here: what a process does with a clip (`work.py`).

A process stays for many clips, since loading the libraries takes seconds. One that dies, from a clip that breaks a
decoder or from want of memory, takes no other along: its clip is tried once more, in a new one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

from timingcam.batch.job import Task
from timingcam.batch.work import PROGRAM_FAULT, Report, work_here

TRIES = 2  # our choice: once more, as the system may have ended a process for another one's sake
PATIENCE_S = 10.0  # our choice: a process that is asked to end takes away what it has half written

Work = Callable[[Task, Path], Report]


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    pipe: Connection
    task: Task | None = None


def measure_here(
    tasks: Sequence[Task], out: Path, n_processes: int, work: Work = work_here
) -> Iterator[tuple[Task, Report]]:
    """Measure clips side by side.

    Parameters
    ----------
    tasks : sequence of Task
    out : Path
        The batch folder.
    n_processes : int
        At least 1.
    work : callable
        What a process does with a task; importable by name, so that a fresh interpreter finds it.

    Yields
    ------
    Task, Report
        As they end. Whoever stops listening ends the processes; nothing half-written stays.
    """
    waiting, deaths = deque(tasks), Counter[str]()
    workers = [_started(out, n_processes, work) for _ in range(min(n_processes, len(tasks)))]
    try:
        for worker in workers:
            _give(worker, waiting)
        while busy := [worker for worker in workers if worker.task is not None]:
            for pipe in wait([worker.pipe for worker in busy]):
                worker = next(one for one in busy if one.pipe is pipe)
                task, report = worker.task, _answer(worker)
                assert task is not None
                if report is None:
                    worker.process.join()
                    workers[workers.index(worker)] = fresh = _started(out, n_processes, work)
                    deaths[task.name] += 1
                    if deaths[task.name] < TRIES:
                        waiting.appendleft(task)
                    else:
                        report = Report(PROGRAM_FAULT, _died(worker.process.exitcode))
                    worker = fresh
                _give(worker, waiting)
                if report is not None:
                    yield task, report
    finally:
        _end(workers)


def _started(out: Path, n_processes: int, work: Work) -> _Worker:
    # A fresh interpreter: one that is forked inherits locks of threads that it does not have.
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, out, n_processes, work), daemon=True)
    with _deaf_to_interrupts():
        process.start()
    theirs.close()
    return _Worker(process, ours)


def _give(worker: _Worker, waiting: deque[Task]) -> None:
    worker.task = waiting.popleft() if waiting else None
    # A process that has just died is noticed when its answer is waited for.
    with suppress(BrokenPipeError):
        worker.pipe.send(worker.task)


def _answer(worker: _Worker) -> Report | None:
    """None where the process has died."""
    try:
        report: Report = worker.pipe.recv()
    except (EOFError, ConnectionResetError):
        return None
    return report


def _died(code: int | None) -> str:
    if code is not None and code < 0:
        how = f"ended by signal {-code} ({signal.strsignal(-code)})"
    else:
        how = f"ended with status {code}"
    return (
        f"The process that measured it was {how}, {TRIES} times: measure it by itself, with memory to spare, and "
        "report the clip if it ends so again."
    )


def _end(workers: Sequence[_Worker]) -> None:
    for worker in workers:
        worker.pipe.close()
        if worker.task is not None:
            worker.process.terminate()
    for worker in workers:
        worker.process.join(PATIENCE_S)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Whatever starts meanwhile never hears Ctrl-C, which a terminal sends to all: ending them is our part."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection, out: Path, n_processes: int, work: Work) -> None:
    """A process's life: a task in, a report out, until there is none."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import cv2

    cv2.setNumThreads(max(1, (os.cpu_count() or 1) // n_processes))
    with suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while (task := pipe.recv()) is not None:
            pipe.send(work(task, out))


def _leave(*_: object) -> None:
    # As an exception, so that what is half written is taken away.
    raise SystemExit(128 + signal.SIGTERM)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None
    wait([parent.sentinel])
    os.kill(os.getpid(), signal.SIGTERM)
