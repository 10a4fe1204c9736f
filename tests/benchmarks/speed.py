"""What measuring costs beside decoding: wall time, processor time and peak memory, of one run each.

In:  nothing; clips are rendered (five seconds of each kind, repeated to the length asked for), or a folder of them.
Out: a table: `measure` beside a bare decoding of the same file by PyAV with the same threads, and how both grow.
Not here: any threshold that a build depends on; a table is for reading.

Asked for: `measure` at most 1.3 times the bare decoding and 3 s more at 1080p60 on two cores, 1.5 times and 3 s more
for the others, clips of 20 and 60 s; peak memory at most 400 MB at 1080p, and no more than a tenth higher for 600 s
than for 60 s.

Run it with:  python tests/benchmarks/speed.py [--keep FOLDER] [--only 1080p60] [--lengths 20 60]
              (the first run renders, for some minutes; nothing else should run beside it)

Each is a process of its own, so that its peak memory is its own. The engine of a clip longer than its rendered part
goes through the same run again and again, and its stamps go on.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
from rich.console import Console
from rich.table import Table

from timingcam.engine import read_engine
from timingcam.measure import Options, measure
from timingcam.reckoning.assemble import Strobe
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"
PART_S = 5.0
SCENE = """
seed = 5
[engine]
file = "demo-twin.toml"
cylinder = "left"
[run]
duration_s = 5.0
rpm = [[0.0, 1300], [0.6, 1300], [2.3, 5000], [2.8, 5000], [4.4, 1300], [5.0, 1300]]
[strobe]
delay_us = 30.0
flash_us = 20.0
[camera]
width = {width}
height = {height}
fps = {fps}
exposure_s = {exposure_s}
tilt_deg = 6.0
tilt_from_deg = 40.0
[camera.shake]
turn_px = 3.0
[rotor]
paint = "white"
[sound]
on = true
"""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of clip, and how many times the bare decoding it may take."""

    width: int
    height: int
    fps: float
    exposure_s: float
    may_take: float


KINDS = {
    "720p30": Kind(1280, 720, 30.0, 0.017, 1.5),
    "1080p60": Kind(1920, 1080, 60.0, 0.009, 1.3),
    "4K30": Kind(3840, 2160, 30.0, 0.017, 1.5),
    "720p240": Kind(1280, 720, 240.0, 0.002, 1.5),
}


def rendered(name: str, length_s: float, folder: Path) -> Path:
    """The clip, made where it is not there yet."""
    kind, part, clip = KINDS[name], folder / f"{name}.mp4", folder / f"{name}-{length_s:g}s.mp4"
    if not part.exists():
        text = SCENE.format(width=kind.width, height=kind.height, fps=kind.fps, exposure_s=kind.exposure_s)
        render_clip(scene_from_text(text, ENGINE.parent), part)
    if not clip.exists():
        _repeated(part, clip, length_s)
    return clip


def _repeated(part: Path, clip: Path, length_s: float) -> None:
    """The coded pictures and sound of a part, again and again, without coding them anew."""
    with av.open(str(clip), "w") as out:
        streams = {}
        with av.open(str(part)) as source:
            for stream in source.streams:
                streams[stream.index] = out.add_stream_from_template(stream)
        times, length = max(1, round(length_s / PART_S)), Fraction(PART_S)
        for k in range(times):
            with av.open(str(part)) as source:
                for packet in source.demux():
                    if packet.dts is None or packet.pts is None or packet.time_base is None:
                        continue
                    at_s = packet.pts * packet.time_base
                    # Sound is coded in blocks, that need not end where the pictures do.
                    if packet.stream.type == "audio" and not 0 <= at_s < length - Fraction(1, 40):
                        continue
                    later = int(k * length / packet.time_base)
                    packet.pts, packet.dts = packet.pts + later, packet.dts + later
                    packet.stream = streams[packet.stream.index]
                    out.mux(packet)


def decode(clip: Path) -> int:
    """Decode every frame and do nothing with it."""
    with av.open(str(clip)) as container:
        container.streams.video[0].thread_type = "AUTO"
        return sum(1 for _ in container.decode(video=0))


def work(what: str, clip: Path) -> None:
    """One run in this process; prints what it took as JSON."""
    engine = read_engine(ENGINE)
    started, began_cpu = time.perf_counter(), time.process_time()
    if what == "decode":
        decode(clip)
    else:
        measure(clip, engine, "left", Options(strobe=Strobe(delay_s=30e-6)))
    took = time.perf_counter() - started, time.process_time() - began_cpu
    print(json.dumps([*took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))


def run(what: str, clip: Path) -> tuple[float, float, float]:
    """Wall and processor time, seconds, of the work alone; peak memory of the whole process, MB."""
    command = [sys.executable, __file__, "--work", what, str(clip)]
    wall, cpu, memory = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return wall, cpu, memory


def main() -> None:
    """Print the table."""
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--work", nargs=2, metavar=("WHAT", "CLIP"), help=argparse.SUPPRESS)
    words.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the clips here, and use what is there")
    words.add_argument("--only", nargs="+", default=list(KINDS), choices=list(KINDS))
    words.add_argument("--lengths", nargs="+", type=float, default=[20.0, 60.0], metavar="SECONDS")
    given = words.parse_args()
    if given.work:
        work(given.work[0], Path(given.work[1]))
        return
    table = Table("clip", "length", "decode", "measure", "cpu", "ratio", "beyond 3 s", "asked", "peak MB")
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for name in given.only:
            for length_s in given.lengths:
                clip = rendered(name, length_s, folder)
                bare, measured = run("decode", clip), run("measure", clip)
                table.add_row(
                    name, f"{length_s:g} s", f"{bare[0]:.1f} s", f"{measured[0]:.1f} s", f"{measured[1]:.1f} s",
                    f"{measured[0] / bare[0]:.1f}", f"{(measured[0] - 3.0) / bare[0]:.1f}",
                    f"{KINDS[name].may_take:g}", f"{measured[2]:.0f}",
                )  # fmt: skip
    Console().print(table)


if __name__ == "__main__":
    main()
