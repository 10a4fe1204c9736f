"""The engine file: what must be known of one engine, as data, and the checks of that data.

In:  a TOML file of format 1 (docs/engine-file.md).
Out: `Engine`, frozen.
Not here: any geometry. Where a mark stands at which crank angle is worked out by those who need it, the
renderer and the measurement each for itself, so that one's mistake shows against the other.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=False)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=False)]
Turning = Literal["clockwise", "anticlockwise"]


class Crank(_Part):
    strokes: Literal[2, 4]
    sparks_per_rev: Literal[0.5, 1.0]
    stroke_mm: Positive | None = None
    rod_mm: Positive | None = None
    idle_rpm: Positive | None = None
    max_rpm: Positive | None = None


class Cylinder(_Part):
    name: str
    tdc_deg: Finite


class RotorMark(_Part):
    name: str
    cylinder: tuple[str, ...]
    btdc_deg: Finite | None = None
    mm_btdc: NotNegative | None = None
    paint: str | None = None
    sd_deg: NotNegative | None = None


class Rotor(_Part):
    turns: Turning
    rim_diameter_mm: Positive
    marks_on: Literal["face", "edge"] = "face"
    index_above_mm: Finite | None = None
    index_above_sd_mm: NotNegative | None = None
    window_mm: Positive | None = None
    mark: tuple[RotorMark, ...]


class Spec(_Part):
    curve: tuple[tuple[Positive, Finite], ...]
    tolerance_deg: Positive
    full_advance_max_deg: Finite | None = None
    left_right_deg: Positive | None = None
    scatter_deg: Positive | None = None
    hysteresis_deg: Positive | None = None


class Adjuster(_Part):
    name: str
    moves: tuple[str, ...]
    kind: Literal["turn", "slide", "gap"]
    shaft: Literal["camshaft", "crankshaft"] | None = None
    shaft_turns: Turning | None = None
    advances: Turning | None = None
    division_crank_deg: Positive | None = None
    rim_radius_mm: Positive | None = None
    range_crank_deg: NotNegative | None = None
    hand_sd_crank_deg: NotNegative | None = None
    radius_mm: Positive | None = None
    wider_gap: Literal["retards", "advances"] | None = None
    gap_thou: NotNegative | None = None
    crank_deg_per_thou: Positive | None = None
    gap_range_thou: tuple[NotNegative, NotNegative] | None = None


class Engine(_Part):
    format: Literal[1]
    name: str
    crank: Crank
    cylinder: tuple[Cylinder, ...]
    rotor: Rotor
    spec: Spec | None = None
    adjuster: tuple[Adjuster, ...] = ()
