"""Angles round a circle.

In:  angles in degrees.
Out: the same between -180 and 180.
Not here: what they are angles of.
"""

from __future__ import annotations

from typing import overload

import numpy as np


@overload
def wrap(deg: float) -> float: ...
@overload
def wrap(deg: np.ndarray) -> np.ndarray: ...
def wrap(deg: float | np.ndarray) -> float | np.ndarray:
    """To the range -180 to 180."""
    return (deg + 180.0) % 360.0 - 180.0
