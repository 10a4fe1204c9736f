"""A batch as a table: `batch.json` and `batch.csv`.

In:  outcomes.
Out: texts.
Not here: the table on the terminal (`cli/batch.py`), the picture (`picture.py`).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from timingcam.batch.folder import BATCH_FORMAT
from timingcam.batch.job import Figures, Outcome
from timingcam.reckoning.result import Estimate

COLUMNS = (
    "clip", "engine", "cylinder", "state", "verdict", "flashes_used",
    "low_speed_advance_deg", "low_speed_advance_low_deg", "low_speed_advance_high_deg",
    "full_advance_deg", "full_advance_low_deg", "full_advance_high_deg",
    "result", "status", "reason",
)  # fmt: skip
NO_FIGURES = Figures(0, None, (None, None), None, (None, None), None)


def batch_csv(outcomes: Sequence[Outcome]) -> str:
    """The outcomes as the text of `batch.csv`.

    Parameters
    ----------
    outcomes : sequence of Outcome

    Returns
    -------
    str
        Comma-separated, with a header row; a number that could not be had is empty.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in outcomes:
        figures = one.figures or NO_FIGURES
        writer.writerow(
            [
                one.job.shown, one.job.engine.name, one.job.cylinder, one.state, figures.verdict or "",
                figures.flashes_used if one.figures else "", *_cells(figures.low), *_cells(figures.full),
                one.folder, one.status, one.reason,
            ]
        )  # fmt: skip
    return out.getvalue()


def batch_json(outcomes: Sequence[Outcome], folder_id: str) -> str:
    """The outcomes as the text of `batch.json`.

    Parameters
    ----------
    outcomes : sequence of Outcome
    folder_id : str
        Of the batch folder.

    Returns
    -------
    str
    """
    content = {"format": BATCH_FORMAT, "folder_id": folder_id, "clips": [_row(one) for one in outcomes]}
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _row(one: Outcome) -> dict[str, Any]:
    figures = one.figures or NO_FIGURES
    return {
        "clip": one.job.shown,
        "engine": one.job.engine.name,
        "cylinder": one.job.cylinder,
        "state": one.state,
        "verdict": figures.verdict,
        "flashes_used": figures.flashes_used if one.figures else None,
        "low_speed_advance_deg": asdict(figures.low) if figures.low else None,
        "low_speed_limits_deg": list(figures.low_limits),
        "full_advance_deg": asdict(figures.full) if figures.full else None,
        "full_advance_limits_deg": list(figures.full_limits),
        "result": one.folder or None,
        "status": one.status,
        "reason": one.reason or None,
    }


def _cells(estimate: Estimate | None) -> list[str]:
    return [""] * 3 if estimate is None else [f"{x:.10g}" for x in (estimate.value, estimate.low, estimate.high)]
