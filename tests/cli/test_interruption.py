"""Killed or interrupted at any moment: a result is the old one or the new one, whole; the next run works."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from conftest import SmallClip

from timingcam.showing.results import FILES
from timingcam.showing.writing import write_folder

# Saves one result after another, each of six files that hold its number, under the guard that every command runs under.
# Tests that run in the background of a script, or under nohup, are born with these signals ignored: not these.
SAVING = """
import signal
import sys
from pathlib import Path
from timingcam.cli.faults import guard
from timingcam.showing.results import FILES
from timingcam.showing.writing import write_folder

signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)

def run():
    number = 0
    while True:
        number += 1
        def fill(inside):
            for name in FILES:
                (inside / name).write_text(f"{number} " * 20_000)
        write_folder(sys.argv[1], fill, files=FILES, replace=True)
        if number == 3:
            print("going", flush=True)

sys.exit(guard(run))
"""
LONGEST_S = 0.4  # after it is going: some ten times what one saving takes


def heard() -> None:
    """In a child: Ctrl-C is heard, whoever started the tests."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def numbers_in(folder: Path) -> set[str]:
    assert sorted(p.name for p in folder.iterdir()) == sorted(FILES)
    texts = [(folder / name).read_text() for name in FILES]
    assert {len(text.split()) for text in texts} == {20_000}
    return {word for text in texts for word in text.split()}


def end_while_saving(folder: Path, how: signal.Signals, after_s: float) -> None:
    out = folder / "result"
    with subprocess.Popen(
        [sys.executable, "-c", SAVING, str(out)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as saving:
        assert saving.stdout is not None and saving.stdout.readline() == "going\n"
        time.sleep(after_s)
        saving.send_signal(how)
        try:
            _, said = saving.communicate(timeout=60)
        finally:
            saving.kill()
    assert len(numbers_in(out)) == 1
    if how is signal.SIGKILL:
        assert saving.returncode == -signal.SIGKILL
    else:
        assert (saving.returncode, said) == (130, "Interrupted.\n")
        # What an earlier one left that was killed is cleared away by the first saving; this one leaves nothing.
        assert {p.name for p in folder.iterdir()} == {"result"}


def end_many_times(folder: Path, times: int) -> None:
    rng = random.Random(times)
    for _ in range(times):
        how = rng.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
        end_while_saving(folder, how, rng.uniform(0, LONGEST_S))

    def fill(inside: Path) -> None:
        for name in FILES:
            (inside / name).write_text("last " * 20_000)

    write_folder(folder / "result", fill, files=FILES, replace=True)
    assert numbers_in(folder / "result") == {"last"}
    assert [p.name for p in folder.iterdir()] == ["result"]


def test_ended_at_five_moments_while_saving(tmp_path: Path) -> None:
    end_many_times(tmp_path, 5)


@pytest.mark.slow
def test_ended_at_fifty_moments_while_saving(tmp_path: Path) -> None:
    end_many_times(tmp_path, 50)


def test_interrupted_while_it_is_loaded() -> None:
    """Before the whole of click is there. What Python itself does before our first line is not ours."""
    for step in range(3):
        process = subprocess.Popen(
            [sys.executable, "-X", "importtime", "-m", "timingcam", "engine", "new"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, preexec_fn=heard,
        )  # fmt: skip
        assert process.stderr is not None
        # Which module has just been loaded tells that ours is running, on however busy a machine.
        seen = ""
        while "click" not in seen:
            seen = process.stderr.readline()
            assert seen
        time.sleep(0.05 * step)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
        words = [line for line in said.splitlines() if not line.startswith("import time:")]
        # Done already, and Python itself was ending, it dies by the signal as any program does.
        assert (process.returncode, words) in ((130, ["Interrupted."]), (0, []), (-signal.SIGINT, [])), words


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_ended_while_measuring(how: signal.Signals, small_clip: SmallClip, tmp_path: Path) -> None:
    """At moments all over a whole measurement; then it works."""
    out, rng = tmp_path / "result", random.Random(int(how))
    words = [sys.executable, "-m", "timingcam", "measure", str(small_clip.path), "--engine", str(small_clip.engine),
             "--cylinder", "left", "--out", str(out), "--replace"]  # fmt: skip
    for _ in range(3):
        with subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=heard
        ) as measuring:
            time.sleep(rng.uniform(0.5, 15.0))
            measuring.send_signal(how)
            _, said = measuring.communicate(timeout=300)
        if measuring.returncode == 0:  # it was done before
            continue
        assert measuring.returncode == (-how if how is signal.SIGKILL else 130)
        assert said.strip() == ("" if how is signal.SIGKILL else "Interrupted.")
    assert subprocess.run(words, capture_output=True, timeout=600).returncode == 0
    assert [p.name for p in tmp_path.iterdir()] == ["result"]
    assert sorted(p.name for p in out.iterdir()) == sorted(FILES)
