"""The bench log: a file of one line an entry, only ever added to.

In:  `Entry`s and the log's path.
Out: the same, in the order in which they were added.
Not here: what an entry holds (`entry.py`).

Safe against a crash while writing: a line that was cut short is passed over and told, and the next entry begins on a
line of its own. Safe against two programs at once: each writes under a lock. Safe against a full disk: what could not
be written whole is taken back.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from timingcam.errors import CannotUse
from timingcam.keeping.entry import Entry

DEFAULT_NAME = "bench-log.jsonl"
WAIT_S = 10.0  # our choice: another program writes for milliseconds
MAX_BYTES = 50_000_000  # our choice: some 50 000 entries


@dataclass(frozen=True, slots=True)
class Log:
    """What a log holds, and what of it could not be read."""

    entries: tuple[Entry, ...]
    unreadable: tuple[str, ...]  # a sentence each


def read_log(path: str | Path) -> Log:
    """Read a bench log.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Log

    Raises
    ------
    CannotUse
        If there is no such file, or it cannot be read.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise CannotUse(
            found=f"no readable bench log {path} ({error.strerror})",
            expected="a log that timingcam log add has written",
            do="add a result first, or name the log with --log",
        ) from error
    if len(raw) > MAX_BYTES:
        raise CannotUse(found=f"{path}, longer than 50 MB", expected="a bench log", do="check that this is the log")
    return _parse(raw)


def append(path: str | Path, entry: Entry, *, again: bool = False) -> int:
    """Add an entry at the end of a log; the log is made where there is none.

    Parameters
    ----------
    path : str or Path
        Of the log.
    entry : Entry
    again : bool
        Whether a clip that is in the log already may be added once more.

    Returns
    -------
    int
        The entry's number, counted from 1.

    Raises
    ------
    CannotUse
        If the clip is in the log already, the log cannot be written to, or another program holds it too long.
    """
    path = Path(path)
    try:
        new = not path.exists()
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        with _locked(handle, path):
            raw = _read_all(handle)
            known = _parse(raw).entries
            _refuse_known(entry, known, again)
            torn = raw != b"" and not raw.endswith(b"\n")
            _write_or_undo(handle, (b"\n" if torn else b"") + entry.line().encode(), len(raw))
            if new:
                _sync_folder(path.absolute().parent)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        os.close(handle)
    return len(known) + 1


def _parse(raw: bytes) -> Log:
    entries, unreadable = [], []
    lines = raw.split(b"\n")
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            entries.append(Entry.model_validate_json(line))
        except ValidationError:
            cut = number == len(lines)
            why = "was cut short, probably by a crash while it was written" if cut else "cannot be read as an entry"
            unreadable.append(f"Line {number} of the log {why}; it is passed over.")
    return Log(tuple(entries), tuple(unreadable))


def _refuse_known(entry: Entry, known: tuple[Entry, ...], again: bool) -> None:
    for number, other in enumerate(known, start=1):
        if not again and (other.sha256, other.cylinder, other.engine) == (entry.sha256, entry.cylinder, entry.engine):
            raise CannotUse(
                found=f"this clip of {entry.cylinder} in the log already, number {number} of {other.date}",
                expected="a result that is new",
                do="add it with --again if it was measured anew",
            )


def _read_all(handle: int) -> bytes:
    os.lseek(handle, 0, os.SEEK_SET)
    parts = []
    while part := os.read(handle, 1 << 20):
        parts.append(part)
    return b"".join(parts)


def _write_or_undo(handle: int, data: bytes, at: int) -> None:
    os.lseek(handle, at, os.SEEK_SET)
    try:
        done = 0
        while done < len(data):
            done += os.write(handle, data[done:])
        os.fsync(handle)
    except BaseException:
        # A full disk, or Ctrl-C: nothing half-written stays behind.
        os.ftruncate(handle, at)
        raise


def _sync_folder(folder: Path) -> None:
    """Make a new file's name last through a crash too; Windows has no such call and needs none."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _locked(handle: int, path: Path) -> Iterator[None]:
    give_up = time.monotonic() + WAIT_S
    while not _try_lock(handle):
        if time.monotonic() > give_up:
            raise CannotUse(
                found=f"{path} held by another program for {WAIT_S:.0f} s",
                expected="a log that is free",
                do="wait for the other program, or end it, and try again",
            )
        time.sleep(0.02)
    try:
        yield
    finally:
        _unlock(handle)


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 40  # lock a byte beyond the end, so that others may still read the log

    def _try_lock(handle: int) -> bool:
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(handle: int) -> None:
        os.lseek(handle, _FAR, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _unlock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)


def _unwritable(path: Path, error: OSError) -> CannotUse:
    return CannotUse(
        found=f"that {path} cannot be written to ({error.strerror})",
        expected="a log in a folder that may be written to, with room on the disk",
        do="make room, or name another log with --log",
    )
