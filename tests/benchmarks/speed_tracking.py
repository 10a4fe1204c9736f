"""How well crank speed is tracked: by the flashes, and by the sound alone.

In:  nothing; flashes are simulated (`simulation.py`), and some clips rendered with their truth (`timingcam.staging`).
Out: a table: rms of the relative error of rpm beside what is asked: 0.1 % steady, 0.3 % at 1500 rpm a second, 0.5 % by
     sound alone.
Not here: advance (`accuracy.py`), intervals (`coverage.py`).

Simulated flashes have an edge's time to a line time (10 to 20 µs) where the exposure is short, to three of them where
it is as long as the frame, which leaves most flashes one edge only. Rendering at 240 frames a second would take minutes
for a second of clip, so that rate is simulated only.

Run it with:  python tests/benchmarks/speed_tracking.py [FOLDER]      (minutes; without FOLDER no clip is rendered)
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from simulation import Run, simulate

from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure
from timingcam.measure import Options, watch
from timingcam.reckoning.assemble import flash_angles
from timingcam.reckoning.hearing import note_of
from timingcam.reckoning.speeds import speed_of
from timingcam.reckoning.tacho import FlashAngles, crank_speed
from timingcam.seeing.clip import open_clip
from timingcam.seeing.soundtrack import read_sound
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
ASKED = {"steady": 0.1, "sweep": 0.3, "sound": 0.5}  # per cent
SEEDS = range(4)
# Frames a second; exposure; share of each frame in which a flash is seen; an edge's sd.
CAMERAS = (
    (30, "short", 0.50, 20e-6), (30, "long", 1.00, 60e-6), (60, "short", 0.75, 20e-6), (60, "long", 1.00, 60e-6),
    (240, "short", 1.00, 10e-6), (240, "long", 1.00, 30e-6),
)  # fmt: skip
SCENE = """
seed = {seed}
[engine]
file = "demo-twin.toml"
cylinder = "left"
[run]
duration_s = 7.0
rpm = {rpm}
jitter_deg = 0.25
[strobe]
delay_us = 30.0
flash_us = 20.0
[camera]
width = 640
height = 360
fps = {fps}
line_time_us = {line_us}
exposure_s = {exposure_s}
rotor_share = 0.4
[rotor]
paint = "white"
"""
SWEEP = "[[0.0, 1300], [0.5, 1300], [3.0, 5050], [3.5, 5050], [6.0, 1300], [7.0, 1300]]"
RENDERED = (
    ("60 short sweep", {"rpm": SWEEP, "fps": 60, "line_us": 36.0, "exposure_s": 0.004}),
    ("60 long sweep", {"rpm": SWEEP, "fps": 60, "line_us": 36.0, "exposure_s": 0.0155}),
    ("60 short steady", {"rpm": "3070", "fps": 60, "line_us": 36.0, "exposure_s": 0.004}),
    ("30 short sweep", {"rpm": SWEEP, "fps": 30, "line_us": 60.0, "exposure_s": 0.006}),
    ("30 long steady", {"rpm": "3070", "fps": 30, "line_us": 60.0, "exposure_s": 0.030}),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: per cent, NaN where nothing could be had."""

    what: str
    source: str
    rms: float
    worst: float
    asked: float

    def __str__(self) -> str:
        if np.isnan(self.rms):
            return f"{self.what:30} {self.source:9} refused"
        word = "" if self.rms <= self.asked else "  MISSED"
        return f"{self.what:30} {self.source:9} {self.rms:7.3f} {self.worst:8.3f} {self.asked:7.1f}{word}"


def sweep(t: np.ndarray) -> np.ndarray:
    """1200 to 6000 rpm and back at 1500 rpm a second."""
    return 1200 + np.clip(np.where(t < 5, (t - 1) * 1500, (9 - t) * 1500), 0, 4800)


def simulated() -> list[Row]:
    """Flash times only: every camera, steady and in a sweep."""
    rows = []
    for fps, exposure, share, sd_s in CAMERAS:
        for kind in ("steady", "sweep"):
            off: list[np.ndarray] = []
            for seed in SEEDS:
                rpm = sweep if kind == "sweep" else (lambda t, r=1500.0 + 1063.0 * seed: np.full_like(t, r))
                run = Run(rpm=rpm, frame_s=1 / fps, sight_s=share / fps, time_sd_s=sd_s)
                seen = simulate(run, np.random.default_rng([fps, seed]))
                told = FlashAngles(
                    seen.time_s.copy(), seen.time_sd_s.copy(), seen.seen_deg.copy(), seen.seen_sd_deg.copy()
                )
                speed = crank_speed(told, run.sparks_per_rev, seen.windows_s)
                off.append(speed.rpm / seen.true_rpm - 1)
            rows.append(_row(f"simulated {fps} {exposure} {kind}", "flashes", np.concatenate(off), ASKED[kind]))
            print(rows[-1], flush=True)
    return rows


def rendered(folder: Path) -> list[Row]:
    """Clips in full, from the picture and from their sound."""
    rows = []
    engine = read_engine(ENGINES / "demo-twin.toml")
    for seed, (what, camera) in enumerate(RENDERED, start=31):
        scene = scene_from_text(SCENE.format(seed=seed, **camera), ENGINES)
        written = render_clip(scene, folder / f"{what.replace(' ', '-')}.mp4")
        with written["truth_csv"].open(encoding="utf-8", newline="") as file:
            truth = [(float(row["time_s"]), float(row["rpm"])) for row in csv.DictReader(file)]
        true_s, true_rpm = np.array(truth).T
        kind = "sweep" if "sweep" in what else "steady"
        rows.append(_row(f"rendered {what}", "flashes", _by_flashes(written["clip"], true_s, true_rpm), ASKED[kind]))
        print(rows[-1], flush=True)
        note = note_of(read_sound(open_clip(written["clip"])), engine)
        heard = np.array([np.nan])
        if note is not None and note.trusted:
            sure = note.trust >= 0.5
            heard = note.rpm[sure] / np.interp(note.time_s[sure], true_s, true_rpm) - 1
        rows.append(_row(f"rendered {what}", "sound", heard, ASKED["sound"]))
        print(rows[-1], flush=True)
    return rows


def _by_flashes(clip: Path, true_s: np.ndarray, true_rpm: np.ndarray) -> np.ndarray:
    """Every flash that was timed, whether or not its marks were lit: a speed needs no advance."""
    engine = read_engine(ENGINES / "demo-twin.toml")
    try:
        seen = watch(clip, engine, "left", Options())
        angles = flash_angles(seen, engine, "left")
        speed = speed_of(angles, engine, seen.windows_s(), None).speed
    except CannotMeasure as fault:
        print(f"  {clip.name}: {fault}")
        return np.array([np.nan])
    known = np.isfinite(speed.rpm)
    nearest = np.abs(true_s[:, None] - angles.time_s[known][None, :]).argmin(axis=0)
    return np.asarray(speed.rpm[known] / true_rpm[nearest] - 1)


def _row(what: str, source: str, off: np.ndarray, asked: float) -> Row:
    off = 100 * off[np.isfinite(off)]
    if len(off) == 0:
        return Row(what, source, np.nan, np.nan, asked)
    return Row(what, source, float(np.sqrt(np.mean(off**2))), float(np.abs(off).max()), asked)


if __name__ == "__main__":
    print(f"{'clip':30} {'speed by':9} {'rms %':>7} {'worst %':>8} {'asked %':>7}")
    every = simulated()
    if len(sys.argv) > 1:
        target = Path(sys.argv[1])
        target.mkdir(parents=True, exist_ok=True)
        every += rendered(target)
    missed = sum(row.rms > row.asked for row in every)
    print(f"{len(every)} rows, {missed} of them beyond what is asked")
