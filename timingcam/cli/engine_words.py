"""An engine file said back in words.

In:  `Engine`.
Out: lines for the terminal.
Not here: sums (`reckoning/marks_order.py`, `reckoning/adjusters.py`).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from timingcam.engine import Adjuster, Cylinder, Engine, RotorMark, Spec
from timingcam.reckoning.adjusters import change_from_gaps, crank_deg_per_shaft_deg, direction, rim_mm
from timingcam.reckoning.marks_order import alike_after_turn, lines_in_order
from timingcam.reckoning.piston import mark_btdc_deg


def describe(engine: Engine) -> list[str]:
    """What was understood of an engine file, as lines.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    list of str
    """
    lines = [*_engine(engine), "", *_marks(engine), "", *_spec(engine.spec), ""]
    if engine.adjuster:
        lines.append("Adjusters. Directions are as you see them facing that adjuster; the camera may look from the")
        lines.append("other side, where clockwise and anticlockwise change places.")
        for adjuster in engine.adjuster:
            lines += _wrap(_adjuster(adjuster), first="  ", rest="    ")
    else:
        lines.append("Adjusters: none given, so the tool will measure but cannot say what to move.")
    hints = list(_hints(engine))
    if hints:
        lines += ["", "Worth knowing:"]
        for hint in hints:
            lines += _wrap(hint, first="  - ", rest="    ")
    return [*lines, "", "No fault found in this file. Whether its figures are those of your engine, only you can tell."]


def _engine(engine: Engine) -> Iterator[str]:
    crank, rotor = engine.crank, engine.rotor
    strokes = "two-stroke" if crank.strokes == 2 else "four-stroke"
    sparks = "every turn" if crank.sparks_per_rev == 1 else "once in two turns"
    yield f"{engine.name}: a {strokes}; each cylinder sparks {sparks} of the crankshaft."
    for cylinder in engine.cylinder[1:]:
        yield f"  {cylinder.name} fires {cylinder.tdc_deg:g}° after {engine.cylinder[0].name}: {_pistons(cylinder)}."
    index = "no height of the index above the marks given"
    if rotor.index_above_mm is not None:
        doubt = f" ± {rotor.index_above_sd_mm:g}" if rotor.index_above_sd_mm is not None else ""
        index = f"the index stands {rotor.index_above_mm:g}{doubt} mm above them"
    where = "on its face" if rotor.marks_on == "face" else "on its edge"
    yield f"The rotor is {rotor.rim_diameter_mm:g} mm across, its marks {where}; {index}."
    yield f"It turns {rotor.turns} as the camera sees it."


def _pistons(cylinder: Cylinder) -> str:
    apart = cylinder.tdc_deg % 360
    if apart == 0:
        return "their pistons rise together, so the same marks serve both"
    return f"its marks pass the index {apart:g}° of the rotor after the first cylinder's"


def _marks(engine: Engine) -> Iterator[str]:
    lines = lines_in_order(engine)
    against = "anticlockwise" if engine.rotor.turns == "clockwise" else "clockwise"
    yield "Marks, in the order in which they pass the index while the engine runs"
    yield f"(on the rotor, as the camera sees it, this is the order going round {against}):"
    rows = [("mark", "cylinder", "at the index the advance is", "to the next")]
    for i, line in enumerate(lines):
        follower = lines[(i + 1) % len(lines)].marks[0].name
        rows.append(
            (
                " = ".join(mark.name for mark in line.marks),
                "; ".join(", ".join(mark.cylinder) for mark in line.marks),
                "; ".join(dict.fromkeys(_advance(mark, engine) for mark in line.marks)),
                f"{line.to_next_deg:.1f}° to {follower}" if len(lines) > 1 else "the only one",
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    for row in rows:
        yield "  " + "   ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
    for line in lines:
        if len(line.marks) > 1:
            names = " and ".join(mark.name for mark in line.marks)
            yield f"  {names} are one and the same line on the rotor."


def _advance(mark: RotorMark, engine: Engine) -> str:
    deg = mark_btdc_deg(mark, engine.crank)
    place = "0° (top dead centre)" if abs(deg) < 0.05 else f"{abs(deg):.4g}° {'before' if deg > 0 else 'after'} TDC"
    extra = [f"{mark.mm_btdc:g} mm of piston travel"] if mark.mm_btdc is not None else []
    extra += [f"painted {mark.paint}"] if mark.paint is not None else []
    return place + (f" ({', '.join(extra)})" if extra else "")


def _spec(spec: Spec | None) -> list[str]:
    if spec is None:
        return ["Spec: none given, so nothing will be judged, only measured."]
    points = ", ".join(f"{advance:.4g}° at {rpm:g} rpm" for rpm, advance in spec.curve)
    lines = _wrap(
        f"Spec: {points}; straight between; {spec.tolerance_deg:g}° allowed either side.", first="", rest="  "
    )
    limits = {
        "never beyond {:g}°": spec.full_advance_max_deg,
        "cylinders within {:g}° of each other": spec.left_right_deg,
        "single sparks scatter by at most {:g}° (sd)": spec.scatter_deg,
        "at most {:g}° between speed rising and falling": spec.hysteresis_deg,
    }
    said = [words.format(limit) for words, limit in limits.items() if limit is not None]
    return lines + (_wrap("Also: " + "; ".join(said) + ".", first="  ", rest="  ") if said else [])


def _adjuster(adjuster: Adjuster) -> str:
    said = [f"{adjuster.name} moves {' and '.join(adjuster.moves)}."]
    if adjuster.kind == "turn":
        said.append(
            f"Facing it, the {adjuster.shaft} turns {adjuster.shaft_turns}: turn {adjuster.name} "
            f"{direction(adjuster, 1.0)} for an earlier spark, {direction(adjuster, -1.0)} for a later one."
        )
        each = [f"{1 / crank_deg_per_shaft_deg(adjuster):g}° at the plate"]
        mm = rim_mm(adjuster, 1.0)
        each += [f"{mm:.2f} mm at its rim"] if mm is not None else []
        if adjuster.division_crank_deg is not None:
            each.append(f"{1 / adjuster.division_crank_deg:.2g} of a division")
        said.append(f"One crank degree is {', '.join(each)}.")
    else:
        narrower = "retards" if adjuster.wider_gap == "advances" else "advances"
        thou_deg = abs(change_from_gaps(adjuster, 0.0, 1.0))
        said.append(
            f"A wider gap {adjuster.wider_gap} the spark, a narrower one {narrower} it, {thou_deg:.3f} crank degrees "
            "for each thou."
        )
        said.append(f"{adjuster.gap_thou:g} thou in it now." if adjuster.gap_thou is not None else "Gap now not given.")
        if adjuster.gap_range_thou is not None:
            said.append("Keep it between {:g} and {:g} thou.".format(*adjuster.gap_range_thou))
    if adjuster.range_crank_deg is not None:
        said.append(f"It can still go {adjuster.range_crank_deg:g} crank degrees either way.")
    return " ".join(said)


def _hints(engine: Engine) -> Iterator[str]:
    turn_deg = alike_after_turn(engine)
    if turn_deg is not None:
        yield (
            f"After {turn_deg:.0f}° the marks look the same again, so their spacing cannot tell the groups apart, and "
            "letters and paint are not read: which group a clip shows is taken from the cylinder that you name. Make "
            "sure that the strobe's lead is on that one; a line of its own in one group would tell."
        )
    if _share_marks(engine):
        yield (
            "Cylinders that share their marks look alike to the camera: make sure that the strobe's lead is on the "
            "cylinder you mean."
        )
    marked = {name for mark in engine.rotor.mark for name in mark.cylinder}
    moved = {name for adjuster in engine.adjuster for name in adjuster.moves}
    for cylinder in engine.cylinder:
        if cylinder.name not in marked:
            yield (
                f"{cylinder.name} has no mark of its own in this file: if a line serves it, name it there; otherwise "
                "its advance is read off the other cylinders' marks, in flashes that show one of them with the index."
            )
        if engine.adjuster and cylinder.name not in moved:
            yield f"No adjuster moves {cylinder.name}, so nothing can be advised for it."
    for adjuster in engine.adjuster:
        yield from _gap_hints(adjuster)
    if engine.rotor.index_above_mm is None:
        yield (
            "Without index_above_mm the doubt of every angle grows, the more so the further the camera is off the "
            "rotor's axis. Measure how far the index stands off the marks."
        )
    if engine.spec is not None and engine.spec.full_advance_max_deg is None:
        most = max(advance for _, advance in engine.spec.curve) + engine.spec.tolerance_deg
        yield f"No full_advance_max_deg: the spec's highest advance and its tolerance, {most:g}°, will stand for it."


def _gap_hints(adjuster: Adjuster) -> Iterator[str]:
    if adjuster.kind == "turn":
        return
    if adjuster.gap_thou is None:
        yield f"{adjuster.name}: without gap_thou no feeler blade can be advised, only how much wider or narrower."
    elif adjuster.gap_range_thou is not None:
        low, high = adjuster.gap_range_thou
        if not low <= adjuster.gap_thou <= high:
            yield f"{adjuster.name}: its gap of {adjuster.gap_thou:g} thou is outside its range, {low:g} to {high:g}."


def _share_marks(engine: Engine) -> bool:
    return any(len(mark.cylinder) > 1 for mark in engine.rotor.mark)


def _wrap(text: str, first: str, rest: str, width: int = 100) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
