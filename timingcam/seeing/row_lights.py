"""How light each row of each frame is, for clips of any length.

In:  rows of one frame after another.
Out: `RowLights`: how many there are, and parts of them as arrays.
Not here: what they say (`bands.py`).

Ten minutes at 60 frames a second with 1080 rows are 155 MB. They are kept in a file without a name, that is gone
with the program, and looked at in parts. Nothing is rounded or left out.
"""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from timingcam.errors import CannotUse

PART_FRAMES = 1200  # our choice: 20 s at 60 frames a second, some hundreds of flashes
BUFFERED_FRAMES = 256
KIND = np.dtype(np.float32)


class RowLights:
    """Light of rows, frame after frame: `shape` is (n_frames, n_rows)."""

    def __init__(self, n_rows: int) -> None:
        self.n_rows = n_rows
        self.n_frames = 0
        self._waiting: list[np.ndarray] = []
        try:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 (it lives as long as this does)
        except OSError as fault:
            raise _no_room(fault) from fault
        weakref.finalize(self, self._file.close)

    @property
    def shape(self) -> tuple[int, int]:
        """How many frames, and rows in each."""
        return self.n_frames, self.n_rows

    def append(self, light: np.ndarray) -> None:
        """One more frame's, shape (n_rows,).

        Raises
        ------
        CannotUse
            If there is no room for them on the disk.
        """
        self._waiting.append(light.astype(KIND))
        self.n_frames += 1
        if len(self._waiting) >= BUFFERED_FRAMES:
            self._write()

    def parts(self, most_frames: int = PART_FRAMES) -> Iterator[tuple[int, np.ndarray]]:
        """The number of each part's first frame, and its light, shape (n, n_rows): parts of about one length."""
        self._write()
        n_parts = max(1, -(-self.n_frames // most_frames))
        bounds = np.linspace(0, self.n_frames, n_parts + 1).round().astype(int)
        for first, beyond in pairwise(bounds):
            yield int(first), self._read(int(first), int(beyond - first))

    def whole(self) -> np.ndarray:
        """All of it, shape (n_frames, n_rows)."""
        self._write()
        return self._read(0, self.n_frames)

    def _read(self, first: int, n: int) -> np.ndarray:
        self._file.seek(first * self.n_rows * KIND.itemsize)
        return np.frombuffer(self._file.read(n * self.n_rows * KIND.itemsize), KIND).reshape(n, self.n_rows)

    def _write(self) -> None:
        if not self._waiting:
            return
        try:
            self._file.seek(0, 2)
            self._file.write(np.stack(self._waiting).tobytes())
            self._file.flush()
        except OSError as fault:
            raise _no_room(fault) from fault
        self._waiting = []


def _no_room(fault: OSError) -> CannotUse:
    return CannotUse(
        found=f"no room for temporary files ({fault.strerror or fault})",
        expected="a few hundred megabytes",
        do="make room on the disk, or set TMPDIR to a folder on another",
    )
