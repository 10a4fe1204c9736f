"""Ctrl-C in the middle of a batch, as a terminal sends it: to the command and to all of its processes at once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_work import notes

from timingcam.showing.results import FILES

HERE = Path(__file__).parent
PATIENCE_S = 300.0  # on a busy machine of two cores
N_CLIPS = 8

BATCH = """
import sys
from functools import partial
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from made_work import jobs, work
from timingcam.batch import processes, run
from timingcam.cli.faults import guard

if __name__ == "__main__":
    folder = Path(sys.argv[2])
    given = jobs(folder, **{f"clip{i}": f"slow {i}" for i in range(int(sys.argv[3]))})
    run.measure_here = partial(processes.measure_here, work=work)
    sys.exit(guard(lambda: run.run_batch(given, folder / "out", 2) and 0))
"""


def started(folder: Path) -> subprocess.Popen[str]:
    script = folder / "batch.py"
    script.write_text(BATCH)
    return subprocess.Popen(
        [sys.executable, str(script), str(HERE), str(folder), str(N_CLIPS)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def all_ended(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    return False


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_ended_in_the_middle_and_gone_on_with(how: signal.Signals, tmp_path: Path) -> None:
    batch = started(tmp_path)
    give_up = time.monotonic() + PATIENCE_S
    while len(notes(tmp_path / "out")) < 3:
        assert time.monotonic() < give_up and batch.poll() is None
        time.sleep(0.02)
    if how is signal.SIGINT:
        os.killpg(batch.pid, how)
    else:
        batch.send_signal(how)
    _, said = batch.communicate(timeout=PATIENCE_S)
    if how is not signal.SIGKILL:
        assert (batch.returncode, said) == (130, "Interrupted.\n")
    while not all_ended(batch.pid):
        assert time.monotonic() < give_up + PATIENCE_S
        time.sleep(0.05)
    results = [p for p in (tmp_path / "out").iterdir() if p.is_dir() and not p.name.startswith(".")]
    # Two of the three may not have been saved yet.
    assert 1 <= len(results) < N_CLIPS
    assert all(sorted(p.name for p in one.iterdir()) == sorted(FILES) for one in results)
    done = {one.name.split("-")[0] + ".mp4" for one in results}
    (tmp_path / "notes.txt").unlink()

    _, said = (again := started(tmp_path)).communicate(timeout=PATIENCE_S)
    assert (again.returncode, said) == (0, "")
    # What was done is not measured again, and everything else is.
    assert notes(tmp_path / "out") == sorted({f"clip{i}.mp4" for i in range(N_CLIPS)} - done)
    assert not [p.name for p in (tmp_path / "out").iterdir() if p.name.startswith(".")]
