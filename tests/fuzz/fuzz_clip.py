"""The reader of clips, fed with small clips that are nearly whole.

    python tests/fuzz/fuzz_clip.py [--runs 100000] [--first 0] [--seconds 3600]

Clips are read in a process of its own, a few thousand in each, that may take 1 GB more than its libraries and 20
seconds for a clip. A run may end with frames or with a sentence; a traceback, a crash of the decoder, a clip that takes
too long or too much memory is a find: its number is printed, and `--first NUMBER --runs 1` runs it again. Status 1
after a find.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import signal
import struct
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from mutate import mutated

SEEDS = Path(__file__).parent / "seeds"
A_PROCESS = 4000  # runs: starting one takes seconds
MEMORY_BYTES, SECONDS = 1_000_000_000, 20
WORDS = (b"moov", b"trak", b"mdat", b"stsz", b"stts", b"ctts", b"elst", b"avc1", b"hvc1", b"encv", b"jpeg", b"raw ")


def clip_bytes(seeds: list[bytes], number: int) -> bytes:
    """Every other one changed in its head only, where sizes and counts are; all others anywhere."""
    if number % 2:
        return mutated(seeds, WORDS, number)
    seed = seeds[number // 2 % len(seeds)]
    start = seed.find(b"moov") - 4
    return seed[: max(start, 0)] + mutated([seed[max(start, 0) :]], WORDS, number)


def child(first: int, runs: int, progress: Path) -> None:
    """Read clips; write which one is being read, so that it is known if this process dies over it."""
    from timingcam.errors import TimingcamError
    from timingcam.seeing.clip import frames, open_clip

    seeds = [path.read_bytes() for path in sorted(SEEDS.glob("clip*"))]
    list(frames(open_clip(SEEDS / "clip.mp4")))  # loads all that is loaded late
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY_BYTES, resource.RLIM_INFINITY))
    ended, finds = Counter[str](), []
    path = progress.with_name("clip.mp4")
    with progress.open("r+b", buffering=0) as told:
        for number in range(first, first + runs):
            told.seek(0)
            told.write(struct.pack("<q", number))
            path.write_bytes(clip_bytes(seeds, number))
            signal.alarm(SECONDS)  # ends the process: a decoder's loop hears nothing else
            try:
                n_frames = sum(1 for _ in frames(open_clip(path)))
                ended["frames" if n_frames else "no frames"] += 1
            except TimingcamError as error:
                ended["refused"] += 1
                # The decoder says so too of sizes that it does not even try to get.
                if "allocate memory" in str(error) and grown_bytes(path) > MEMORY_BYTES:
                    finds.append(f"{number}: took more than 1 GB: {error}")
            # By design: whatever else comes is what is looked for.
            except Exception:
                finds.append(f"{number}: {traceback.format_exc()}")
            signal.alarm(0)
    print(json.dumps([ended, finds]))


def grown_bytes(path: Path) -> int:
    """By how much reading a clip makes a process grow that may take what it likes."""
    from timingcam.errors import TimingcamError
    from timingcam.seeing.clip import frames, open_clip

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    process = os.fork()
    if process == 0:
        resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        with contextlib.suppress(TimingcamError):
            list(frames(open_clip(path)))
        os._exit(0)
    return (os.wait4(process, 0)[2].ru_maxrss - before) * 1024


def fuzz(runs: int, first: int = 0, seconds: float = 1e9) -> tuple[int, list[str]]:
    """Run the reader; how many runs there were, and what was found.

    Parameters
    ----------
    runs, first : int
        How many, from which number on.
    seconds : float
        After which no further process is started.

    Returns
    -------
    int, list of str
    """
    ended, finds, at, began = Counter[str](), [], first, time.monotonic()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        progress = Path(folder) / "progress"
        while at < first + runs and time.monotonic() - began < seconds:
            progress.write_bytes(struct.pack("<q", at - 1))
            n = min(A_PROCESS, first + runs - at)
            words = [sys.executable, __file__, "--child", str(at), str(n), str(progress)]
            result = subprocess.run(words, capture_output=True, text=True)
            with contextlib.suppress(ValueError):
                counted, found = json.loads(result.stdout)
                ended.update(counted)
                finds += found
            if result.returncode:
                (last,) = struct.unpack("<q", progress.read_bytes())
                finds.append(f"{last}: the process ended with {result.returncode}: {result.stderr[-2000:]}")
                at = max(last, at) + 1
            else:
                at += n
    print(f"clip: {at - first} runs in {time.monotonic() - began:.0f} s, {dict(ended)}, {len(finds)} finds", flush=True)
    return at - first, finds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        child(int(given.child[0]), int(given.child[1]), Path(given.child[2]))
        return
    _, finds = fuzz(given.runs, given.first, given.seconds)
    print("\n".join(finds[:20]))
    sys.exit(bool(finds))


if __name__ == "__main__":
    main()
