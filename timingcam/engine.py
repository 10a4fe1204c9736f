"""The engine file: what must be known of one engine, as data.

In:  a TOML file of format 1 (docs/engine-file.md), its text, or the same as a dict.
Out: `Engine`, frozen, checked; or `CannotUse` with a sentence for every fault of the file.
Not here: what one value demands of another (`engine_checks.py`), the words of a fault (`engine_faults.py`), any
geometry. Where a mark stands at which crank angle is worked out by those who need it, the renderer and the
measurement each for itself, so that one's mistake shows against the other.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeGuard

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from timingcam.engine_checks import contradictions
from timingcam.engine_faults import MEND, Fault, faults_of, refuse
from timingcam.errors import CannotUse

FORMAT = 1
MAX_BYTES = 1_000_000  # our choice: hundreds of times a long engine file, yet read in a moment
MAX_NAME = 60  # our choice: a name must fit a line of a table

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[
    str, Field(min_length=1, max_length=MAX_NAME, pattern=r"^[^\s\x00-\x1f\x7f]([^\x00-\x1f\x7f]*[^\s])?$")
]
Turning = Literal["clockwise", "anticlockwise"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @model_validator(mode="before")
    @classmethod
    def _arrays_to_tuples(cls, data: Any) -> Any:
        return {key: _tupled(value) for key, value in data.items()} if isinstance(data, dict) else data


def _tupled(value: Any) -> Any:
    return tuple(_tupled(item) for item in value) if isinstance(value, list) else value


def _half_or_one(value: float) -> float:
    if value not in (0.5, 1.0):
        raise PydanticCustomError("literal_error", "not one of them", {"expected": "0.5 or 1"})
    return value


def _one_or_many(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


class Crank(_Part):
    strokes: Literal[2, 4]
    sparks_per_rev: Annotated[float, AfterValidator(_half_or_one)]  # 0.5 or 1
    stroke_mm: Positive | None = None
    rod_mm: Positive | None = None
    idle_rpm: Positive | None = None
    max_rpm: Positive | None = None


class Cylinder(_Part):
    name: Name
    tdc_deg: Finite


class RotorMark(_Part):
    name: Name
    cylinder: Annotated[tuple[Name, ...], BeforeValidator(_one_or_many), Field(min_length=1)]
    btdc_deg: Finite | None = None
    mm_btdc: NotNegative | None = None
    paint: Name | None = None
    sd_deg: NotNegative | None = None


class Rotor(_Part):
    turns: Turning
    rim_diameter_mm: Positive
    marks_on: Literal["face", "edge"] = "face"
    index_above_mm: Finite | None = None
    index_above_sd_mm: NotNegative | None = None
    window_mm: Positive | None = None
    mark: Annotated[tuple[RotorMark, ...], Field(min_length=1)]


class Spec(_Part):
    """What the maker asks for. `curve` is always there; where the file gives `curve_mm`, it was computed from it."""

    curve: Annotated[tuple[tuple[Positive, Finite], ...], Field(min_length=2)]
    curve_mm: Annotated[tuple[tuple[Positive, NotNegative], ...], Field(min_length=2)] | None = None
    tolerance_deg: Positive
    full_advance_max_deg: Finite | None = None
    left_right_deg: Positive | None = None
    scatter_deg: Positive | None = None
    hysteresis_deg: Positive | None = None


class Adjuster(_Part):
    name: Name
    moves: Annotated[tuple[Name, ...], BeforeValidator(_one_or_many), Field(min_length=1)]
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
    name: Name
    crank: Crank
    cylinder: Annotated[tuple[Cylinder, ...], Field(min_length=1)]
    rotor: Rotor
    spec: Spec | None = None
    adjuster: tuple[Adjuster, ...] = ()

    @model_validator(mode="after")
    def _hangs_together(self, info: ValidationInfo) -> Self:
        faults = contradictions(self)
        if faults:
            raise refuse((info.context or {}).get("name", "the engine"), faults)
        return self


def read_engine(path: str | Path) -> Engine:
    """Read an engine file.

    Parameters
    ----------
    path : str or Path
        TOML file of format 1, UTF-8, at most 1 MB.

    Returns
    -------
    Engine

    Raises
    ------
    CannotUse
        If there is no such file, it cannot be read, or it has any fault; every fault found is named.
    """
    path = Path(path)
    what = f"engine file {path.name or path}"
    if not path.exists():
        raise CannotUse(
            found=f"no file {path}",
            expected="an engine file",
            do="check the name; `timingcam engine new` writes one to start from",
        )
    if not path.is_file():
        kind = "a folder" if path.is_dir() else "something that is not a plain file"
        raise CannotUse(found=f"{kind} at {path}", expected="an engine file", do="give the TOML file itself")
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise CannotUse(
            found=f"{path}, which cannot be read ({error.strerror})",
            expected="a file that may be read",
            do="check its permissions",
        ) from error
    if len(raw) > MAX_BYTES:
        raise CannotUse(
            found=f"{what}, longer than 1 MB", expected="at most 1 MB of text", do="check that this is the engine file"
        )
    try:
        # "utf-8-sig": some editors put a byte order mark first, which is no fault of the person.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise CannotUse(
            found=f"{what}, line {line}: bytes that are not UTF-8 text",
            expected="a TOML file in UTF-8",
            do="save it again as UTF-8",
        ) from error
    return engine_from_toml(text, path.name)


def engine_from_toml(text: str, name: str) -> Engine:
    """Engine from the text of an engine file.

    Parameters
    ----------
    text : str
        TOML of format 1.
    name : str
        What to call the file in the words of a fault.

    Returns
    -------
    Engine

    Raises
    ------
    CannotUse
        If the text is no TOML, or the engine has any fault.
    """
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise CannotUse(
            found=f"arrays or tables nested too deep in {name}", expected="an engine file", do=MEND
        ) from error
    except ValueError as error:  # TOMLDecodeError, and the limit on the digits of a whole number
        raise CannotUse(
            found=f"{name} is not TOML: {error}", expected="key = value lines under [table] headings", do=MEND
        ) from error
    return engine_from_dict(data, name)


def engine_from_dict(data: Mapping[str, Any], name: str = "the engine") -> Engine:
    """Engine from what an engine file holds, as dicts and lists; the inverse of `engine_to_dict`.

    Parameters
    ----------
    data : mapping
        Keys of docs/engine-file.md.
    name : str
        What to call it in the words of a fault.

    Returns
    -------
    Engine

    Raises
    ------
    CannotUse
        If the engine has any fault.
    """
    found = data.get("format")
    if isinstance(found, bool) or found != FORMAT:
        raise refuse(name, [Fault("format", found, f"{FORMAT}, the format that this version reads")])
    data = _with_curve_in_degrees(dict(data), name)
    try:
        return Engine.model_validate(data, context={"name": name})
    except ValidationError as error:
        raise refuse(name, faults_of(error, Engine, data)) from error


def engine_to_dict(engine: Engine) -> dict[str, Any]:
    """What the engine file held, as dicts, lists, strings and numbers, ready for JSON.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    dict
        `engine_from_dict` makes an equal engine of it. Optional keys that were left out are left out again.
    """
    data = engine.model_dump(mode="json", exclude_none=True, exclude_unset=True)
    if engine.spec is not None and engine.spec.curve_mm is not None:
        del data["spec"]["curve"]
    return data


def _with_curve_in_degrees(data: dict[str, Any], name: str) -> dict[str, Any]:
    """Fill `spec.curve` from `spec.curve_mm`, where that is what the file gives."""
    spec = data.get("spec")
    if not isinstance(spec, dict) or "curve_mm" not in spec:
        return data
    points, key = spec["curve_mm"], "spec.curve_mm"
    if "curve" in spec:
        raise refuse(name, [Fault(key, points, "either curve or curve_mm, not both")])
    crank = data.get("crank")
    stroke_mm, rod_mm = (crank.get(k) for k in ("stroke_mm", "rod_mm")) if isinstance(crank, dict) else (None, None)
    if not (_is_number(stroke_mm) and _is_number(rod_mm) and 0 < stroke_mm < 2 * rod_mm):
        raise refuse(
            name, [Fault(key, points, "with it crank.stroke_mm and crank.rod_mm, the rod more than half the stroke")]
        )
    pairs = isinstance(points, list | tuple) and all(
        isinstance(p, list | tuple) and len(p) == 2 and all(map(_is_number, p)) and 0 <= p[1] <= stroke_mm
        for p in points
    )
    if not pairs:
        raise refuse(name, [Fault(key, points, "pairs [rpm, mm before top dead centre], none beyond the stroke")])
    curve = [[rpm, _deg_at_travel(mm, stroke_mm, rod_mm)] for rpm, mm in points]
    return {**data, "spec": {**spec, "curve": curve}}


def _is_number(value: Any) -> TypeGuard[float]:
    # The bound keeps whole numbers that no float can hold out of the sums.
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12


def _deg_at_travel(travel_mm: float, stroke_mm: float, rod_mm: float) -> float:
    # Cosine rule in the triangle of crank throw, rod and the gudgeon pin's distance from the crank's centre.
    throw_mm = stroke_mm / 2
    pin_mm = throw_mm + rod_mm - travel_mm
    cosine = (pin_mm**2 + throw_mm**2 - rod_mm**2) / (2 * pin_mm * throw_mm)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
