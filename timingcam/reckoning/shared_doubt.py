"""What two clips share, and so falls out of their difference.

In:  two `Measurement`s, and whether phone and strobe were left as they were between them.
Out: `Shared`; from it the systematic variance of a difference.
Not here: the difference itself (`compare.py`).

Only what is known to be shared cancels: a mark's own error, where both were read from the same marks, and with
`same_setup` what comes from the view and the strobe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.budget import DEG_PER_S_PER_RPM, INDEX_TILT
from timingcam.reckoning.result import Measurement

MARKS_OWN = "the mark's own position"
INDEX_HEIGHT = "height of the index"
OF_THE_SETUP = frozenset({INDEX_HEIGHT, INDEX_TILT, "tilt of the camera"})


@dataclass(frozen=True, slots=True)
class Shared:
    """What cancels, and what adds otherwise than by squares; a is the first clip, b the second."""

    a_deg: float  # systematic shifts that cancel, to be taken out of each side's own
    b_deg: float
    crossed_deg2: float  # what adds straight, not by squares: twice the product of both
    delay_a_s: float  # delays that cancel
    delay_b_s: float


def _effect(measurement: Measurement, source: str) -> float:
    rows = [row.effect_deg for row in measurement.budget if row.source == source and row.kind == "systematic"]
    return math.hypot(*rows)


def _same_marks(first: Measurement, second: Measurement) -> bool:
    """Whether both cylinders are read from the very same marks, and with the same figures for them."""
    a = [mark for mark in first.engine.rotor.mark if first.cylinder in mark.cylinder]
    b = [mark for mark in second.engine.rotor.mark if second.cylinder in mark.cylinder]
    return a == b


def shared_by(first: Measurement, second: Measurement, same_setup: bool, same_strobe: bool = False) -> Shared:
    """What two measurements share.

    Parameters
    ----------
    first, second : Measurement
        Of one engine.
    same_setup : bool
        Whether phone and strobe were left as they were between both.
    same_strobe : bool
        Whether it was the same strobe, wherever the phone was.

    Returns
    -------
    Shared
    """
    cancel = {MARKS_OWN} if _same_marks(first, second) else set()
    if same_setup:
        cancel |= OF_THE_SETUP
    # The index's height is one error for both clips, but seen from the other side of it the effect turns its sign.
    crossed = 0.0 if same_setup else 2.0 * _effect(first, INDEX_HEIGHT) * _effect(second, INDEX_HEIGHT)
    delay = shares_delay(first, second, same_setup or same_strobe)
    return Shared(
        a_deg=math.hypot(*(_effect(first, source) for source in cancel)),
        b_deg=math.hypot(*(_effect(second, source) for source in cancel)),
        crossed_deg2=crossed,
        delay_a_s=first.strobe.delay_sd_s if delay else 0.0,
        delay_b_s=second.strobe.delay_sd_s if delay else 0.0,
    )


def shares_delay(first: Measurement, second: Measurement, same_strobe: bool) -> bool:
    """Whether the strobe's delay cancels: the same strobe, corrected for alike."""
    return same_strobe and first.strobe.delay_s == second.strobe.delay_s


def systematic_var(
    a_var: np.ndarray | float, b_var: np.ndarray | float, shared: Shared, rpm: np.ndarray | float
) -> np.ndarray:
    """Systematic variance of a difference from that of each side, at these speeds.

    Parameters
    ----------
    a_var, b_var : ndarray, shape (n,), or float
        Of each side, degrees squared.
    shared : Shared
        What cancels.
    rpm : ndarray, shape (n,), or float
        Where.

    Returns
    -------
    ndarray, shape (n,)
        Never negative.
    """
    deg_per_s = DEG_PER_S_PER_RPM * np.asarray(rpm, dtype=float)
    a = a_var - shared.a_deg**2 - (deg_per_s * shared.delay_a_s) ** 2
    b = b_var - shared.b_deg**2 - (deg_per_s * shared.delay_b_s) ** 2
    return np.maximum(a, 0.0) + np.maximum(b, 0.0) + shared.crossed_deg2
