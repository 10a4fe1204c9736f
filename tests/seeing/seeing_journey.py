"""What the tests of the later stages share: the stages' results on the small clip, and its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from timingcam.engine import Engine
from timingcam.seeing.bands import Bands
from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.marks import Marks
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.survey import Survey
from timingcam.seeing.view import View


@dataclass(frozen=True, slots=True, eq=False)
class Journey:
    """Everything up to the marks, and the clip's truth: `told` its truth.json, arrays of its flashes in time order."""

    info: ClipInfo
    engine: Engine
    looked: Survey
    bands: Bands
    flashes: Flashes
    light: FlashLight
    lit: list[LitPicture]
    view: View
    turns: FlashTurns
    marks: Marks
    told: dict[str, Any]
    true_s: np.ndarray
    true_seen_deg: np.ndarray
    true_covered: np.ndarray

    def truth_of(self) -> np.ndarray:
        """Which true flash each one found is."""
        return np.abs(self.flashes.time_s[:, None] - self.true_s[None, :]).argmin(axis=1)
