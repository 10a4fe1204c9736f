"""What a measurement ends in: the types that are shown, saved, compared and advised upon.

In:  what the stages found.
Out: frozen dataclasses, checked at birth.
Not here: how anything is computed, written or drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from timingcam.engine import Engine

Verdict = Literal["in", "out", "unsure"]
Kind = Literal["random", "systematic"]
RpmSource = Literal["flashes", "sound", "file", "given"]
HeightSource = Literal["file", "clip", "usual"]  # who tells the index's height: the engine file, the hand's swaying
# Why a reading is not used.
UNTOLD = "its angle is told to no better than a degree"
SMEARED = "the rotor turned too far while the flash lasted"


def freeze(*arrays: np.ndarray) -> None:
    """Make arrays read-only."""
    for array in arrays:
        array.flags.writeable = False


def same_length(what: str, arrays: Sequence[np.ndarray | tuple[str, ...]]) -> None:
    """Raise ValueError unless all have one length."""
    lengths = [len(a) for a in arrays]
    if len(set(lengths)) > 1:
        raise ValueError(f"{what}: one value a row in every column, found lengths {lengths}")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its standard uncertainty and 95 % interval."""

    value: float
    sd: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not (self.low <= self.value <= self.high and self.sd >= 0):
            raise ValueError(f"not an interval about its value: {self.low} {self.value} {self.high}, sd {self.sd}")


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """One row for each flash seen, in time order; arrays of shape (n_flashes,), read-only.

    NaN is a number that could not be had. Columns and units: docs/formats.md, `readings.csv`.
    """

    time_s: np.ndarray
    rpm: np.ndarray
    rpm_sd: np.ndarray
    advance_deg: np.ndarray
    advance_sd_deg: np.ndarray
    used: np.ndarray  # bool
    reason: tuple[str, ...]  # why it was not used; "" where it was
    frame: np.ndarray  # int, the first frame that the flash lit

    def __post_init__(self) -> None:
        columns = (self.time_s, self.rpm, self.rpm_sd, self.advance_deg, self.advance_sd_deg, self.used, self.frame)
        same_length("readings", (*columns, self.reason))
        if np.any(np.diff(self.time_s) < 0):
            raise ValueError("readings are not in time order")
        freeze(*columns)

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """The advance curve: its figures, and the fitted line with its 95 % band for drawing and comparing.

    A figure is None where the clip does not give it; `Measurement.warnings` then says why. The grid has shape
    (n_grid,), rising in rpm over the range that the readings cover.
    """

    low_speed_advance_deg: Estimate | None
    full_advance_deg: Estimate | None
    starts_rpm: Estimate | None
    full_rpm: Estimate | None
    slope_deg_per_1000rpm: Estimate | None
    scatter_deg: Estimate | None
    hysteresis_deg: Estimate | None
    grid_rpm: np.ndarray
    grid_advance_deg: np.ndarray
    grid_random_sd_deg: np.ndarray  # random part: shrinks with the number of flashes
    grid_sd_deg: np.ndarray  # random and systematic together
    fit: Literal["flat-rise-flat", "monotone", "level"]  # which shape the readings fitted

    def __post_init__(self) -> None:
        grid = (self.grid_rpm, self.grid_advance_deg, self.grid_random_sd_deg, self.grid_sd_deg)
        same_length("curve grid", grid)
        freeze(*grid)


@dataclass(frozen=True, slots=True)
class Check:
    """One figure held against its limits; a limit that does not exist is None."""

    name: str
    value: float
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One source of doubt: its size in its own unit, and its effect on the advance in crank degrees (one sd)."""

    source: str
    size: float
    unit: str
    kind: Kind
    effect_deg: float


@dataclass(frozen=True, slots=True)
class ClipFacts:
    path: str  # file name only
    sha256: str
    frames: int
    duration_s: float
    width: int
    height: int
    fps: float
    capture_fps: float | None


@dataclass(frozen=True, slots=True)
class IndexSight:
    """How the index is seen, and how high it was taken to stand over the marks.

    `sight_deg` is the angle of the line of sight at the index out of the plane through the shaft and the index, in
    which its height does not count; `lens_aside_mm` how far the lens is from that plane. Both grow towards clockwise as
    the camera sees it.
    """

    sight_deg: float
    lens_aside_mm: float
    above_mm: float
    above_sd_mm: float
    source: HeightSource


@dataclass(frozen=True, slots=True)
class CameraFacts:
    line_time_s: float | None
    exposure_s: float | None
    tilt_deg: float | None
    rotor_centre_px: tuple[float, float]
    rotor_radius_px: float
    index: IndexSight | None = None


@dataclass(frozen=True, slots=True)
class StrobeFacts:
    dial_deg: float
    delay_s: float
    delay_sd_s: float
    apparent_lag_s: Estimate | None
    flashes_seen: int
    flashes_used: int


@dataclass(frozen=True, slots=True)
class SoundCheck:
    """The speed held against the engine's note."""

    ratio: Estimate  # speed by the sound over the speed that is used
    agrees: bool  # within their joint doubt
    heard_s: float  # length of sound that was trusted


@dataclass(frozen=True, slots=True)
class SpeedFacts:
    """What is known of the crank's speed beside its source; None where nothing is."""

    sound: SoundCheck | None = None
    log_offset_s: Estimate | None = None  # to be added to a logged speed's times


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """What `marks.png`, the report and the film draw from.

    Image: the picture as shown (container's rotation applied), x right, y down, pixels. Rotor plane: x right and
    y down as the camera sees it, origin at the rotor's centre, rim radius 1, so that angles atan2(y, x) grow
    clockwise as the camera sees it. A mark stands at `mark_deg[m] + rotor_deg[i]` in flash i, the index at
    `index_deg`; all of them degrees in the rotor plane. `index_px` is where the index was found, in the image of the
    first lit frame.
    """

    frame: np.ndarray  # (n,) int, first frame that the flash lit
    row_first: np.ndarray  # (n,) int, first lit row of that frame (sensor rows)
    row_last: np.ndarray  # (n,) int
    to_rotor: np.ndarray  # (n, 3, 3) image px -> rotor plane
    rotor_deg: np.ndarray  # (n,)
    mark_names: tuple[str, ...]
    mark_deg: np.ndarray  # (n_marks,)
    mark_radius: np.ndarray  # (n_marks, 2) inner and outer end, rotor radii
    index_deg: float
    index_radius: float  # rotor radii, of the end nearest the rotor's marks
    index_px: tuple[float, float]
    crop_of: np.ndarray  # (n_crops,) int: which flash
    crops: np.ndarray  # (n_crops, h, w) uint8, luma
    crop_origin_px: np.ndarray  # (n_crops, 2) x, y in the image of crop pixel (0, 0)
    crop_scale: float  # image pixels a crop pixel

    def __post_init__(self) -> None:
        same_length("pictures", (self.frame, self.row_first, self.row_last, self.to_rotor, self.rotor_deg))
        same_length("marks", (self.mark_names, self.mark_deg, self.mark_radius))
        same_length("crops", (self.crop_of, self.crops, self.crop_origin_px))


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """Everything measured from one clip of one cylinder."""

    clip: ClipFacts
    engine: Engine
    cylinder: str
    cylinder_identity: Literal["seen", "assumed"]
    camera: CameraFacts
    strobe: StrobeFacts
    rpm_source: RpmSource
    readings: Readings
    curve: Curve
    budget: tuple[BudgetRow, ...]
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]
    pictures: Pictures
    speed: SpeedFacts = field(default_factory=SpeedFacts)
