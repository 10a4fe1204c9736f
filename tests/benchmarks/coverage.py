"""How often the 95 % intervals hold the truth, over simulated clips of both cylinders.

In:  a number of runs; each draws an engine, its systematic errors from their stated priors, and two clips.
Out: a table: for every figure the share of intervals that hold the truth, mean and sd of (found − true)/sd.
Not here: pixels (the rendered clips are another benchmark).

Run it with:  python tests/benchmarks/coverage.py 1000
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from simulation import Run, simulate

from timingcam.engine import Engine
from timingcam.reckoning.budget import Sources, budget, delay_sd_s, shift_sd_deg
from timingcam.reckoning.compare import compare
from timingcam.reckoning.curve import Doubts, fit_curve
from timingcam.reckoning.result import (
    CameraFacts,
    ClipFacts,
    Curve,
    Estimate,
    Measurement,
    Pictures,
    Readings,
    StrobeFacts,
)
from timingcam.reckoning.tacho import FlashAngles, crank_speed

FIGURES = (
    "low speed",
    "full",
    "starts",
    "full rpm",
    "slope",
    "scatter",
    "hysteresis",
    "left-right, idle",
    "left-right, full",
)
DELAY_S, DELAY_SD_S = 40e-6, 25e-6
OWN_SD_DEG = math.hypot(0.08, 0.06)  # of where index and mark are, drawn for each clip
MARK_SD_DEG = 0.25  # of the mark itself, the same in both clips
CLOCK_REL_SD = 1e-4
STATED_SD_REL = 0.1  # by which the stated random sds are wrong


@dataclass(frozen=True)
class Case:
    """What one clip was simulated with."""

    run: Run
    mark_error_deg: float
    seed: tuple[int, ...]


def engine() -> Engine:
    """An invented twin, both cylinders read from the same marks."""
    return Engine.model_validate(
        {
            "format": 1,
            "name": "Coverage twin",
            "crank": {"strokes": 4, "sparks_per_rev": 0.5},
            "cylinder": ({"name": "left", "tdc_deg": 0.0}, {"name": "right", "tdc_deg": 360.0}),
            "rotor": {
                "turns": "anticlockwise",
                "rim_diameter_mm": 96.0,
                "mark": ({"name": "O", "cylinder": ("left", "right"), "btdc_deg": 0.0},
                         {"name": "II", "cylinder": ("left", "right"), "btdc_deg": 10.0}),
            },
            "spec": {"curve": ((1000, 10.0), (1600, 10.0), (3200, 32.0), (7000, 32.0)), "tolerance_deg": 2.0},
        }
    )  # fmt: skip


def draw_run(rng: np.random.Generator) -> Run:
    """An engine, a hand on the throttle and a camera, all within what is met in practice."""
    low, starts = rng.uniform(5, 15), rng.uniform(1500, 2000)
    idle, top = rng.uniform(950, 1250), rng.uniform(5000, 7000)
    hold, climb = rng.uniform(1.0, 3.0), rng.uniform(3.0, 5.0)
    frame_s = 1 / rng.choice([30, 60, 120])

    def rpm(t: np.ndarray) -> np.ndarray:
        up = np.clip((t - hold) / climb, 0, 1)
        down = np.clip((t - 2 * hold - climb) / climb, 0, 1)
        return idle + (top - idle) * (up - down)

    return Run(
        duration_s=3 * hold + 2 * climb,
        rpm=rpm,
        low_deg=low,
        full_deg=low + rng.uniform(16, 26),
        starts_rpm=starts,
        full_rpm=starts + rng.uniform(1200, 2000),
        jitter_deg=rng.uniform(0.25, 0.9),
        play_rpm=rng.choice([0.0, rng.uniform(20, 120)]),
        wander_share=0.003,
        missed_share=rng.uniform(0, 0.2),
        frame_s=frame_s,
        sight_s=frame_s * rng.uniform(0.6, 1.0),
        time_sd_s=rng.uniform(10e-6, 60e-6),
        angle_sd_deg=rng.uniform(0.04, 0.25),
        stray_share=rng.choice([0.0, 0.02]),
    )


def measure(case: Case) -> Measurement:
    """Simulate one clip and take it through the package's own reckoning."""
    rng = np.random.default_rng(case.seed)
    run = replace(case.run, delay_s=DELAY_S + DELAY_SD_S * rng.standard_normal())
    seen = simulate(run, rng)
    wrong = math.exp(STATED_SD_REL * rng.standard_normal())
    clock = 1 + CLOCK_REL_SD * rng.standard_normal()
    shift = case.mark_error_deg + OWN_SD_DEG * rng.standard_normal()
    flashes = FlashAngles(seen.time_s * clock, seen.time_sd_s.copy(), seen.seen_deg + shift, seen.seen_sd_deg * wrong)
    speed = crank_speed(flashes, run.sparks_per_rev, seen.windows_s * clock)
    n = len(seen.time_s)
    readings = Readings(
        time_s=flashes.time_s, rpm=speed.rpm, rpm_sd=speed.rpm_sd,
        advance_deg=flashes.seen_deg + 6 * speed.rpm * DELAY_S, advance_sd_deg=flashes.seen_sd_deg,
        used=~speed.double, reason=("",) * n, frame=np.zeros(n, dtype=int),
    )  # fmt: skip
    sources = Sources(
        angle_sd_deg=0.1, index_sd_deg=0.08, mark_sd_deg=0.06, mark_own_sd_deg=MARK_SD_DEG, tilt_deg=0.0,
        tilt_sd_deg=0.0, index_above_sd_mm=0.0, sight_deg=0.0, index_radius_mm=48.0, centre_sd=0.0,
        flash_length_s=0.0, delay_sd_s=DELAY_SD_S, time_sd_s=0.0, rpm_sd=0.0, rpm_rel_sd=CLOCK_REL_SD, rpm=3000.0,
        slope_deg_per_1000rpm=14.0,
    )  # fmt: skip
    rows = budget(sources)
    doubts = Doubts(shift_sd_deg(rows), delay_sd_s(sources), CLOCK_REL_SD)
    curve, _, _ = fit_curve(readings, doubts, rng, engine().spec)
    return _result(case, readings, curve, rows)


def _result(case: Case, readings: Readings, curve: Curve, rows: tuple) -> Measurement:
    n = len(readings)
    none = np.empty((0, 2))
    return Measurement(
        clip=ClipFacts("none.mp4", "", 0, case.run.duration_s, 0, 0, 30.0, None),
        engine=engine(),
        cylinder=("left", "right")[case.seed[-1]],
        cylinder_identity="assumed",
        camera=CameraFacts(None, None, None, (0.0, 0.0), 1.0),
        strobe=StrobeFacts(0.0, DELAY_S, DELAY_SD_S, None, n, n),
        rpm_source="flashes",
        readings=readings,
        curve=curve,
        budget=rows,
        checks=(),
        warnings=(),
        pictures=Pictures(
            np.zeros(n, int), np.zeros(n, int), np.zeros(n, int), np.zeros((n, 3, 3)), np.zeros(n), (), np.empty(0),
            none, 0.0, 1.0, (0.0, 0.0), np.empty(0, int), np.empty((0, 1, 1), np.uint8), none, 1.0,
        ),
    )  # fmt: skip


def one_run(seed: int) -> dict[str, tuple[Estimate | None, float]]:
    """Every figure found in one pair of clips, with its truth."""
    rng = np.random.default_rng([seed, 99])
    left = draw_run(rng)
    apart = rng.normal(0, 1.0)
    right = replace(left, low_deg=left.low_deg + apart, full_deg=left.full_deg + apart)
    mark = MARK_SD_DEG * rng.standard_normal()
    a, b = (measure(Case(run, mark, (seed, side))) for side, run in enumerate((left, right)))
    both = compare(a, b)
    curve = a.curve
    slope = (left.full_deg - left.low_deg) / (left.full_rpm - left.starts_rpm) * 1000
    return {
        "low speed": (curve.low_speed_advance_deg, left.low_deg),
        "full": (curve.full_advance_deg, left.full_deg),
        "starts": (curve.starts_rpm, left.starts_rpm),
        "full rpm": (curve.full_rpm, left.full_rpm),
        "slope": (curve.slope_deg_per_1000rpm, slope),
        "scatter": (curve.scatter_deg, left.jitter_deg),
        "hysteresis": (curve.hysteresis_deg, slope / 1000 * left.play_rpm),
        "left-right, idle": (both.at_idle.difference_deg if both.at_idle else None, apart),
        "left-right, full": (both.at_full_advance.difference_deg if both.at_full_advance else None, apart),
    }


@dataclass
class Tally:
    """What has been counted of one figure so far."""

    held: int = 0
    of: int = 0
    pulls: list[float] = field(default_factory=list)
    sds: list[float] = field(default_factory=list)

    def add(self, estimate: Estimate, truth: float) -> None:
        """Count one interval."""
        self.held += int(estimate.low <= truth <= estimate.high)
        self.of += 1
        self.pulls.append((estimate.value - truth) / max(estimate.sd, 1e-12))
        self.sds.append(estimate.sd)


def count(seeds: range, tell: Callable[[int, dict[str, Tally]], None] | None = None) -> dict[str, Tally]:
    """Take all runs and count; `tell` is called after every run with the number of runs so far."""
    found = {name: Tally() for name in FIGURES}
    for done, seed in enumerate(seeds, start=1):
        for name, (estimate, truth) in one_run(seed).items():
            if estimate is not None:
                found[name].add(estimate, truth)
        if tell is not None:
            tell(done, found)
    return found


def show(found: dict[str, Tally]) -> None:
    """Print the table."""
    print(f"{'figure':20s} {'held':>7s} {'of':>6s} {'pull mean':>10s} {'pull sd':>8s} {'sd':>9s}")
    for name, tally in found.items():
        pulls = np.array(tally.pulls or [np.nan])
        share, size = tally.held / max(tally.of, 1), np.median(tally.sds or [np.nan])
        print(f"{name:20s} {share:7.1%} {tally.of:6d} {pulls.mean():10.2f} {pulls.std():8.2f} {size:9.3g}", flush=True)


def main() -> None:
    """Print the table after every hundred runs, so that a long run shows how it goes."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0

    def tell(done: int, found: dict[str, Tally]) -> None:
        if done % 100 == 0 or done == n:
            print(f"after {done} runs")
            show(found)

    count(range(first, first + n), tell)


if __name__ == "__main__":
    main()
