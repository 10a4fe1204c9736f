"""The frames kept whole, to lit pictures with the ambient light known.

In:  the survey, the flashes, the bands.
Out: the `FlashLight` and the `LitPicture`s that the view is found from.
Not here: the view.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from timingcam.seeing.bands import Bands
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture, flash_light
from timingcam.seeing.smear import smear_deg_per_hz
from timingcam.seeing.survey import Survey


def some_of(
    lit: list[LitPicture], n_rows: int, shown: float, fewest: int = 1, most: int | None = None
) -> list[LitPicture]:
    """Pictures evenly from all over the clip, as many as show every row some times.

    Parameters
    ----------
    lit : list of LitPicture
        In time order.
    n_rows : int
        Of the whole picture.
    shown : float
        How many times each row is to be shown.
    fewest, most : int, optional
        However many rows each of them shows.
    """
    if not lit:
        return lit
    tall = float(np.median([one.last - one.first + 1 for one in lit]))
    n = min(max(int(np.ceil(shown * n_rows / tall)), fewest), len(lit) if most is None else most, len(lit))
    return [lit[k] for k in np.unique(np.linspace(0, len(lit) - 1, n).round().astype(int))]


def lit_pictures(
    seen: Survey, bands: Bands, flashes: Flashes, table: np.ndarray, turns_per_flash: float = 0.0
) -> tuple[FlashLight, list[LitPicture]]:
    """Which rows of the kept frames each flash lit in full, and the light of the place without flashes.

    Parameters
    ----------
    seen : Survey
    bands : Bands
    flashes : Flashes
    table : ndarray, shape (n_codes,)
        From coded luma to linear light.
    turns_per_flash : float
        Of the rotor; 0 where a flash's smear does not matter.
    """
    of_frame: dict[int, list[int]] = defaultdict(list)
    for k, frame in enumerate(flashes.piece_frame):
        of_frame[int(frame)].append(k)
    dark_rows, rate_hz = _dark_rows(bands), flashes.rate_hz()
    kept, lit = [], []
    for frame in seen.kept:
        full = np.zeros(bands.n_rows, bool)
        for k in of_frame.get(frame.number, []):
            first, last = int(flashes.piece_first[k]), int(flashes.piece_last[k])
            full[first : last + 1] = True
            flash = int(flashes.piece_of[k])
            lit.append(LitPicture(frame.luma, frame.number, flash, first, last, float(rate_hz[flash])))
        kept.append((frame.luma, dark_rows.get(frame.number, np.ones(bands.n_rows, bool)), full))
    return replace(flash_light(table, kept), smear_deg_per_hz=smear_deg_per_hz(flashes, turns_per_flash)), lit


def _dark_rows(bands: Bands) -> dict[int, np.ndarray]:
    """Rows of each frame that no flash touched, ramps included; of those that hold no band all, and are not named."""
    dark = {int(frame): np.zeros(bands.n_rows, bool) for frame in bands.again}
    margin = int(np.ceil(bands.ramp_rows)) + 3
    for frame, start, end in zip(bands.frame, bands.start_row, bands.end_row, strict=True):
        rows = dark.setdefault(int(frame), np.ones(bands.n_rows, bool))
        first = 0 if np.isnan(start) else max(0, int(start) - margin)
        last = bands.n_rows if np.isnan(end) else int(end) + margin + 1
        rows[first:last] = False
    return dark
