"""How far static timing and true TDC are from the truth of rendered clips, beside what was asked for.

In:  the scenes named below: an engine turned by hand, each rendered small with its truth.
Out: a table: a row a clip, the error beside its 95 % interval and what was asked; then a row for all.
Not here: any threshold that a build depends on; a table is for reading.

Run it with:  python tests/benchmarks/by_hand.py                    (all clips: a quarter of an hour or so)
              python tests/benchmarks/by_hand.py --which static --only tilt

A `static` clip's error is that of the mean over its passes forwards, against the angle at which the lamp really
switched in them. A `tdc` clip's error is that of its worst mark: how far each lines up from where it should, against
how far the renderer put it off. Clips that must be refused say what they were refused with.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from timingcam.engine import Engine, read_engine
from timingcam.errors import CannotMeasure, TimingcamError
from timingcam.reckoning.static import static_timing
from timingcam.reckoning.tdc import true_tdc
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
ASKED_DEG = {"static": 0.3, "tdc": 0.1}
HEAD = """seed = {seed}
[engine]
file = "engine.toml"
cylinder = "{cylinder}"
[run]
duration_s = {duration_s}
[hand]
course = {course}
{hand}
[camera]
width = 640
height = 360
fps = 30
exposure_s = 0.01
{camera}
[camera.shake]
turn_px = 1.0
sway_mm = 0.3
[light]
ambient = {ambient}
{tail}
"""
LAMP_ON = "[lamp]\nlights_btdc_deg = 10.4\ngoes_out_btdc_deg = -70\nrise_ms = 0.5\n"
LAMP_OFF = "[lamp]\nlights_btdc_deg = 80\ngoes_out_btdc_deg = 10.4\nrise_ms = 0.5\n"
SLACK = "slack_deg = 3.0\njitter_deg = 0.1\n"
# Some 15 degrees a second at the switching: forwards, back, forwards again.
TWO_PASSES = "[[0,-45],[0.3,-45],[1.3,-20],[3.2,2],[3.5,2],[5.0,-38],[5.2,-38],[5.8,-20],[7.7,2],[8.0,2]]"
# The same a turn later, where the twin's other piston is at its firing TDC.
A_TURN_ON = "[[0,315],[0.3,315],[1.3,340],[3.2,362],[3.5,362],[5.0,322],[5.2,322],[5.8,340],[7.7,362],[8.0,362]]"
QUICK = "[[0,-60],[0.3,-60],[2.0,2],[2.5,2],[4.0,-60],[4.3,-60],[6.2,2],[8,2]]"  # some 40 degrees a second
BACKWARDS = "[[0,40],[0.4,40],[2.5,-40],[3,-40],[3.2,-36],[3.5,-36],[5.5,-60],[8,-60]]"
# From one side of the stop all the way round to the other; then both again.
STOPS = "[[0,200],[0.2,200],[2.0,345],[2.8,345],[5.2,15],[6.0,15],[7.5,140],[8,150]]"
TWICE = "[[0,200],[1.8,345],[2.6,345],[4.8,15],[5.6,15],[7.8,345],[8.6,345],[10.8,15],[11.6,15],[12.6,90],[13,95]]"
REAR = "[[0,740],[0.2,740],[2.0,885],[2.8,885],[5.2,555],[6.0,555],[7.5,680],[8,690]]"
NO_STOP = "[[0,200],[0.2,200],[3.0,480],[3.8,480],[6.2,100],[7.0,100],[8,150]]"
STOP = "stop_deg = 25.0\nstop_give_deg = 0.02"
MARKS_OFF = "[rotor]\nmark_error_deg = 0.7\n"


@dataclass(frozen=True)
class Case:
    """One clip: what is changed from the plainest."""

    which: Literal["static", "tdc"]
    name: str
    turns: str = "anticlockwise"
    engine: str = "demo-twin.toml"
    cylinder: str = "left"
    course: str = ""
    hand: str = ""
    camera: str = ""
    tail: str = ""
    ambient: float = 0.55
    duration_s: float = 8.0
    spark_at: Literal["lamp-on", "lamp-off"] = "lamp-on"
    refused: bool = False


TILTED = "tilt_deg = 12.0\ntilt_from_deg = 120.0"
CAST = '[stator]\nindex = "notch"\n[rotor]\nfinish = "cast"\n'
CASES = (
    Case("static", "plain", tail=LAMP_ON),
    Case("static", "clockwise, backlash", "clockwise", tail=LAMP_ON + SLACK),
    Case("static", "lamp goes out", tail=LAMP_OFF, spark_at="lamp-off"),
    Case("static", "lamp goes out, clockwise", "clockwise", tail=LAMP_OFF, spark_at="lamp-off", camera=TILTED),
    Case("static", "12° tilt, upright", camera=TILTED + "\nrotation = 90", tail=LAMP_ON),
    Case("static", "cast rotor, notch", "clockwise", tail=LAMP_ON + CAST),
    Case("static", "brushed, painted", tail=LAMP_ON + '[rotor]\nfinish = "brushed"\nmarks = "painted"\n'),
    Case("static", "turned three times as fast", course=QUICK, tail=LAMP_ON),
    Case("static", "dim, slow bulb", ambient=0.3, tail=LAMP_ON.replace("0.5", "40") + "fall_ms = 60\n"),
    Case("static", "right cylinder", cylinder="right", course=A_TURN_ON, tail=LAMP_ON),
    Case("static", "backwards only", course=BACKWARDS, tail=LAMP_ON, refused=True),
    Case("tdc", "plain", tail=MARKS_OFF),
    Case("tdc", "clockwise, 12° tilt", "clockwise", camera=TILTED, tail=MARKS_OFF),
    Case("tdc", "each stop twice, springy", course=TWICE, duration_s=13.0,
         hand="stop_deg = 25.0\nstop_give_deg = 0.05", tail=MARKS_OFF),
    Case("tdc", "longer stop, upside down", "clockwise", hand="stop_deg = 38.0\nstop_give_deg = 0.02",
         camera="rotation = 180\ntilt_deg = 5.0\ntilt_from_deg = 80.0", tail=MARKS_OFF),
    Case("tdc", "cast rotor, notch", tail=CAST + "mark_error_deg = 0.7\n"),
    Case("tdc", "brushed, painted", "clockwise",
         tail='[rotor]\nfinish = "brushed"\nmarks = "painted"\nmark_error_deg = 0.7\n'),
    Case("tdc", "dim", ambient=0.3, tail=MARKS_OFF),
    Case("tdc", "rear of a half-turn twin", engine="half-turn-twin.toml", cylinder="rear", course=REAR, tail=MARKS_OFF),
    Case("tdc", "no stop", course=NO_STOP, hand=" ", tail=MARKS_OFF, refused=True),
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What one clip came to: an error with the half-width of its 95 % interval, or the words of a refusal."""

    error_deg: float | None
    half_deg: float
    inside: bool
    words: str
    seconds: float


def run(case: Case, seed: int, folder: Path) -> Outcome:
    """Render a case and measure it."""
    clip, truth, engine = _rendered(case, seed, folder)
    begun = time.perf_counter()
    try:
        found = list(_errors(case, clip, truth, engine))
    except CannotMeasure as refused:
        return Outcome(None, 0.0, False, refused.found, time.perf_counter() - begun)
    except TimingcamError as fault:
        return Outcome(None, 0.0, False, f"FAULT {fault}", time.perf_counter() - begun)
    worst, half = max(found, key=lambda one: abs(one[0]))
    inside = all(abs(error) <= width for error, width in found)
    return Outcome(worst, half, inside, "", time.perf_counter() - begun)


def _rendered(case: Case, seed: int, folder: Path) -> tuple[Path, dict[str, Any], Engine]:
    source = (ENGINES / case.engine).read_text(encoding="utf-8")
    for turns in ("clockwise", "anticlockwise"):
        source = source.replace(f'turns = "{turns}"\nrim', f'turns = "{case.turns}"\nrim')
    (folder / "engine.toml").write_text(source, encoding="utf-8")
    static = case.which == "static"
    text = HEAD.format(
        seed=seed, cylinder=case.cylinder, duration_s=case.duration_s, ambient=case.ambient, tail=case.tail,
        course=case.course or (TWO_PASSES if static else STOPS), hand=case.hand or ("" if static else STOP),
        camera=case.camera,
    )  # fmt: skip
    written = render_clip(scene_from_text(text, folder), folder / "clip.mp4")
    truth = json.loads(written["truth_json"].read_text(encoding="utf-8"))
    return written["clip"], truth, read_engine(folder / "engine.toml")


def _errors(case: Case, clip: Path, truth: dict[str, Any], engine: Engine) -> Iterator[tuple[float, float]]:
    """Each figure's error and the half-width of its 95 % interval on the side of the truth."""
    if case.which == "static":
        timing = static_timing(clip, engine, case.cylinder, case.spark_at).advance_deg
        wanted_on = case.spark_at == "lamp-on"
        at = [s["btdc_deg"] for s in truth["lamp"]["switchings"] if s["forwards"] and s["on"] == wanted_on]
        error = timing.value - sum(at) / len(at)
        yield error, timing.value - timing.low if error > 0 else timing.high - timing.value
        return
    true = {mark["name"]: mark["error_deg"] for mark in truth["rotor"]["marks"]}
    for mark in true_tdc(clip, engine, case.cylinder).marks:
        if mark.cylinder == case.cylinder:
            yield mark.error_deg - true[mark.name], (mark.btdc_deg.high - mark.btdc_deg.low) / 2


def _row(case: Case, seed: int, outcome: Outcome) -> str:
    asked = ASKED_DEG[case.which]
    if outcome.error_deg is None:
        verdict, error = ("as it should" if case.refused else "MISSED"), f"refused: {outcome.words}"
    else:
        missed = case.refused or abs(outcome.error_deg) > asked
        verdict = ("MISSED" if missed else "met") + ("" if outcome.inside else ", outside its interval")
        error = f"{outcome.error_deg:+7.3f}  ±{outcome.half_deg:5.2f}  {asked:5.2f}"
    return f"{case.which:7}{case.name:32}{seed:5}  {error}  {verdict}  ({outcome.seconds:.0f} s)"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="static timing and true TDC on rendered clips")
    parser.add_argument("--which", choices=("static", "tdc"))
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--seed", type=int, default=31)
    given = parser.parse_args()
    print(f"{'':7}{'clip':32}{'seed':>5}  {'error':>7}  {'95 %':>6}  asked   (degrees of crank)")
    errors: dict[str, list[float]] = {"static": [], "tdc": []}
    for i, case in enumerate(CASES):
        if case.which != (given.which or case.which) or given.only not in case.name:
            continue
        with tempfile.TemporaryDirectory() as folder:
            outcome = run(case, given.seed + i, Path(folder))
        print(_row(case, given.seed + i, outcome), flush=True)
        if outcome.error_deg is not None:
            errors[case.which].append(abs(outcome.error_deg))
    for which, each in errors.items():
        if each:
            within = sum(error <= ASKED_DEG[which] for error in each)
            print(f"{which}: worst {max(each):.3f}, asked {ASKED_DEG[which]}: met in {within} of {len(each)} measured")


if __name__ == "__main__":
    main()
