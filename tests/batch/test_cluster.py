"""A batch on a real Dask scheduler with two workers, one of which is killed in the middle."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_work import jobs, notes

from timingcam.batch.cluster import Cluster
from timingcam.batch.run import run_batch
from timingcam.errors import CannotUse
from timingcam.showing.results import FILES

HERE = Path(__file__).parent
PATIENCE_S = 120.0  # for processes to start on a busy machine of two cores
N_CLIPS = 10


def wait_for(happened: Callable[[], object]) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < give_up
        time.sleep(0.02)


@contextmanager
def started(*words: str, **env: str) -> Iterator[subprocess.Popen[bytes]]:
    path = os.pathsep.join([str(HERE), str(HERE.parents[1])])
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": path, **env},
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def scheduler(folder: Path) -> Iterator[str]:
    file = folder / "scheduler.json"
    words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file))
    with started(*words):
        wait_for(lambda: file.exists() and file.read_text().endswith("}"))
        yield json.loads(file.read_text())["address"]


@contextmanager
def cluster(folder: Path, **env: str) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler's address, and two workers that measure as `made_work` does."""
    from distributed import Client

    with ExitStack() as stack:
        address = stack.enter_context(scheduler(folder))
        words = ("worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard", "--preload", "made_work",
                 "--local-directory", str(folder / "scratch"))  # fmt: skip
        workers = [stack.enter_context(started(*words, NOTES=str(folder), **env)) for _ in range(2)]
        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=PATIENCE_S)
        yield address, workers


@pytest.mark.slow
@pytest.mark.parametrize(("env", "upload"), [({}, False), ({"BLIND": "yes"}, True)], ids=["shared files", "sent files"])
def test_a_worker_killed_in_the_middle_loses_nothing(env: dict[str, str], upload: bool, tmp_path: Path) -> None:
    """Nothing lost, nothing done twice; what the killed one was at goes to the other."""
    given = jobs(tmp_path, **{f"clip{i}": f"slow {i}" for i in range(N_CLIPS)}, bad="refuse")
    killed: list[str] = []
    with cluster(tmp_path, **env) as (address, workers):
        begun = tmp_path / f"begun-{workers[0].pid}.txt"

        def kill_one() -> None:
            # As its third clip begins: early in the half second that a clip takes.
            wait_for(lambda: begun.exists() and begun.read_text().count("\n") == 3)
            workers[0].send_signal(signal.SIGKILL)
            killed.append(begun.read_text().split()[-1])

        killer = threading.Thread(target=kill_one)
        killer.start()
        outcomes = run_batch(given, tmp_path / "out", Cluster(address, upload))
        killer.join()
        workers[0].wait()
        again = run_batch(given, tmp_path / "out", Cluster(address, upload))
    assert killed and killed[0] in notes(tmp_path / "out")
    assert [one.state for one in outcomes] == ["measured"] * N_CLIPS + ["refused"]
    once = sorted(f"clip{i}.mp4" for i in range(N_CLIPS))
    assert sorted(set(notes(tmp_path / "out"))) == once
    if upload:
        # A worker that has no other place keeps its result until it is fetched: the last one may die with it.
        twice = {name for name in once if notes(tmp_path / "out").count(name) > 1}
        assert len(twice) <= 1 and twice <= set(begun.read_text().split()[-2:])
    else:
        assert notes(tmp_path / "out") == once
    for one in outcomes[:-1]:
        assert sorted(p.name for p in (tmp_path / "out" / one.folder).iterdir()) == sorted(FILES)
    assert [(one.state, one.before) for one in again] == [(one.state, True) for one in outcomes]


@pytest.mark.slow
def test_a_scheduler_without_workers(tmp_path: Path) -> None:
    with scheduler(tmp_path) as address, pytest.raises(CannotUse, match="without a worker"):
        run_batch(jobs(tmp_path, good=""), tmp_path / "out", Cluster(address))
