"""What one value of an engine file demands of another.

In:  an `Engine` whose every value is right by itself.
Out: a `Fault` for each contradiction.
Not here: what is merely unusual, which `timingcam engine check` hints at and nothing refuses.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from timingcam.engine_faults import Fault, Words

if TYPE_CHECKING:
    from timingcam.engine import Adjuster, Crank, Engine, RotorMark, Spec

# Our choice: beyond these nobody fires an engine of this kind; a slip of a digit or sign is what this catches.
LEAST_ADVANCE_DEG, MOST_ADVANCE_DEG = -30.0, 90.0
SAME_ANGLE_DEG = 1e-6  # our choice: two figures written alike; rounding of 360-degree arithmetic is far below

# kind: (keys required, keys allowed besides)
_ADJUSTER_KEYS = {
    "turn": (("shaft", "shaft_turns", "advances"), ("division_crank_deg", "rim_radius_mm")),
    "slide": (("shaft", "radius_mm", "wider_gap"), ("gap_thou", "gap_range_thou")),
    "gap": (("crank_deg_per_thou", "wider_gap"), ("gap_thou", "gap_range_thou")),
}
_ANY_KIND = ("name", "moves", "kind", "range_crank_deg", "hand_sd_crank_deg")


def contradictions(engine: Engine) -> list[Fault]:
    """All faults that show only when values are held against each other.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    list of Fault
        Empty where the engine hangs together.
    """
    faults = [*_crank(engine.crank), *_cylinders(engine), *_marks(engine)]
    rotor = engine.rotor
    if rotor.index_above_sd_mm is not None and rotor.index_above_mm is None:
        faults.append(
            Fault("rotor.index_above_sd_mm", rotor.index_above_sd_mm, "rotor.index_above_mm with it, whose doubt it is")
        )
    if engine.spec is not None:
        faults += _spec(engine.spec)
    names = {cylinder.name for cylinder in engine.cylinder}
    faults += _repeated("adjuster", [a.name for a in engine.adjuster])
    for i, adjuster in enumerate(engine.adjuster, start=1):
        faults += _adjuster(f"adjuster[{i}]", adjuster, names)
    return faults


def _crank(crank: Crank) -> Iterator[Fault]:
    if crank.strokes == 2 and crank.sparks_per_rev != 1:
        yield Fault("crank.sparks_per_rev", crank.sparks_per_rev, "1, as a two-stroke sparks at every revolution")
    for one, other in (("stroke_mm", "rod_mm"), ("rod_mm", "stroke_mm")):
        if getattr(crank, one) is not None and getattr(crank, other) is None:
            yield Fault(f"crank.{other}", None, f"a length, since crank.{one} is given and one is no use alone")
    if crank.stroke_mm is not None and crank.rod_mm is not None and crank.rod_mm <= crank.stroke_mm / 2:
        yield Fault("crank.rod_mm", crank.rod_mm, f"more than half the stroke, {crank.stroke_mm / 2:g} mm")
    if crank.idle_rpm is not None and crank.max_rpm is not None and crank.idle_rpm >= crank.max_rpm:
        yield Fault("crank.idle_rpm", crank.idle_rpm, f"less than crank.max_rpm, {crank.max_rpm:g}")


def _cylinders(engine: Engine) -> Iterator[Fault]:
    yield from _repeated("cylinder", [cylinder.name for cylinder in engine.cylinder])
    cycle_deg = 360 if engine.crank.strokes == 2 else 720
    for i, cylinder in enumerate(engine.cylinder, start=1):
        if not 0 <= cylinder.tdc_deg < cycle_deg:
            of = "two" if engine.crank.strokes == 2 else "four"
            expected = f"0 or more and less than {cycle_deg}, the engine cycle of a {of}-stroke"
            yield Fault(f"cylinder[{i}].tdc_deg", cylinder.tdc_deg, expected)
    if engine.cylinder[0].tdc_deg != 0:
        yield Fault("cylinder[1].tdc_deg", engine.cylinder[0].tdc_deg, "0, since angles count from the first cylinder")


def _marks(engine: Engine) -> Iterator[Fault]:
    tdc_deg = {cylinder.name: cylinder.tdc_deg for cylinder in engine.cylinder}
    yield from _repeated("rotor.mark", [mark.name for mark in engine.rotor.mark])
    for i, mark in enumerate(engine.rotor.mark, start=1):
        key = f"rotor.mark[{i}]"
        yield from _known(f"{key}.cylinder", mark.cylinder, tdc_deg)
        yield from _mark_place(key, mark, engine.crank)
        away = (
            {(tdc_deg[name] - tdc_deg[mark.cylinder[0]]) % 360 for name in mark.cylinder if name in tdc_deg}
            if (mark.cylinder[0] in tdc_deg)
            else set()
        )
        if any(deg > SAME_ANGLE_DEG for deg in away):
            expected = "cylinders whose pistons rise together: one line cannot show the same advance of the others"
            yield Fault(f"{key}.cylinder", mark.cylinder, expected)
    yield from _coinciding(engine.rotor.mark)


def _mark_place(key: str, mark: RotorMark, crank: Crank) -> Iterator[Fault]:
    if mark.btdc_deg is None and mark.mm_btdc is None:
        yield Fault(key, Words(f"neither btdc_deg nor mm_btdc for {mark.name}"), "one of the two")
    if mark.btdc_deg is not None and mark.mm_btdc is not None:
        yield Fault(key, Words(f"btdc_deg and mm_btdc for {mark.name}"), "only one of the two")
    if mark.btdc_deg is not None and not -180 < mark.btdc_deg < 180:
        yield Fault(f"{key}.btdc_deg", mark.btdc_deg, "an angle within half a turn of top dead centre")
    if mark.mm_btdc is not None:
        if crank.stroke_mm is None or crank.rod_mm is None:
            yield Fault(
                f"{key}.mm_btdc", mark.mm_btdc, "with it crank.stroke_mm and crank.rod_mm, to make degrees of it"
            )
        elif mark.mm_btdc >= crank.stroke_mm:
            yield Fault(f"{key}.mm_btdc", mark.mm_btdc, f"less than the stroke, {crank.stroke_mm:g} mm")


def _coinciding(marks: Sequence[RotorMark]) -> Iterator[Fault]:
    for i, mark in enumerate(marks, start=1):
        for j, other in enumerate(marks[: i - 1], start=1):
            shared = sorted(set(mark.cylinder) & set(other.cylinder))
            for key in ("btdc_deg", "mm_btdc"):
                here, there = getattr(mark, key), getattr(other, key)
                if shared and here is not None and there is not None and abs(here - there) <= SAME_ANGLE_DEG:
                    expected = f"another place than that of rotor.mark[{j}], which serves {shared[0]} too"
                    yield Fault(f"rotor.mark[{i}].{key}", here, expected)


def _spec(spec: Spec) -> Iterator[Fault]:
    key = "spec.curve" if spec.curve_mm is None else "spec.curve_mm"
    given = spec.curve if spec.curve_mm is None else spec.curve_mm
    for i in range(1, len(spec.curve)):
        if spec.curve[i][0] <= spec.curve[i - 1][0]:
            yield Fault(f"{key}[{i + 1}]", given[i], f"an rpm above that of the point before, {spec.curve[i - 1][0]:g}")
    for i, (_, advance_deg) in enumerate(spec.curve):
        if not LEAST_ADVANCE_DEG <= advance_deg <= MOST_ADVANCE_DEG:
            expected = f"[rpm, advance] with an advance from {LEAST_ADVANCE_DEG:g} to {MOST_ADVANCE_DEG:g} degrees"
            yield Fault(f"{key}[{i + 1}]", given[i], expected)
    if spec.full_advance_max_deg is not None:
        most = max(advance_deg for _, advance_deg in spec.curve)
        if spec.full_advance_max_deg < most:
            expected = f"at least the most that {key} asks for, {most:g} degrees"
            yield Fault("spec.full_advance_max_deg", spec.full_advance_max_deg, expected)


def _adjuster(key: str, adjuster: Adjuster, cylinders: set[str]) -> Iterator[Fault]:
    yield from _known(f"{key}.moves", adjuster.moves, cylinders)
    required, allowed = _ADJUSTER_KEYS[adjuster.kind]
    for name in required:
        if getattr(adjuster, name) is None:
            yield Fault(f"{key}.{name}", None, f'this key, which kind "{adjuster.kind}" needs')
    for name in type(adjuster).model_fields:
        if getattr(adjuster, name) is not None and name not in (*_ANY_KIND, *required, *allowed):
            kinds = " or ".join(f'"{kind}"' for kind, keys in _ADJUSTER_KEYS.items() if name in (*keys[0], *keys[1]))
            yield Fault(
                f"{key}.{name}", getattr(adjuster, name), f'no such key with kind "{adjuster.kind}", only with {kinds}'
            )
    if adjuster.kind == "turn" and adjuster.advances is not None and adjuster.advances == adjuster.shaft_turns:
        expected = (
            f"the opposite of shaft_turns, {adjuster.shaft_turns}, both facing {adjuster.name}: "
            "turned against its shaft a trigger is met sooner, turned with it later"
        )
        yield Fault(f"{key}.advances", adjuster.advances, expected)
    gaps = adjuster.gap_range_thou
    if gaps is not None and gaps[0] >= gaps[1]:
        yield Fault(f"{key}.gap_range_thou", gaps, "[smallest, largest], in that order")
    if adjuster.kind == "slide" and adjuster.radius_mm is not None:
        widest_mm = 0.0254 * max([adjuster.gap_thou or 0.0, *(gaps or ())])
        if widest_mm >= adjuster.radius_mm:
            yield Fault(f"{key}.radius_mm", adjuster.radius_mm, f"a circle wider than the gap in it, {widest_mm:g} mm")


def _known(key: str, names: Sequence[str], cylinders: Iterable[str]) -> Iterator[Fault]:
    known = sorted(cylinders)
    for name in names:
        if name not in known:
            yield Fault(key, name, "the name of a cylinder of this file: " + ", ".join(known))
    if len(set(names)) < len(names):
        yield Fault(key, names, "each cylinder once")


def _repeated(table: str, names: Sequence[str]) -> Iterator[Fault]:
    for i, name in enumerate(names):
        if name in names[:i]:
            yield Fault(f"{table}[{i + 1}].name", name, f"another name than that of {table}[{names.index(name) + 1}]")
