"""One measurement of the gauntlet against its truth: what it got wrong, and whether it said so.

In:  a `Measurement` or the refusal, the truth beside the rendered clip, the case.
Out: `Verdict`, plain numbers and words that go into a JSON file.
Not here: rendering, measuring, the table.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from gauntlet_case import Case

from timingcam.errors import TimingcamError
from timingcam.reckoning.result import Curve, Measurement

SAME_FLASH_S = 6e-3  # a quarter of the shortest time between two sparks, 24 ms
# What 'silently wrong' means: more than four stated standard uncertainties off, or more than three and half a degree.
MOST_SDS, MANY_SDS, MANY_DEG = 4.0, 3.0, 0.5
FAR_DEG, FAR_SHARE = 1.0, 0.05  # or more than 5 % of the readings used off by over a degree


@dataclass(frozen=True)
class Verdict:
    """What came of one clip; numbers are None where it was refused."""

    name: str
    expected: str
    got: str  # "measured", or the refusal's `found`
    right: bool  # measured within what was asked, or refused with the right reason
    silently_wrong: bool
    why: str  # what is not right, in words
    rms_deg: float | None = None
    bias_deg: float | None = None
    used_share: float | None = None
    far_share: float | None = None
    stated_sd_deg: float | None = None  # largest of the stated sds of the two flats
    worst_figure: str = ""
    worst_sds: float | None = None
    figures: dict[str, list[float]] | None = None  # name: found, sd, true
    seconds: float = 0.0
    warnings: tuple[str, ...] = ()
    advice: str = ""


def refused_verdict(case: Case, refusal: TimingcamError) -> Verdict:
    """A refusal: right where one is due and its words are those of the right reason."""
    due = bool(case.refused)
    fits = due and re.search(case.refused, refusal.found) is not None and refusal.exit_status == 3
    why = "" if fits else "wrong reason" if due else "refused"
    expected = f"refused: {case.refused}" if due else "measured"
    return Verdict(case.name, expected, refusal.found, fits, False, why, advice=refusal.do)


def measured_verdict(case: Case, found: Measurement, clip: Path) -> Verdict:
    """A measurement against `clip.truth.csv` and `clip.truth.json`."""
    off, used_share, astray = _errors(found, clip.with_suffix(".truth.csv"))
    figures = _figures(found.curve, json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8")))
    far = float(np.mean(np.append(np.abs(off) > FAR_DEG, np.ones(astray))))
    rms, bias = float(np.sqrt(np.mean(off**2))), float(np.mean(off))
    sds = {name: abs(value - true) / max(sd, 1e-9) for name, (value, sd, true) in figures.items()}
    worst = max(sds, key=lambda name: sds[name], default="")
    wrong = [name for name, (value, _, true) in figures.items() if _is_wrong(name, sds[name], value - true)]
    silently = [f"{name} {sds[name]:.1f} sd off" for name in wrong]
    if far > FAR_SHARE:
        silently.append(f"{far:.0%} of readings over 1° off")
    if case.refused:
        silently.append("measured what cannot be")
    missed = []
    if rms > case.rms_deg:
        missed.append(f"RMS over {case.rms_deg}°")
    if case.given and abs(bias) > case.bias_deg:
        missed.append(f"bias over {case.bias_deg}°")
    flats = [figures[name][1] for name in ("low_speed_advance_deg", "full_advance_deg") if name in figures]
    return Verdict(
        case.name, f"refused: {case.refused}" if case.refused else "measured", "measured",
        not silently and not missed, bool(silently), "; ".join([*silently, *missed]), rms, bias, used_share, far,
        max(flats, default=None), worst, sds.get(worst),
        {name: [float(x) for x in three] for name, three in figures.items()}, warnings=found.warnings,
    )  # fmt: skip


def _is_wrong(name: str, sds: float, off: float) -> bool:
    in_degrees = name.endswith("_deg")
    return sds > MOST_SDS or (in_degrees and sds > MANY_SDS and abs(off) > MANY_DEG)


def _errors(found: Measurement, truth_csv: Path) -> tuple[np.ndarray, float, int]:
    """Errors of the readings used, degrees; share of the flashes that could be read; readings used that are no spark's.

    A flash can be read where its lit rows cover the index and the mark nearest to it, and nothing stands before them.
    """
    with truth_csv.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["missed"] == "no" and row["kind"] == "spark"]
    used = found.readings.used
    time_s, advance = found.readings.time_s[used], found.readings.advance_deg[used]
    if not rows:
        return np.zeros(0), 0.0, int(used.sum())
    true_s, true_deg = (np.array([float(r[k]) for r in rows]) for k in ("time_s", "advance_deg"))
    covered = np.array([r["index_lit"] == "yes" and r["marks_lit"] == "yes" and r["hidden"] == "no" for r in rows])
    nearest = np.abs(true_s[:, None] - time_s[None, :]).argmin(axis=0)
    same = np.abs(true_s[nearest] - time_s) < SAME_FLASH_S
    seen = np.isin(np.flatnonzero(covered), nearest[same])
    share = float(seen.mean()) if covered.any() else float("nan")
    return (advance - true_deg[nearest])[same], share, int((~same).sum())


def _figures(curve: Curve, truth: dict[str, object]) -> dict[str, tuple[float, float, float]]:
    """Each figure that was given: found, its sd, true."""
    points = truth["advance_curve"]
    assert isinstance(points, list)
    (starts, low), (full_rpm, full) = points[1], points[2]
    true = {
        "low_speed_advance_deg": low, "full_advance_deg": full, "starts_rpm": starts, "full_rpm": full_rpm,
        "slope_deg_per_1000rpm": 1000 * (full - low) / (full_rpm - starts), "scatter_deg": truth["jitter_deg"],
        "hysteresis_deg": truth["hysteresis_deg"],
    }  # fmt: skip
    if truth[
        "hysteresis_deg"
    ]:  # between a rising and a falling branch there are no corners that would be the true ones
        true = {name: true[name] for name in ("low_speed_advance_deg", "full_advance_deg", "hysteresis_deg")}
    found = {name: getattr(curve, name) for name in true}
    return {name: (one.value, one.sd, true[name]) for name, one in found.items() if one is not None}  # type: ignore[misc]
