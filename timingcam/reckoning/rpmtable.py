"""A logged tachometer: the file, and what it says at given times.

In:  a CSV of `time_s` and `rpm`.
Out: `RpmTable`; the speed at given times; the offset between the log's clock and the clip's.
Not here: speed from the flashes themselves (`tacho.py`).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.result import freeze, same_length

COLUMNS = ("time_s", "rpm")
FASTEST_LOGGED_RPM = 30_000.0  # our choice: beyond it the column holds something else
LONGEST_SHIFT_S = 60.0  # our choice: logs started by hand are off by seconds, not minutes
LEAST_SWING = 0.05  # our choice: with less than 5 % change of speed every offset fits


@dataclass(frozen=True, slots=True, eq=False)
class RpmTable:
    """A logged speed, in time order; arrays of shape (n,), read-only."""

    time_s: np.ndarray
    rpm: np.ndarray

    def __post_init__(self) -> None:
        same_length("logged speed", (self.time_s, self.rpm))
        if len(self.time_s) < 2 or np.any(np.diff(self.time_s) <= 0):
            raise ValueError("a logged speed needs at least two rows with rising times")
        freeze(self.time_s, self.rpm)


@dataclass(frozen=True, slots=True)
class Offset:
    """What to add to the log's times to get the clip's."""

    seconds: float
    sd_s: float
    correlation: float  # at that offset, 1 at best


def read_rpm_csv(path: str | Path) -> RpmTable:
    """Read a logged speed.

    Parameters
    ----------
    path : str or Path
        A CSV file with a header row that names `time_s` and `rpm`; other columns are passed over.

    Returns
    -------
    RpmTable

    Raises
    ------
    CannotUse
        If the file cannot be read, a column is missing, or a row does not hold two numbers in rising time.
    """
    path = Path(path)
    rows = _rows(path)
    header = [cell.strip() for cell in rows[0]] if rows else []
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        raise CannotUse(
            found=f"{path.name}: columns {', '.join(header) or 'none'}",
            expected="a first row that names the columns time_s and rpm",
            do=f"name the column of the {'times, in seconds' if 'time_s' in missing else 'speeds, in 1/min'}",
        )
    at = [header.index(name) for name in COLUMNS]
    return _table(path.name, [(n, row) for n, row in enumerate(rows[1:], start=2) if any(row)], at)


def _rows(path: Path) -> list[list[str]]:
    try:
        # A pipe or a device of that name would be waited for without end.
        if path.exists() and not path.is_file():
            raise _unreadable(path, "not a plain file")
        return list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise _unreadable(
            path, (fault.strerror or str(fault)) if isinstance(fault, OSError) else "not a CSV text"
        ) from fault


def _unreadable(path: Path, why: str) -> CannotUse:
    return CannotUse(
        found=f"{path.name}: {why}",
        expected="a readable CSV file of times and speeds",
        do="check the name given with --rpm",
    )


def _table(name: str, rows: list[tuple[int, list[str]]], at: list[int]) -> RpmTable:
    times: list[float] = []
    speeds: list[float] = []
    for number, row in rows:
        try:
            time_s, rpm = (float(row[i]) for i in at)
        except (ValueError, IndexError) as fault:
            raise _bad_row(name, number, ",".join(row), "a time in seconds and a speed in 1/min") from fault
        if not (np.isfinite(time_s) and 0 <= rpm <= FASTEST_LOGGED_RPM):
            raise _bad_row(
                name, number, ",".join(row), f"a speed of 0 to {FASTEST_LOGGED_RPM:.0f} rpm at a finite time"
            )
        if times and time_s <= times[-1]:
            raise _bad_row(name, number, f"time {time_s:g} s after {times[-1]:g} s", "times that rise from row to row")
        times.append(time_s)
        speeds.append(rpm)
    if len(times) < 2:
        raise CannotUse(
            found=f"{name}: {len(times)} rows of figures",
            expected="at least two, from before the first flash to after the last",
            do="log for as long as you film; for one steady speed give the number with --rpm",
        )
    return RpmTable(np.array(times), np.array(speeds))


def _bad_row(name: str, number: int, found: str, expected: str) -> CannotUse:
    return CannotUse(found=f"{name}, row {number}: {found}", expected=expected, do="mend or remove that row")


def rpm_at(table: RpmTable, at_s: np.ndarray) -> np.ndarray:
    """Logged speed at given times, straight between rows; NaN outside the log, shape of `at_s`."""
    return np.interp(at_s, table.time_s, table.rpm, left=np.nan, right=np.nan)


def hardly_changes(rpm: np.ndarray) -> bool:
    """Whether a speed changes by too little for its course to be set against another's."""
    return len(rpm) < 2 or bool(np.ptp(rpm) < LEAST_SWING * np.mean(rpm))


def align(table: RpmTable, time_s: np.ndarray, rpm: np.ndarray) -> Offset:
    """Offset of the log against a rough speed from the clip (its sound, or its flashes).

    Parameters
    ----------
    table : RpmTable
        The log.
    time_s, rpm : ndarray, shape (n,)
        Speed by the clip's clock, times rising.

    Returns
    -------
    Offset
        Its sd from how sharply the misfit rises about its least value.

    Raises
    ------
    CannotMeasure
        If the speed hardly changes, or the two courses are not alike at any offset.
    """
    for what, values in (("log", table.rpm), ("clip", rpm)):
        if hardly_changes(values):
            raise CannotMeasure(
                found=f"a speed in the {what} that changes by less than {LEAST_SWING:.0%}",
                expected="a blip of the throttle that both the log and the clip hold",
                do="blip the throttle once while both run, or start the log with the clip",
            )
    step_s = 0.01
    grid_clip = np.arange(time_s[0], time_s[-1], step_s)
    grid_log = np.arange(table.time_s[0], table.time_s[-1], step_s)
    ours = np.interp(grid_clip, time_s, rpm)
    theirs = np.interp(grid_log, table.time_s, table.rpm)
    rough_s = _rough_offset(grid_clip, ours, grid_log, theirs, step_s)
    return _refined(table, time_s, rpm, rough_s)


def _rough_offset(
    grid_clip: np.ndarray, ours: np.ndarray, grid_log: np.ndarray, theirs: np.ndarray, step_s: float
) -> float:
    """Least mean square difference over the overlap, by cross-correlation."""
    # Loaded where it is used: it takes 30 MB and a third of a second.
    from scipy.signal import correlate

    cross = correlate(ours, theirs, mode="full", method="fft")
    ours2 = correlate(ours**2, np.ones_like(theirs), mode="full", method="fft")
    theirs2 = correlate(np.ones_like(ours), theirs**2, mode="full", method="fft")
    count = np.rint(correlate(np.ones_like(ours), np.ones_like(theirs), mode="full", method="fft"))
    lag = np.arange(len(cross)) - (len(theirs) - 1)
    offset = lag * step_s + grid_clip[0] - grid_log[0]
    enough = count >= 0.5 * min(len(ours), len(theirs))
    enough &= np.abs(offset) <= LONGEST_SHIFT_S + abs(grid_clip[0] - grid_log[0])
    cost = np.where(enough, (ours2 + theirs2 - 2 * cross) / np.maximum(count, 1), np.inf)
    return float(offset[int(np.argmin(cost))])


def _refined(table: RpmTable, time_s: np.ndarray, rpm: np.ndarray, rough_s: float) -> Offset:
    tries = rough_s + np.linspace(-0.15, 0.15, 121)
    logged = np.array([rpm_at(table, time_s - offset) for offset in tries])
    inside = np.isfinite(logged).all(axis=0)
    if inside.sum() < 10:
        raise CannotMeasure(
            found=f"{int(inside.sum())} flashes within the log at its best offset",
            expected="at least 10",
            do="log for as long as you film",
        )
    misfit = np.mean((logged[:, inside] - rpm[inside]) ** 2, axis=1)
    bend, slope, _ = np.polyfit(tries - rough_s, misfit, 2)
    at_s = float(np.clip(-slope / (2 * bend), -0.15, 0.15)) if bend > 0 else 0.0
    least = float(np.min(misfit))
    best = logged[int(np.argmin(misfit)), inside]
    # Against a stretch of the log at one speed nothing is alike.
    likeness = float(np.corrcoef(best, rpm[inside])[0, 1]) if np.ptp(best) > 0 else 0.0
    if likeness < 0.9:
        raise CannotMeasure(
            found=f"a logged speed whose course is like the clip's only to {likeness:.2f}",
            expected="a correlation of at least 0.9 at some offset",
            do="check that the log belongs to this clip",
        )
    # Residuals of two tachometers go together over about a tenth of a second: so many of them count as independent.
    independent = max((time_s[inside][-1] - time_s[inside][0]) / 0.1, 3.0)
    sd = float(np.sqrt(2.0 * least / (2.0 * bend) / independent)) if bend > 0 else 0.1
    return Offset(rough_s + at_s, sd, likeness)
