"""Flashes of drawn pictures, one a frame, each lit as a whole, and how the rotor is turned in each."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from timingcam.seeing.flashes import Flashes


def flashes_turned(turns_deg: np.ndarray, n_rows: int) -> tuple[Flashes, SimpleNamespace]:
    """A flash for each turn, from a camera that does not move."""
    n = len(turns_deg)
    each, none = np.arange(n), np.zeros(n)
    flashes = Flashes(
        each / 30.0, none, each.copy(), each.copy(), none.astype(int), np.full(n, n_rows - 1), 2e-5, 0.0, 0.01, 0.0, ()
    )
    return flashes, SimpleNamespace(turn_deg=turns_deg, shift=np.tile(np.eye(3), (n, 1, 1)), centre=np.zeros((n, 2)))
