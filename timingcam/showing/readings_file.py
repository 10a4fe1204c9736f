"""Readings to the text of `readings.csv`, and back.

In:  `Readings`, or the text of a `readings.csv`.
Out: the text, columns as docs/formats.md names them; or `Readings`.
Not here: where the file lies (`results.py`).
"""

from __future__ import annotations

import csv
import io
import math

import numpy as np

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Readings

COLUMNS = ("time_s", "rpm", "rpm_sd", "advance_deg", "advance_sd_deg", "used", "reason", "frame")

# Ten figures: 0.1 µs in a clip of 16 minutes and 1e-8 degrees of advance, both far below any doubt that is stated.
FIGURES = 10
MAX_BYTES = 200_000_000  # some two million flashes, more than ten hours of a fast engine
REASON_CHARACTERS = 10_000  # our choice: far more than any sentence


def readings_text(readings: Readings) -> str:
    """Readings as the text of `readings.csv`.

    Parameters
    ----------
    readings : Readings
        One row a flash, in time order.

    Returns
    -------
    str
        Comma-separated, with a header row; a number that could not be had is empty.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    r = readings
    for i in range(len(r)):
        numbers = [_number(c[i]) for c in (r.time_s, r.rpm, r.rpm_sd, r.advance_deg, r.advance_sd_deg)]
        # One line a row, whatever a reason holds: simple readers count lines.
        reason = " ".join(r.reason[i].split())
        writer.writerow([*numbers, "yes" if r.used[i] else "no", reason, int(r.frame[i])])
    return out.getvalue()


def parse_readings(text: str, name: str = "readings.csv") -> Readings:
    """Read and validate the text of a `readings.csv`.

    Parameters
    ----------
    text : str
        The file's content.
    name : str
        What to call the file in an error.

    Returns
    -------
    Readings
        An empty number becomes NaN.

    Raises
    ------
    CannotUse
        If the columns differ, a value is of a wrong kind, a flash counts as used without its advance, or the rows are
        not in time order; row and column are named.
    """
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise _refuse(f"{name} that is not comma-separated text ({error})", "the columns of docs/formats.md") from None
    if not rows or tuple(rows[0]) != COLUMNS:
        raise _refuse(f"{name} that does not open with the expected columns", "first row " + ",".join(COLUMNS))
    table: list[list[float]] = []
    used: list[bool] = []
    reason: list[str] = []
    frame: list[int] = []
    for number, row in enumerate(rows[1:], start=2):
        where = f"row {number} of {name}"
        if len(row) != len(COLUMNS):
            raise _refuse(f"{len(row)} values in {where}", f"{len(COLUMNS)} values")
        table.append([_read_number(row[i], COLUMNS[i], where, needed=COLUMNS[i] == "time_s") for i in range(5)])
        used.append(_read_used(row[5], where))
        if used[-1] and math.isnan(table[-1][COLUMNS.index("advance_deg")]):
            raise _refuse(f"a flash used without its advance_deg in {where}", "a number, or no as used")
        reason.append(_read_reason(row[6], where))
        frame.append(_read_frame(row[7], where))
    columns = np.array(table, dtype=float).reshape(-1, 5).T.copy()
    try:
        time_s, rpm, rpm_sd, advance_deg, advance_sd_deg = columns
        return Readings(
            time_s, rpm, rpm_sd, advance_deg, advance_sd_deg,
            np.array(used, dtype=bool), tuple(reason), np.array(frame, dtype=np.int64),
        )  # fmt: skip
    except ValueError as error:
        raise _refuse(f"{name} in which {error}", "one row a flash, in time order") from None


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.{FIGURES}g}"


def _read_number(text: str, column: str, where: str, *, needed: bool) -> float:
    if text == "" and not needed:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _refuse(f"'{text[:40]}' as {column} in {where}", "a number" if needed else "a number, or nothing")
    return value


def _read_used(text: str, where: str) -> bool:
    if text not in ("yes", "no"):
        raise _refuse(f"'{text[:40]}' as used in {where}", "yes or no")
    return text == "yes"


def _read_reason(text: str, where: str) -> str:
    if len(text) > REASON_CHARACTERS:
        raise _refuse(f"{len(text)} characters as reason in {where}", f"at most {REASON_CHARACTERS}")
    return text


def _read_frame(text: str, where: str) -> int:
    # The length keeps it within 64 bits, and Python from working for minutes on a number of a million digits.
    if not (text.isascii() and text.isdigit() and len(text) <= 15):
        raise _refuse(f"'{text[:40]}' as frame in {where}", "a frame number, 0 or more")
    return int(text)


def _refuse(found: str, expected: str) -> CannotUse:
    return CannotUse(found=found, expected=expected, do="measure the clip again, or use the file as timingcam wrote it")
