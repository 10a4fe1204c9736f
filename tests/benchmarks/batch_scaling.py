"""How much sooner a batch is done on two cores than on one: wall time of the whole command, side by side in one run.

In:  nothing; the sample clips, each several times with other bytes behind its last box, so that each counts as new.
Out: a table: `timingcam batch` bound to one core and to two, clips a minute, and the ratio.
Not here: any threshold that a build depends on; a table is for reading.

Asked for: on two cores at least 1.7 times as fast as on one.

Run it with:  python tests/benchmarks/batch_scaling.py [--clips 8]
              (some minutes; nothing else should run beside it)
"""

from __future__ import annotations

import argparse
import json
import os
import struct
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[2]
ASKED = 1.7
CLIPS = ("left-sweep.mp4", "right-sweep.mp4")


def copied(folder: Path, n: int) -> None:
    """So many clips, each with a box of its own number at its end: `free`, which readers skip (ISO/IEC 14496-12)."""
    for k in range(n):
        name = CLIPS[k % len(CLIPS)]
        data = (ROOT / "sample_media" / name).read_bytes() + struct.pack(">I4sI", 12, b"free", k)
        (folder / f"{k:02d}-{name}").write_bytes(data)


def took_s(folder: Path, out: Path, cores: set[int]) -> float:
    """Seconds that the batch takes on these cores; its result must say that each clip was measured."""
    engine = ROOT / "shared" / "engines" / "demo-twin.toml"
    words = ["batch", str(folder), "--engine", str(engine), "--strobe-delay", "40", "--out", str(out), "--quiet"]
    began = time.monotonic()
    subprocess.run(
        [sys.executable, "-m", "timingcam", *words, "--jobs", str(len(cores))],
        check=True, stdout=subprocess.DEVNULL, preexec_fn=partial(os.sched_setaffinity, 0, cores),
    )  # fmt: skip
    taken = time.monotonic() - began
    rows = json.loads((out / "batch.json").read_text())["clips"]
    assert len(rows) == len(list(folder.iterdir())), f"{len(rows)} clips in {out}"
    return taken


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--clips", type=int, default=8)
    n = words.parse_args().clips
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        sys.exit(f"This computer lets us use {len(cores)} core; two are needed to compare.")
    table = Table("cores", "wall time", "clips a minute")
    taken = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "clips"
        folder.mkdir()
        copied(folder, n)
        for k in (1, 2):
            taken.append(took_s(folder, Path(place) / f"on-{k}", set(cores[:k])))
            table.add_row(str(k), f"{taken[-1]:.1f} s", f"{60 * n / taken[-1]:.1f}")
    Console().print(table)
    ratio = taken[0] / taken[1]
    print(f"two cores: {ratio:.2f} times as fast as one (asked {ASKED}: {'yes' if ratio >= ASKED else 'NOT'})")


if __name__ == "__main__":
    main()
