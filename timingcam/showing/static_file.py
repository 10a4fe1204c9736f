"""Static timing and true TDC as text: `static.json`, `tdc.json`, rows and sentences for a person.

In:  a `StaticTiming`; a `TrueTdc`.
Out: JSON, docs/formats.md's `timingcam-static/1` and `timingcam-tdc/1`; words.
Not here: layout (`cli/`), pictures (`static_picture.py`).
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from timingcam.engine import engine_to_dict
from timingcam.reckoning.result import Estimate
from timingcam.reckoning.static import Pass, StaticTiming
from timingcam.reckoning.tdc import CAUTIONS, MarkFound, TrueTdc
from timingcam.showing.sentences import CHECK_WORD, interval_words, limits_words, number

STATIC_FORMAT, TDC_FORMAT = "timingcam-static/1", "timingcam-tdc/1"
STATIC_FILES, TDC_FILES = ("static.json", "static.png"), ("tdc.json", "tdc.png")
SPARK_WORDS = {"lamp-on": "lights", "lamp-off": "goes out"}


def static_json(static: StaticTiming) -> str:
    """Static timing as the text of `static.json`.

    Parameters
    ----------
    static : StaticTiming
        What to write.

    Returns
    -------
    str
        JSON, ending with a line feed.
    """
    s = static
    content: dict[str, Any] = {
        "format": STATIC_FORMAT,
        "clip": asdict(s.clip),
        "engine": engine_to_dict(s.engine),
        "cylinder": s.cylinder,
        "spark_at": s.spark_at,
        "rotor_turns_as_the_camera_sees_it": s.engine.rotor.turns,
        "static_advance_deg": asdict(s.advance_deg),
        "repeatability_deg": s.repeatability_deg,
        "passes": [_pass(one) for one in s.passes],
        "checks": [] if s.check is None else [asdict(s.check)],
        "budget": [asdict(row) for row in s.budget],
        "lamp_px": None if s.scenery.lamp_px is None else [float(value) for value in s.scenery.lamp_px],
        "warnings": list(s.warnings),
    }
    return _json(content)


def tdc_json(tdc: TrueTdc) -> str:
    """True TDC as the text of `tdc.json`.

    Parameters
    ----------
    tdc : TrueTdc
        What to write.

    Returns
    -------
    str
        JSON, ending with a line feed.
    """
    t = tdc
    content: dict[str, Any] = {
        "format": TDC_FORMAT,
        "clip": asdict(t.clip),
        "engine": engine_to_dict(t.engine),
        "cylinder": t.cylinder,
        "stop_holds_deg": t.blocked_deg,
        "t_mark": t.t_mark,
        "marks": [
            {
                "name": mark.name,
                "cylinder": mark.cylinder,
                "file_btdc_deg": mark.file_btdc_deg,
                "btdc_deg": asdict(mark.btdc_deg),
                "error_deg": mark.error_deg,
            }
            for mark in t.marks
        ],
        "contacts": [
            {
                "from_s": times[0],
                "to_s": times[1],
                "met": "forwards" if contact.ahead else "backwards",
                "used": contact.used,
                "reason": contact.reason,
            }
            for contact, times in zip(t.contacts, t.contact_times_s, strict=True)
        ],
        "budget": [asdict(row) for row in t.budget],
        "warnings": list(t.warnings),
        "cautions": list(CAUTIONS),
    }
    return _json(content)


def static_title(static: StaticTiming) -> str:
    """One line that says what was measured.

    Parameters
    ----------
    static : StaticTiming
        What was measured.

    Returns
    -------
    str
    """
    a = static.advance_deg
    way = SPARK_WORDS[static.spark_at]
    return f"{static.cylinder} cylinder: the lamp {way} at {before_words(a)}"


def before_words(advance: Estimate) -> str:
    """An advance in words: degrees before or after TDC, with its 95 % interval."""
    side = "before" if advance.value >= 0 else "after"
    half = interval_words(advance, "°", 2)
    return f"{number(abs(advance.value), 2)}° {side} TDC ({half} at 95 %)"


def pass_rows(static: StaticTiming) -> list[tuple[str, str, str, str]]:
    """A row a pass: when, which way and how fast, the advance, whether it counts.

    Parameters
    ----------
    static : StaticTiming
        With its passes.

    Returns
    -------
    list of (str, str, str, str)
    """
    rows = []
    for one in static.passes:
        speed = "" if math.isnan(one.speed_deg_s) else f"{_way(one)}, {abs(one.speed_deg_s):.0f}°/s"
        advance = "" if math.isnan(one.advance_deg) else f"{number(one.advance_deg, 2)}°"
        rows.append((f"{one.time_s:.2f} s", speed, advance, "counts" if one.used else f"left out: {one.reason}"))
    return rows


def verdict_words(static: StaticTiming) -> str:
    """The static advance held against the spec, as a sentence.

    Parameters
    ----------
    static : StaticTiming
        With its check.

    Returns
    -------
    str
    """
    check = static.check
    if check is None:
        return "Measured only, not judged: the engine file gives no spec."
    word = CHECK_WORD[check.verdict]
    return f"Against the spec's advance at low speed, {limits_words(check)}: {word}."


def mark_sentences(tdc: TrueTdc) -> list[tuple[str, str]]:
    """Where each mark really stands: its name, and a sentence; cylinders that share a line share the sentence.

    Parameters
    ----------
    tdc : TrueTdc
        With its marks.

    Returns
    -------
    list of (str, str)
    """
    groups: dict[tuple[str, float], list[MarkFound]] = {}
    for mark in tdc.marks:
        groups.setdefault((mark.name, round(mark.btdc_deg.value, 6)), []).append(mark)
    return [(name, _mark_words(same)) for (name, _), same in groups.items()]


def _mark_words(same: list[MarkFound]) -> str:
    mark, cylinders = same[0], ", ".join(one.cylinder for one in same)
    sure = abs(mark.error_deg) > (mark.btdc_deg.high - mark.btdc_deg.low) / 2
    off = f"{number(abs(mark.error_deg), 2)}° {'more' if mark.error_deg > 0 else 'less'} than its file says"
    told = off if sure else "as its file says, within the doubt"
    return (
        f"Mark {mark.name} ({cylinders}) lines up with the index {before_words(mark.btdc_deg)}: {told} "
        f"({number(mark.file_btdc_deg, 2)}°)."
    )


def _way(one: Pass) -> str:
    return "forwards" if one.speed_deg_s > 0 else "backwards"


def _pass(one: Pass) -> dict[str, Any]:
    return {key: None if isinstance(v, float) and math.isnan(v) else v for key, v in asdict(one).items()}


def _json(content: dict[str, Any]) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False, default=float) + "\n"
