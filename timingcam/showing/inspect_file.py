"""An inspection as text: `inspect.json`, and rows and sentences for a person.

In:  an `Inspection`.
Out: JSON, docs/formats.md's `timingcam-inspect/1`; words.
Not here: layout (`cli/inspect.py`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from timingcam.reckoning.fitness import EngineLook, FlashLook, Inspection, RotorLook

INSPECT_FORMAT = "timingcam-inspect/1"
DEGREES_A_RADIAN = math.degrees(1.0)


def inspect_json(found: Inspection) -> str:
    """An inspection as the text of `inspect.json`; a number that could not be had is null.

    Parameters
    ----------
    found : Inspection
        What to write.

    Returns
    -------
    str
        JSON, ending with a line feed.
    """
    refusal, engine = found.refusal, found.engine
    content: dict[str, Any] = {
        "format": INSPECT_FORMAT,
        "fit": found.fit,
        "clip": asdict(found.clip),
        "flashes": None if found.flashes is None else asdict(found.flashes),
        "rotor": None if found.rotor is None else asdict(found.rotor),
        "engine": None if engine is None else _engine(engine),
        "refusal": None
        if refusal is None
        else {"found": refusal.found, "expected": refusal.expected, "do": refusal.do},
        "advice": list(found.advice),
    }
    return json.dumps(_without_nan(content), indent=1, ensure_ascii=False, allow_nan=False, default=float) + "\n"


def _engine(engine: EngineLook) -> dict[str, Any]:
    return {
        **asdict(engine), "single_flash_sd_deg": engine.single_sd_deg, "common_sd_deg": engine.common_sd_deg,
        "most_doubt_from": engine.largest.source,
    }  # fmt: skip


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def inspect_rows(found: Inspection) -> list[tuple[str, str]]:
    """What was seen, a row each: what it is, and its value in words.

    Parameters
    ----------
    found : Inspection
        What to tell.

    Returns
    -------
    list of (str, str)
    """
    clip = found.clip
    whole = "" if clip.duration_s is None else f" of {clip.duration_s:.1f} s"
    rows = [
        ("Clip", f"{clip.width} × {clip.height}, {clip.fps:.4g} frames a second, {clip.codec}, {clip.bits} bit{whole}"),
        ("Looked at", f"{clip.from_s:.1f} to {clip.to_s:.1f} s"),
    ]
    if found.flashes is not None:
        rows += _flash_rows(found.flashes)
    if found.rotor is not None:
        rows += _rotor_rows(found.rotor)
    if found.engine is not None:
        rows += _engine_rows(found.engine)
    return rows


def _flash_rows(flashes: FlashLook) -> Iterator[tuple[str, str]]:
    yield (
        "Flashes",
        f"{flashes.seen}, {flashes.per_s:.1f} a second; each lights {flashes.lit_rows_share:.0%} of the rows",
    )
    if flashes.exposure_s is not None and flashes.line_time_s is not None:
        yield "Exposure", f"1/{1 / flashes.exposure_s:.0f} s, a row every {flashes.line_time_s * 1e6:.1f} µs"


def _rotor_rows(rotor: RotorLook) -> Iterator[tuple[str, str]]:
    a_pixel = DEGREES_A_RADIAN / rotor.radius_px
    yield "Rotor", f"{rotor.radius_px:.0f} pixels in radius (a pixel at its rim is {a_pixel:.2f}°), {_tilt(rotor)}"
    yield "Sharpness", f"edges {_or_unknown(rotor.edge_px, '.1f')} pixels wide"
    yield (
        "Hand",
        (
            f"the picture moves by {_or_unknown(rotor.shake_px, '.1f')} pixels and turns by "
            f"{_or_unknown(rotor.roll_deg, '.2f')}° (sd)"
        ),
    )
    yield (
        "Light",
        (
            f"the place gives {_or_unknown(rotor.ambient_share, '.0%')} of a flash's light; "
            f"{_or_unknown(rotor.over_exposed_share, '.0%')} of the rotor is white"
        ),
    )
    yield (
        "Readable",
        (
            f"{rotor.readable_share:.0%} of the flashes, each to {_or_unknown(rotor.angle_sd_deg, '.2f')}° "
            "(of where the rotor stands; sd)"
        ),
    )


def _engine_rows(engine: EngineLook) -> Iterator[tuple[str, str]]:
    for mark in engine.marks:
        long = "" if math.isnan(mark.length_px) else f", {mark.length_px:.0f} long"
        what = "Index" if mark.name == "index" else f"Mark {mark.name}"
        yield what, f"{mark.width_px:.1f} pixels wide{long}"
    yield "Speed there", f"{engine.rpm[0]:.0f} to {engine.rpm[1]:.0f} rpm"
    yield "Use", f"index and a mark are lit together in {engine.show_both_share:.0%} of the flashes"
    yield (
        "To expect",
        (
            f"{engine.single_sd_deg:.2f}° in one flash, {engine.common_sd_deg:.2f}° common to all (sd); "
            f"most of it: {engine.largest.source}"
        ),
    )


def _tilt(rotor: RotorLook) -> str:
    if math.isnan(rotor.in_picture_share):
        return f"a part of it shows, seen {rotor.tilt_deg:.0f}° off the square"
    return f"seen {rotor.tilt_deg:.0f}° off its axis, {rotor.in_picture_share:.0%} of the rim in the picture"


def _or_unknown(value: float, form: str) -> str:
    return "unknown" if math.isnan(value) else format(value, form)
