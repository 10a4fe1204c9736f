"""Readers of files that people and programs write, fed with files that are nearly right.

    python tests/fuzz/fuzz_text.py [engine|rpm|list|readings|result|flashes ...] [--runs 100000] [--first 0]

Each run reads one file. It may be read, or refused with a sentence; anything else, or more than two seconds, is a find:
its number is printed with where it came from, and `--first NUMBER --runs 1` runs it again. Status 1 after a find.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from mutate import mutated

from timingcam.cli.batch_list import jobs_in
from timingcam.engine import read_engine
from timingcam.errors import TimingcamError
from timingcam.reckoning.rpmtable import read_rpm_csv
from timingcam.showing.flashes_file import parse_pictures
from timingcam.showing.readings_file import parse_readings
from timingcam.showing.result_file import parse_result

SEEDS = Path(__file__).parent / "seeds"
ENGINES = Path(__file__).parents[2] / "shared" / "engines"
SLOW_S = 2.0  # our choice: these files are small; on a busy machine of two cores still
COMMAND_LINE = {
    "engine_file": ENGINES / "demo-twin.toml", "cylinder": "left", "strobe_delay": None, "strobe_delay_sd": None,
    "dial": 0.0, "capture_fps": None, "line_time": None, "exposure": None, "rpm": None, "centre": None, "index": None,
    "mark": (), "flash_length": None,
}  # fmt: skip


def _list(path: Path) -> None:
    # A list of its own name; the engine is on the command line where a row names none.
    jobs_in(path, COMMAND_LINE)


def _flashes(path: Path) -> None:
    parse_pictures(io.BytesIO(path.read_bytes()))


def _decoded(parse: Callable[[str], object]) -> Callable[[Path], None]:
    def read(path: Path) -> None:
        try:
            text = path.read_bytes().decode()
        except UnicodeDecodeError:
            return  # refused before, in results.py
        parse(text)

    return read


READERS: dict[str, tuple[Callable[[Path], object], str, str]] = {
    # what reads it; its seeds; words that such files hold
    "engine": (read_engine, "engine*.toml", "btdc_deg mm_btdc cylinder curve_mm stroke_mm rod_mm kind 'slide' 720.0"),
    "rpm": (read_rpm_csv, "rpm*.csv", "time_s rpm 1200 0.5"),
    "list": (_list, "list*.csv", "clip engine cylinder mark rpm strobe_delay 1F@10,20 left"),
    "readings": (_decoded(parse_readings), "readings*.csv", "yes no 12.5 reason frame"),
    "result": (lambda path: parse_result(path.read_bytes()), "result*.json", '"in" "out" null curve grid engine 1e5'),
    "flashes": (_flashes, "flashes*.npz", "frame.npy <f8 |S8 |O shape descr True"),
}


def fuzz(name: str, runs: int, first: int = 0) -> list[str]:
    """Run one reader; what was found.

    Parameters
    ----------
    name : str
        One of `READERS`.
    runs, first : int
        How many, from which number on.

    Returns
    -------
    list of str
        A find each; empty is well.
    """
    read, pattern, words = READERS[name]
    seeds = [path.read_bytes() for path in sorted(SEEDS.glob(pattern))]
    if name == "engine":
        seeds += [path.read_bytes() for path in sorted(ENGINES.glob("*.toml"))]
    assert seeds, pattern
    finds, ended, began = list[str](), Counter[str](), time.monotonic()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        path = Path(folder) / "file"
        path.write_bytes(seeds[0])
        read(path)  # loads all that is loaded late
        for number in range(first, first + runs):
            path.write_bytes(mutated(seeds, [word.encode() for word in words.split()], number))
            start = time.monotonic()
            try:
                read(path)
                ended["read"] += 1
            except TimingcamError as error:
                ended["refused"] += 1
                if "Traceback" in str(error) or not (error.found and error.expected and error.do):
                    finds.append(f"{name} {number}: not a sentence: {error}")
            # By design: whatever else comes is what is looked for.
            except Exception:
                finds.append(f"{name} {number}: {traceback.format_exc()}")
            if time.monotonic() - start > SLOW_S:
                finds.append(f"{name} {number}: took {time.monotonic() - start:.1f} s")
    took_s = time.monotonic() - began
    counts = f"{ended['read']} read, {ended['refused']} refused, {len(finds)} finds"
    print(f"{name}: {runs} runs in {took_s:.0f} s, {counts}", flush=True)
    return finds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("readers", nargs="*", choices=[*READERS, []], default=[])
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    finds = [find for name in given.readers or READERS for find in fuzz(name, given.runs, given.first)]
    print("\n".join(finds[:20]))
    sys.exit(bool(finds))


if __name__ == "__main__":
    main()
