"""Crank speed at each flash, from wherever it is to be had.

In:  the flashes with what was seen in them, or a number or a file that the user gives.
Out: `Speed`, and where it is from.
Not here: how each source is worked out (`tacho.py`, `rpmtable.py`).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from timingcam.engine import Engine
from timingcam.reckoning.result import RpmSource
from timingcam.reckoning.rpmtable import read_rpm_csv
from timingcam.reckoning.tacho import FlashAngles, Speed, constant_speed, crank_speed, speed_from_table


def speed_of(
    flashes: FlashAngles, engine: Engine, windows_s: np.ndarray | None, given: float | str | Path | None
) -> tuple[Speed, RpmSource]:
    """Crank speed at each flash.

    Parameters
    ----------
    flashes : FlashAngles
    engine : Engine
    windows_s : ndarray, shape (n_frames, 2), or None
        When each frame could see a flash.
    given : float or path, optional
        A constant speed, or a CSV file of time_s and rpm by the clip's clock.

    Returns
    -------
    Speed, source
    """
    if isinstance(given, (int, float)):
        return constant_speed(float(given), len(flashes)), "given"
    if given is not None:
        table = read_rpm_csv(given)
        return speed_from_table(table.time_s, table.rpm, flashes.time_s), "file"
    return crank_speed(flashes, engine.crank.sparks_per_rev, windows_s, engine.crank.strokes), "flashes"
