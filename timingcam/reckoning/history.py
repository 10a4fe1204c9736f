"""One engine over the years: the points of its trend.

In:  what the bench log holds.
Out: `HistoryPoint`s.
Not here: the log (`keeping/`), its picture (`showing/history_picture.py`).
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from timingcam.reckoning.result import Estimate


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """One cylinder on one day."""

    date: datetime.date
    cylinder: str
    low: Estimate | None
    full: Estimate | None
    moved: tuple[str, ...]  # before this measurement
    low_limits_deg: tuple[float, float] | None = None  # by the spec of that day; None where none is known
    full_limits_deg: tuple[float, float] | None = None
