"""What an MP4 or MOV file says of its number of samples and notes, held against the size of the file.

In:  a path.
Out: nothing; or `CannotUse`, before a decoder believes it.
Not here: reading the clip (`clip.py`).

A decoder makes a table with a row for each sample, and each name of a note, that the head of the file speaks of.
Twelve bytes can speak of two thousand million samples of one byte, which fill the memory of any computer. So they are
read first.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from timingcam.errors import CannotUse

# ISO/IEC 14496-12: boxes that hold boxes, on the way to the tables of samples.
_HOLD_BOXES = {b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf", b"edts", b"mvex", b"udta", b"dinf"}
_HOLD_BOXES |= {b"meta"}
_DEEPEST = 12  # our choice: FFmpeg's own reader gives up at 10
_MOST_BOXES = 1_000_000  # our choice: a fragment a second for a day, and ten boxes to each
# A sample of picture or sound takes a byte at least; of sound packed by old coders, which count single values, less.
_SAMPLES_PER_BYTE = 8
_NAME_BYTES = 8  # of a name in a list of notes (`keys`): its size and its kind, without a letter


def refuse_absurd_counts(path: Path) -> None:
    """Refuse a file that speaks of more samples than it can hold.

    Parameters
    ----------
    path : Path
        Any file; what is no MP4 or MOV is let through.

    Raises
    ------
    CannotUse
        If a table of samples is longer than the file allows.
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        most = _SAMPLES_PER_BYTE * size
        seen = 0
        for kind, at in _boxes(file, 0, size, 0):
            seen += _samples_in(file, kind, at)
            if seen > most:
                raise _damaged(path, f"{seen} samples", size, most)
            names = _names_in(file, kind, at)
            if names > size // _NAME_BYTES:
                raise _damaged(path, f"{names} names of notes", size, size // _NAME_BYTES)


def _damaged(path: Path, what: str, size: int, most: int) -> CannotUse:
    return CannotUse(
        found=f"{what} in the head of {path.name!r}, a file of {size} bytes",
        expected=f"at most {most}",
        do="copy the clip from the phone again: its head is damaged",
    )


def _boxes(file: BinaryIO, start: int, end: int, depth: int) -> Iterator[tuple[bytes, int]]:
    """Kind and place of the content of every box from start to end, and of those within."""
    at, count = start, 0
    while at + 8 <= end and count < _MOST_BOXES:
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            return
        size, kind, content = int.from_bytes(head[:4], "big"), head[4:8], at + 8
        if size == 1 and len(head) == 16:
            size, content = int.from_bytes(head[8:], "big"), at + 16
        stop = end if size == 0 else min(at + size, end)
        if stop < content:
            return
        yield kind, content
        if kind in _HOLD_BOXES and depth < _DEEPEST:
            yield from _boxes(file, content + _before_boxes(file, kind, content), stop, depth + 1)
        at, count = stop, count + 1


def _samples_in(file: BinaryIO, kind: bytes, at: int) -> int:
    """How many samples a table speaks of without a row for each."""
    if kind not in (b"stsz", b"trun"):
        return 0
    file.seek(at)
    head = file.read(12)
    if len(head) < 12:
        return 0
    # stsz: version and flags, one size for all or 0, count. trun: version and flags, count.
    second, third = struct.unpack(">II", head[4:])
    return int(third if kind == b"stsz" else second)


def _names_in(file: BinaryIO, kind: bytes, at: int) -> int:
    """How many names of notes a list speaks of."""
    if kind != b"keys":
        return 0
    file.seek(at)
    head = file.read(8)
    return int.from_bytes(head[4:], "big") if len(head) == 8 else 0


def _before_boxes(file: BinaryIO, kind: bytes, at: int) -> int:
    """Bytes between the start of a box's content and the first box in it.

    The box of notes has a version first in MP4 (ISO/IEC 14496-12), none in MOV: there its handler follows at once.
    """
    if kind != b"meta":
        return 0
    file.seek(at + 4)
    return 0 if file.read(4) == b"hdlr" else 4
