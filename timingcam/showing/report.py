"""The page that a person prints or sends on.

In:  a `Measurement`, or two and their comparison.
Out: the text of one HTML page that needs nothing else: pictures, style and script are inside it.
Not here: the words (`sentences.py`), the pictures (`plots.py`, `marks_sheet.py`), the curve that can be touched
(`interactive.py`), the file (`results.py`).
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from jinja2 import Environment, PackageLoader, StrictUndefined
from matplotlib.figure import Figure

from timingcam.reckoning.compare import Comparison
from timingcam.reckoning.moves import Moves
from timingcam.reckoning.result import CameraFacts, Measurement
from timingcam.showing import compare_file, compare_plot, marks_sheet, moves_words, plots
from timingcam.showing.interactive import interactive
from timingcam.showing.sentences import (
    CAUTIONS,
    CHECK_WORD,
    VERDICT_SIGN,
    FigureRow,
    check_name,
    check_number,
    figure_rows,
    limits_words,
    look_first,
    number,
    short_verdict,
    size_words,
    spec_verdict,
    verdict_sentence,
)
from timingcam.showing.speed_words import lag_words, speed_words

PAGE_DPI = 105  # of pictures in the page: 650 pixels and more to its width, and small enough to mail


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of how it was measured."""

    what: str
    value: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check, ready to print."""

    name: str
    value: str
    limits: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class Part:
    """One measurement on the page, ready to print."""

    key: str  # tells the anchors of two parts apart
    heading: str
    verdict: str
    sentence: tuple[str, str]  # what counts, and the rest
    figures: list[FigureRow]
    checks: list[CheckRow]
    look_first: list[tuple[str, str]]
    marks: str
    budget_picture: str
    budget: list[tuple[str, str, str, str]]
    facts: list[Fact]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """What to move, ready to print."""

    warnings: tuple[str, ...]
    check_first: tuple[str, ...]
    steps: list[tuple[str, str]]
    left: list[str]
    outlook: list[str]


def report_html(
    measurement: Measurement,
    second: Measurement | None = None,
    comparison: Comparison | None = None,
    moves: Moves | None = None,
) -> str:
    """The report of one measurement, or of two that were compared, as a self-contained page.

    Parameters
    ----------
    measurement : Measurement
        What to report.
    second, comparison : Measurement and Comparison, optional
        The other side, and how both compare: both or neither.
    moves : Moves, optional
        What to move.

    Returns
    -------
    str
        HTML; asks for nothing from a network.

    Raises
    ------
    ValueError
        If only one of `second` and `comparison` is given.
    """
    if (second is None) != (comparison is None):
        raise ValueError("a second measurement and its comparison belong together")
    measurements = [measurement] if second is None else [measurement, second]
    names = [""] if comparison is None else [comparison.first.name, comparison.second.name]
    touch = interactive(list(zip(names, measurements, strict=True)))
    static = (
        plots.plot(measurement)
        if second is None or comparison is None
        else compare_plot.compare_plot(measurement, second, comparison)
    )
    page = _environment().get_template("report.html.j2")
    return page.render(
        title=_title(measurement, comparison),
        short_verdict=" / ".join(short_verdict(m) for m in measurements),
        parts=[_part(m, name, place) for place, (m, name) in enumerate(zip(measurements, names, strict=True))],
        comparison=comparison,
        comparison_title=compare_file.comparison_title(comparison) if comparison else "",
        limit=compare_file.limit_words(comparison) if comparison else ("none", ""),
        comparison_rows=compare_file.comparison_rows(comparison) if comparison else [],
        advice=None if moves is None else _advice(moves),
        signs=VERDICT_SIGN,
        words=CHECK_WORD,
        cautions=CAUTIONS,
        curve=picture_uri(static, "png"),
        curve_alt=" ".join(f"{name} {curve_alt(m)}".strip() for m, name in zip(measurements, names, strict=True)),
        touch=touch,
    )


def _title(m: Measurement, comparison: Comparison | None) -> str:
    if comparison is None:
        return f"{m.engine.name}, {m.cylinder} cylinder"
    if comparison.kind == "before-after":
        return f"{m.engine.name}, {m.cylinder} cylinder: before and after"
    return f"{m.engine.name}: {comparison.first.name} and {comparison.second.name}"


def _part(m: Measurement, name: str, place: int) -> Part:
    head, _, rest = verdict_sentence(m).partition(": ")
    rows = sorted(m.budget, key=lambda row: -row.effect_deg)
    return Part(
        key=f"{place}-",
        heading=name[:1].upper() + name[1:],
        verdict=spec_verdict(m) or "none",
        sentence=(head, rest[:1].upper() + rest[1:]),
        figures=figure_rows(m),
        checks=check_rows(m),
        look_first=look_first(m),
        marks=picture_uri(marks_sheet.marks_sheet(m), "jpg"),
        budget_picture=picture_uri(plots.budget_plot(m), "png") if rows else "",
        budget=[(row.source, size_words(row), row.kind, f"{row.effect_deg:.3f}°") for row in rows],
        facts=facts(m),
        warnings=m.warnings,
    )


def _advice(moves: Moves) -> Advice:
    return Advice(
        warnings=moves.warnings,
        check_first=moves.check_first,
        steps=[(moves_words.step_sentence(move), moves_words.effect_sentence(move)) for move in moves.steps],
        left=[moves_words.leave_sentence(move) for move in moves.left],
        outlook=[moves_words.outlook_sentence(outlook) for outlook in moves.outlook],
    )


def check_rows(measurement: Measurement) -> list[CheckRow]:
    """The checks as text.

    Parameters
    ----------
    measurement : Measurement
        Whose checks.

    Returns
    -------
    list of CheckRow
    """
    rows = []
    for check in measurement.checks:
        value = check_number(check, check.value)
        words = CHECK_WORD[check.verdict]
        rows.append(CheckRow(check_name(check), value, limits_words(check), check.verdict, words))
    return rows


def facts(measurement: Measurement) -> list[Fact]:
    """How it was measured: engine, clip, camera, strobe, speed.

    Parameters
    ----------
    measurement : Measurement
        What to tell of.

    Returns
    -------
    list of Fact
    """
    m = measurement
    c, s = m.camera, m.strobe
    seen = "seen in the picture" if m.cylinder_identity == "seen" else "as told, not seen in the picture"
    rows = [
        Fact("Cylinder", f"{m.cylinder} ({seen})"),
        Fact("Rotor turns", f"{m.engine.rotor.turns}, as the camera sees it"),
        Fact("Clip", f"{m.clip.path}, {number(m.clip.duration_s, 1)} s, {m.clip.frames} frames"),
        Fact("Picture", f"{m.clip.width} × {m.clip.height} pixels, {number(m.clip.fps, 2)} frames a second"),
        Fact("Filmed at", _or("as played", m.clip.capture_fps, lambda v: f"{number(v, 1)} frames a second")),
        Fact("Line time", _or("not known", c.line_time_s, lambda v: f"{number(v * 1e6, 2)} µs")),
        Fact("Exposure", _or("not known", c.exposure_s, lambda v: f"{number(v * 1e3, 2)} ms")),
        Fact("View off the rotor's axis", _or("not known", c.tilt_deg, lambda v: f"{number(v, 1)}°")),
        *_index_facts(c),
        Fact("Rotor's radius in the picture", f"{number(c.rotor_radius_px, 0)} pixels"),
        Fact("Flashes", f"{s.flashes_seen} seen, {s.flashes_used} used"),
        Fact("Strobe's dial", f"{number(s.dial_deg, 1)}°"),
        Fact("Strobe's delay, corrected", f"{number(s.delay_s * 1e6, 0)} ± {number(2 * s.delay_sd_s * 1e6, 0)} µs"),
        Fact("Speed from", speed_words(m)),
    ]
    if lag_words(m):
        rows.append(Fact("Fall on the flat top, as a lag", lag_words(m)))
    rows.append(Fact("Fingerprint of the clip (SHA-256)", m.clip.sha256))
    return rows


HEIGHT_FROM = {"file": "engine file", "clip": "told by the hand's swaying", "usual": "not known, as most are"}


def _index_facts(camera: CameraFacts) -> list[Fact]:
    """From where the index was seen, and how high it was taken to stand."""
    index = camera.index
    if index is None:
        return []
    way = "clockwise" if index.lens_aside_mm > 0 else "anticlockwise"
    height = f"{number(index.above_mm, 1)} ± {number(2 * index.above_sd_mm, 1)} mm ({HEIGHT_FROM[index.source]})"
    return [
        Fact("Line of sight at the index", f"{number(abs(index.sight_deg), 1)}° out of its plane with the shaft"),
        Fact("Lens beside that plane", f"{number(abs(index.lens_aside_mm), 0)} mm, {way} as the camera sees it"),
        Fact("Index over the marks", height),
    ]


def curve_alt(measurement: Measurement) -> str:
    """The advance curve in words, for who cannot see the picture.

    Parameters
    ----------
    measurement : Measurement
        Whose curve.

    Returns
    -------
    str
    """
    c = measurement.curve
    words = [f"Advance against crank speed, {short_verdict(measurement)}."]
    if c.low_speed_advance_deg is not None:
        words.append(f"{number(c.low_speed_advance_deg.value, 1)} degrees at low speed.")
    if c.starts_rpm is not None:
        words.append(f"It starts to rise at {number(c.starts_rpm.value, 0)} rpm.")
    if c.full_advance_deg is not None:
        words.append(f"Full advance is {number(c.full_advance_deg.value, 1)} degrees.")
    if c.full_rpm is not None:
        words.append(f"It is reached at {number(c.full_rpm.value, 0)} rpm.")
    return " ".join(words)


def picture_uri(figure: Figure, kind: Literal["png", "jpg"]) -> str:
    """A figure as a data URI, which a page holds in itself.

    Parameters
    ----------
    figure : Figure
        What to embed.
    kind : {"png", "jpg"}
        PNG for lines, JPEG for photographs.

    Returns
    -------
    str
    """
    mime = {"png": "image/png", "jpg": "image/jpeg"}[kind]
    return f"data:{mime};base64,{base64.b64encode(plots.picture_bytes(figure, kind, PAGE_DPI)).decode('ascii')}"


def _environment() -> Environment:
    # Names come from engine files and clips of others: everything is escaped, and a misspelt name is an error.
    return Environment(
        loader=PackageLoader("timingcam.showing"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def _or(nothing: str, value: float | None, words: Callable[[float], str]) -> str:
    return nothing if value is None else words(value)
