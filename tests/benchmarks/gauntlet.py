"""Rendered clips of everything that goes wrong in a garage, measured, and held against their truth.

In:  the cases of `gauntlet_scenes.py`, `gauntlet_files.py` and `gauntlet_refusals.py`.
Out: a table, a row a clip, and what it comes to; in the folder: clips, a JSON file a clip, `sheet.png`.
Not here: any threshold that a build depends on; a table is for reading.

Run it with:  python tests/benchmarks/gauntlet.py --keep FOLDER --jobs 2       (all: an hour or so of one core)
              python tests/benchmarks/gauntlet.py --keep FOLDER --only tilt    (names that hold these letters)

              python tests/benchmarks/gauntlet.py --keep OTHER --draw 1         (seeds that nobody has seen)

Clips that are there are used; results that are there are shown again, unless `--again` is given. A result that another
state of the program came to is marked with '*'.

Asked for: no clip silently wrong; 95 % of those that can be measured measured without a hint, each with an RMS of its
readings of at most 0.3 degrees and a bias of at most 0.25 where the index's height is given (through a timing hole
0.5 and 0.4); all others refused with the right reason. 'Silently wrong' is told in `gauntlet_judge.py`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, replace
from multiprocessing import get_context
from pathlib import Path

import gauntlet_sheet
from gauntlet_case import DELAY_US, Case
from gauntlet_files import FILES
from gauntlet_judge import Verdict, measured_verdict, refused_verdict
from gauntlet_refusals import REFUSED
from gauntlet_scenes import MEASURED

import timingcam
from timingcam.errors import TimingcamError
from timingcam.measure import Options, measure
from timingcam.reckoning.assemble import Strobe
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

DELAY_SD_S = 2e-6
ASKED_MEASURED = 0.95
FAULT = "FAULT"


def program_state() -> str:
    """Fingerprint of what measures; the renderer does not count."""
    package = Path(timingcam.__file__).parent
    files = [path for path in sorted(package.rglob("*.py")) if "staging" not in path.parts]
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:10]


def rendered(case: Case, folder: Path) -> Path:
    """The case's clip, rendered where it is not there yet or was rendered from another scene."""
    folder.mkdir(parents=True, exist_ok=True)
    clip, recipe = folder / "clip.mp4", case.filmed_engine + case.scene
    (folder / "told.toml").write_text(case.told_engine, encoding="utf-8")
    done = folder / "recipe.txt"
    if clip.exists() and done.exists() and done.read_text(encoding="utf-8") == recipe:
        return clip
    (folder / "filmed.toml").write_text(case.filmed_engine, encoding="utf-8")
    render_clip(scene_from_text(case.scene, folder), clip)
    done.write_text(recipe, encoding="utf-8")
    return clip


def run(case: Case, keep: Path) -> Verdict:
    """Render, measure, judge."""
    clip = rendered(case, keep / case.name)
    given = dict(case.options)
    strobe = Strobe(DELAY_US * 1e-6, DELAY_SD_S, given.pop("dial_deg", 0.0))
    started = time.monotonic()
    try:
        found = measure(clip, clip.with_name("told.toml"), case.cylinder, Options(strobe=strobe, **given))
    except TimingcamError as refusal:
        verdict = refused_verdict(case, refusal)
    else:
        verdict = measured_verdict(case, found, clip)
    return replace(verdict, seconds=time.monotonic() - started)


def store(verdict: Verdict, keep: Path, state: str) -> None:
    """Keep what came of a clip."""
    text = json.dumps({"state": state, "verdict": asdict(verdict)}, indent=1)
    (keep / f"{verdict.name}.json").write_text(text, encoding="utf-8")


def stored(case: Case, keep: Path) -> tuple[Verdict, str] | None:
    """What was kept of a clip, and by which state of the program."""
    path = keep / f"{case.name}.json"
    if not path.exists():
        return None
    kept = json.loads(path.read_text(encoding="utf-8"))
    return Verdict(**{**kept["verdict"], "warnings": tuple(kept["verdict"]["warnings"])}), kept["state"]


def measured_before(case: Case, keep: Path) -> bool:
    """Whether a result is there that is no fault of the program."""
    found = stored(case, keep)
    return found is not None and not found[0].got.startswith(FAULT)


def run_all(cases: list[Case], keep: Path, jobs: int) -> None:
    """Run the cases, a process each; a fault of the program ends one clip, not the gauntlet."""
    state = program_state()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), max_tasks_per_child=1) as pool:
        waiting = {pool.submit(run, case, keep): case for case in cases}
        for done in as_completed(waiting):
            case, fault = waiting[done], done.exception()
            if fault is None:
                verdict = done.result()
            else:
                expected = f"refused: {case.refused}" if case.refused else "measured"
                verdict = Verdict(
                    case.name, expected, f"{FAULT} {fault!r}"[:300], False, False, "a fault of the program"
                )
            store(verdict, keep, state)
            print(row(verdict, ""), flush=True)


HEAD = (
    f"{'clip':28s} {'s':>4s} {'RMS':>6s} {'bias':>7s} {'flat sd':>7s} {'worst figure':28s} {'used':>5s} "
    f"{'far':>4s} {'ok':3s} {'silent':6s} what"
)


def row(verdict: Verdict, mark: str) -> str:
    """One line of the table."""
    head = f"{verdict.name + mark:28s} {verdict.seconds:4.0f} "
    tail = f"{'yes' if verdict.right else 'NO':3s} {'WRONG' if verdict.silently_wrong else '-':6s} {verdict.why}"
    if verdict.rms_deg is None:
        said = f"[{verdict.got}]" + ("" if verdict.right else f" expected {verdict.expected}")
        return head + f"{'':6s} {'':7s} {'':7s} {'':28s} {'':5s} {'':4s} " + tail + " " + said
    sd = f"{verdict.stated_sd_deg:.2f}" if verdict.stated_sd_deg is not None else "-"
    worst = f"{verdict.worst_figure} {verdict.worst_sds:.1f} sd" if verdict.worst_sds is not None else "-"
    return head + (
        f"{verdict.rms_deg:6.3f} {verdict.bias_deg:+7.3f} {sd:>7s} {worst:28s} {verdict.used_share:5.0%} "
        f"{verdict.far_share:4.0%} {tail}"
    )


def summary(verdicts: list[Verdict]) -> list[str]:
    """What it all comes to, beside what was asked."""
    due = [v for v in verdicts if v.expected.startswith("refused")]
    able = [v for v in verdicts if v not in due]
    got = [v for v in able if v.rms_deg is not None]
    lines = [f"silently wrong: {sum(v.silently_wrong for v in verdicts)} of {len(verdicts)} (asked 0)"]
    if able:
        within = sum(v.right for v in able)
        lines.append(f"measured: {len(got)} of {len(able)}, {len(got) / len(able):.0%} (asked {ASKED_MEASURED:.0%}); "
                     f"within what was asked: {within}, {within / len(able):.0%}")  # fmt: skip
    if due:
        lines.append(f"refused with the right reason: {sum(v.right for v in due)} of {len(due)} (asked all)")
    return lines


def table(cases: list[Case], keep: Path) -> str:
    """Everything that is known of these cases, as text."""
    state = program_state()
    kept = [found for case in cases if (found := stored(case, keep)) is not None]
    lines = [HEAD, *(row(verdict, "" if by == state else "*") for verdict, by in kept), ""]
    return "\n".join([*lines, *summary([verdict for verdict, _ in kept])]) + "\n"


def main() -> None:
    """Read the words of the command, run, print the table."""
    words = argparse.ArgumentParser(description="Measurement of clips with everything that goes wrong")
    words.add_argument("--only", default="", metavar="PATTERN", help="clips whose name holds this regular expression")
    words.add_argument("--keep", type=Path, metavar="FOLDER", help="keep clips and results here, and use what is there")
    words.add_argument("--jobs", type=int, default=1, metavar="N", help="clips at a time (1)")
    words.add_argument("--part", default="1/1", metavar="K/N", help="every N-th clip, from the K-th on (1/1)")
    words.add_argument("--draw", type=int, default=0, metavar="N", help="the same scenes with other seeds (0)")
    words.add_argument("--again", action="store_true", help="measure again what has a result")
    words.add_argument("--table", action="store_true", help="only show what is there")
    given = words.parse_args()
    everything = [*MEASURED, *FILES, *REFUSED]
    part, parts = (int(number) for number in given.part.split("/"))
    cases = [replace(case, draw=given.draw) for case in everything if re.search(given.only, case.name)]
    cases = cases[part - 1 :: parts]
    with tempfile.TemporaryDirectory() as scratch:
        keep = given.keep or Path(scratch)
        keep.mkdir(parents=True, exist_ok=True)
        todo = [case for case in cases if given.again or not measured_before(case, keep)]
        if not given.table:
            run_all(todo, keep, given.jobs)
        print("\n" + table(cases, keep))
        shown = [(found[0], keep / case.name / "clip.mp4") for case in cases if (found := stored(case, keep))]
        gauntlet_sheet.sheet([(v, clip) for v, clip in shown if clip.exists()], keep / "sheet.png")


if __name__ == "__main__":
    main()
