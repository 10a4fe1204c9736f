"""Flashes that light a few rows each: daylight makes a camera expose for so short that it shows the rotor in slices.

In:  the clip, its flashes, the pictures kept of some of them.
Out: whether it is one of these clips; pictures of more flashes.
Not here: the rotor.

The frames that are kept whole hold a handful of slices of each place, at different angles of the rotor: too few to
tell which of them belong together. Of more frames the lit rows alone are kept, and where the picture lies by what all
the others show.
"""

from __future__ import annotations

import mmap
from dataclasses import replace

import numpy as np

from timingcam.seeing.clip import ClipInfo, frames
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.place import place_of, place_reference

NARROW_SHARE = 0.25  # our choice: of the rows; lower bands show the rotor in slices
EACH_ROW_SHOWN = 14  # our choice: times; with ten, a rotor of six holes in bands of an eighth made no map
MOST_BYTES = 64e6  # our choice: as much as the frames kept whole


def in_slices(flashes: Flashes, n_rows: int) -> bool:
    """Whether flashes show the rotor in slices: half of them light few rows."""
    rows = flashes.piece_last - flashes.piece_first + 1
    return bool(len(rows)) and float(np.median(rows)) < NARROW_SHARE * n_rows


def with_more_slices(info: ClipInfo, flashes: Flashes, light: FlashLight, lit: list[LitPicture]) -> list[LitPicture]:
    """The pictures, and of a clip in slices those of more flashes, evenly from all over it.

    Parameters
    ----------
    info : ClipInfo
    flashes : Flashes
    light : FlashLight
    lit : list of LitPicture
        Those kept whole.
    """
    if not lit or not in_slices(flashes, len(lit[0].luma)):
        return lit
    tall = flashes.piece_last - flashes.piece_first + 1
    each = np.median(tall) * lit[0].luma.strides[0]
    n = int(min(EACH_ROW_SHOWN * len(lit[0].luma) / np.median(tall), MOST_BYTES / each)) - len(lit)
    whole = {(one.frame, one.flash) for one in lit}
    others = [k for k in range(len(tall)) if (int(flashes.piece_frame[k]), int(flashes.piece_of[k])) not in whole]
    if n <= 0 or not others:
        return lit
    wanted = np.array(others)[np.unique(np.linspace(0, len(others) - 1, min(n, len(others))).round().astype(int))]
    return [*lit, *_pictures_of(wanted, info, flashes, light)]


def _pictures_of(wanted: np.ndarray, info: ClipInfo, flashes: Flashes, light: FlashLight) -> list[LitPicture]:
    reference = place_reference(light)
    rate_hz = flashes.rate_hz()
    of_frame: dict[int, list[int]] = {}
    for k in wanted:
        of_frame.setdefault(int(flashes.piece_frame[k]), []).append(int(k))
    found = []
    for frame in frames(info):
        for k in of_frame.get(frame.number, []):
            first, last, flash = int(flashes.piece_first[k]), int(flashes.piece_last[k]), int(flashes.piece_of[k])
            picture = LitPicture(frame.luma, frame.number, flash, first, last, float(rate_hz[flash]))
            lies = None if reference is None else place_of(reference, light, picture.luma, picture.rows)
            if reference is not None and lies is None:
                continue  # nor could it be told later: its other rows are let go of here
            found.append(replace(picture, luma=_rows_of(frame.luma, first, last), lies=lies))
    return found


def _rows_of(luma: np.ndarray, first: int, last: int) -> np.ndarray:
    """Some rows of a frame, the others 0: pages of memory that were never written take none."""
    empty = np.frombuffer(mmap.mmap(-1, luma.nbytes), luma.dtype).reshape(luma.shape)
    empty[first : last + 1] = luma[first : last + 1]
    return empty
