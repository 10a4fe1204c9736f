"""A measurement to the text of `result.json`, and back.

In:  a `Measurement`, or the text of a `result.json`.
Out: the text, keys as docs/formats.md names them; or the parts of a `Measurement` that this file holds.
Not here: the readings (`readings_file.py`), the flashes (`flashes_file.py`), the folder (`results.py`).
"""

from __future__ import annotations

import json
import math
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from timingcam import __version__
from timingcam.engine import Engine
from timingcam.errors import CannotUse
from timingcam.reckoning.result import (
    BudgetRow,
    CameraFacts,
    Check,
    ClipFacts,
    Curve,
    Estimate,
    HeightSource,
    IndexSight,
    Measurement,
    RpmSource,
    SoundCheck,
    SpeedFacts,
    StrobeFacts,
    Verdict,
)

RESULT_FORMAT = "timingcam-result/1"
US_PER_S = 1e6  # definition

# Far above any result (a long clip's file has some 100 kB), far below what would fill a computer's memory.
MAX_BYTES = 16_000_000
SHOWN_CHARACTERS = 60  # our choice: of a wrong value, in an error for a person


class _Part(BaseModel):
    # Keys that this version does not know are passed over: docs/formats.md lets a file of the same format hold more.
    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


class _Index(_Part):
    sight_deg: float
    lens_aside_mm: float
    above_mm: float
    above_sd_mm: float
    source: HeightSource


class _Camera(_Part):
    line_time_us: float | None
    exposure_s: float | None
    tilt_deg: float | None
    rotor_centre_px: tuple[float, float]
    rotor_radius_px: float
    index: _Index | None = None  # files of before it was told have none


class _Strobe(_Part):
    dial_deg: float
    delay_us: float
    delay_sd_us: float
    apparent_lag_us: Estimate | None
    flashes_seen: int
    flashes_used: int


class _Grid(_Part):
    rpm: list[float]
    advance_deg: list[float]
    random_sd_deg: list[float]
    sd_deg: list[float]


class _Curve(_Part):
    low_speed_advance_deg: Estimate | None
    full_advance_deg: Estimate | None
    starts_rpm: Estimate | None
    full_rpm: Estimate | None
    slope_deg_per_1000rpm: Estimate | None
    scatter_deg: Estimate | None
    hysteresis_deg: Estimate | None
    fit: Literal["flat-rise-flat", "monotone", "level"]
    grid: _Grid


class _Speed(_Part):
    sound: SoundCheck | None = None
    log_offset_s: Estimate | None = None


class _Check(_Part):
    name: str
    value: float | None
    low: float | None
    high: float | None
    verdict: Verdict


class ResultFile(_Part):
    """What `result.json` holds."""

    format: Literal["timingcam-result/1"]
    written_by: str = ""
    clip: ClipFacts
    engine: Engine
    cylinder: str
    cylinder_identity: Literal["seen", "assumed"]
    camera: _Camera
    strobe: _Strobe
    rpm_source: RpmSource
    speed: _Speed = _Speed()
    curve: _Curve
    budget: tuple[BudgetRow, ...]
    checks: tuple[_Check, ...]
    warnings: tuple[str, ...]


def result_json(measurement: Measurement) -> str:
    """Everything measured, as the text of `result.json`.

    Parameters
    ----------
    measurement : Measurement
        What to write.

    Returns
    -------
    str
        JSON, floats in the shortest form that reads back as the same number; ends with a line feed.

    Raises
    ------
    ValueError
        If a number is infinite, or not a number where the file cannot say so.
    """
    m = measurement
    content: dict[str, Any] = {
        "format": RESULT_FORMAT,
        "written_by": f"timingcam {__version__}",
        "clip": _fields(m.clip),
        "engine": m.engine.model_dump(mode="json", exclude_none=True, exclude_unset=True),
        "cylinder": m.cylinder,
        "cylinder_identity": m.cylinder_identity,
        "camera": _camera_json(m.camera),
        "strobe": _strobe_json(m.strobe),
        "rpm_source": m.rpm_source,
        "speed": _speed_json(m.speed),
        "curve": _curve_json(m.curve),
        "budget": [_fields(row) for row in m.budget],
        "checks": [{**_fields(c), "value": None if math.isnan(c.value) else c.value} for c in m.checks],
        "warnings": list(m.warnings),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False, default=_plain_number) + "\n"


def parse_result(text: str | bytes, name: str = "result.json") -> ResultFile:
    """Read and validate the text of a `result.json`.

    Parameters
    ----------
    text : str or bytes
        The file's content.
    name : str
        What to call the file in an error.

    Returns
    -------
    ResultFile
        Validated; numbers finite, every required key present.

    Raises
    ------
    CannotUse
        If it is not JSON, not of this format, or a key is missing or of a wrong kind; the key is named.
    """
    try:
        content = ResultFile.model_validate_json(text)
    except ValidationError as error:
        raise _as_sentence(error, name) from None
    names = [c.name for c in content.engine.cylinder]
    if content.cylinder not in names:
        raise CannotUse(
            found=f"cylinder '{content.cylinder}' in {name}",
            expected="one of the cylinders of its own engine: " + ", ".join(names),
            do="measure the clip again",
        )
    return content


def camera_of(content: ResultFile) -> CameraFacts:
    """The camera's facts, in seconds and pixels."""
    c = content.camera
    line_time_s = None if c.line_time_us is None else c.line_time_us / US_PER_S
    index = None if c.index is None else IndexSight(**c.index.model_dump())
    return CameraFacts(line_time_s, c.exposure_s, c.tilt_deg, c.rotor_centre_px, c.rotor_radius_px, index)


def strobe_of(content: ResultFile) -> StrobeFacts:
    """The strobe's facts, in seconds and degrees."""
    s = content.strobe
    lag = None if s.apparent_lag_us is None else _seconds(s.apparent_lag_us)
    return StrobeFacts(
        dial_deg=s.dial_deg,
        delay_s=s.delay_us / US_PER_S,
        delay_sd_s=s.delay_sd_us / US_PER_S,
        apparent_lag_s=lag,
        flashes_seen=s.flashes_seen,
        flashes_used=s.flashes_used,
    )


def speed_of(content: ResultFile) -> SpeedFacts:
    """What is known of the speed beside its source."""
    return SpeedFacts(content.speed.sound, content.speed.log_offset_s)


def checks_of(content: ResultFile) -> tuple[Check, ...]:
    """The checks; a value that could not be had is NaN."""
    return tuple(
        Check(c.name, math.nan if c.value is None else c.value, c.low, c.high, c.verdict) for c in content.checks
    )


def _fields(part: Any) -> dict[str, Any]:
    return {name: getattr(part, name) for name in part.__dataclass_fields__}


def _estimate_json(estimate: Estimate | None) -> dict[str, float] | None:
    return None if estimate is None else _fields(estimate)


def _microseconds(e: Estimate) -> Estimate:
    return Estimate(e.value * US_PER_S, e.sd * US_PER_S, e.low * US_PER_S, e.high * US_PER_S)


def _seconds(e: Estimate) -> Estimate:
    return Estimate(e.value / US_PER_S, e.sd / US_PER_S, e.low / US_PER_S, e.high / US_PER_S)


def _camera_json(camera: CameraFacts) -> dict[str, Any]:
    return {
        "line_time_us": None if camera.line_time_s is None else camera.line_time_s * US_PER_S,
        "exposure_s": camera.exposure_s,
        "tilt_deg": camera.tilt_deg,
        "rotor_centre_px": list(camera.rotor_centre_px),
        "rotor_radius_px": camera.rotor_radius_px,
        "index": None if camera.index is None else _fields(camera.index),
    }


def _strobe_json(strobe: StrobeFacts) -> dict[str, Any]:
    lag = strobe.apparent_lag_s
    return {
        "dial_deg": strobe.dial_deg,
        "delay_us": strobe.delay_s * US_PER_S,
        "delay_sd_us": strobe.delay_sd_s * US_PER_S,
        "apparent_lag_us": _estimate_json(None if lag is None else _microseconds(lag)),
        "flashes_seen": strobe.flashes_seen,
        "flashes_used": strobe.flashes_used,
    }


def _speed_json(speed: SpeedFacts) -> dict[str, Any]:
    sound = speed.sound
    return {
        "sound": None
        if sound is None
        else {"ratio": _estimate_json(sound.ratio), "agrees": sound.agrees, "heard_s": sound.heard_s},
        "log_offset_s": _estimate_json(speed.log_offset_s),
    }


def _curve_json(curve: Curve) -> dict[str, Any]:
    figures = (
        "low_speed_advance_deg",
        "full_advance_deg",
        "starts_rpm",
        "full_rpm",
        "slope_deg_per_1000rpm",
        "scatter_deg",
        "hysteresis_deg",
    )
    content: dict[str, Any] = {name: _estimate_json(getattr(curve, name)) for name in figures}
    content["fit"] = curve.fit
    content["grid"] = {
        "rpm": curve.grid_rpm.tolist(),
        "advance_deg": curve.grid_advance_deg.tolist(),
        "random_sd_deg": curve.grid_random_sd_deg.tolist(),
        "sd_deg": curve.grid_sd_deg.tolist(),
    }
    return content


def _plain_number(value: Any) -> Any:
    # Figures may be numpy scalars, which JSON does not know.
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"not to be written as JSON: {type(value).__name__}")


def _as_sentence(error: ValidationError, name: str) -> CannotUse:
    first = error.errors(include_url=False)[0]
    key = ".".join(str(step) for step in first["loc"])
    do = "measure the clip again, or use the file as timingcam wrote it"
    if not key:
        return CannotUse(found=f"{name} that is not JSON ({first['msg']})", expected=f"a {RESULT_FORMAT} file", do=do)
    if first["type"] == "missing":
        return CannotUse(found=f"no key '{key}' in {name}", expected="it to be there", do=do)
    value = repr(first["input"])
    if len(value) > SHOWN_CHARACTERS:
        value = value[:SHOWN_CHARACTERS] + "…"
    wanted = first["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return CannotUse(found=f"{value} at key '{key}' in {name}", expected=wanted, do=do)
