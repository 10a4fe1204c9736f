"""The order in which the rotor's marks pass the index while the engine runs.

In:  `Engine`.
Out: `Line`s in that order, the angle from each to the next; whether the rotor looks the same after some turn.
Not here: where the marks are in a picture (`seeing/marks.py`).

A mark of a cylinder whose firing top dead centre is at engine angle c passes the index at c − btdc.
"""

from __future__ import annotations

from dataclasses import dataclass

from timingcam.engine import Engine, RotorMark
from timingcam.reckoning.piston import mark_btdc_deg

ONE_LINE_DEG = 0.05  # our choice: 0.05 mm on a rotor of 110 mm, finer than any mark is cut
# Our choice: on a rim of 110 mm this is 1 mm, about what an eye sees of a pattern at a glance.
ALIKE_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line on the rotor: usually one mark, more where the file names the same place twice."""

    marks: tuple[RotorMark, ...]
    passes_deg: float  # engine angle at which it passes the index, modulo 360
    to_next_deg: float  # angle to the line that passes next; 360 where it is the only one


def lines_in_order(engine: Engine) -> tuple[Line, ...]:
    """Lines of the rotor in the order in which they pass the index, beginning after the widest gap.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    tuple of Line
        The angles to the next add up to 360.
    """
    tdc_deg = {cylinder.name: cylinder.tdc_deg for cylinder in engine.cylinder}
    placed = sorted(
        ((tdc_deg[mark.cylinder[0]] - mark_btdc_deg(mark, engine.crank)) % 360.0, i, mark)
        for i, mark in enumerate(engine.rotor.mark)
    )
    groups: list[tuple[float, list[RotorMark]]] = []
    for deg, _, mark in placed:
        if groups and deg - groups[-1][0] <= ONE_LINE_DEG:
            groups[-1][1].append(mark)
        else:
            groups.append((deg, [mark]))
    if len(groups) > 1 and groups[0][0] + 360 - groups[-1][0] <= ONE_LINE_DEG:
        groups[0][1][:0] = groups.pop()[1]
    gaps = [(groups[(i + 1) % len(groups)][0] - deg) % 360.0 or 360.0 for i, (deg, _) in enumerate(groups)]
    first = (max(range(len(groups)), key=gaps.__getitem__) + 1) % len(groups)
    order = [*range(first, len(groups)), *range(first)]
    return tuple(Line(tuple(groups[i][1]), groups[i][0], gaps[i]) for i in order)


def alike_after_turn(engine: Engine) -> float | None:
    """The turn after which the rotor's marks look the same, paint included, or None.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float or None
        Degrees, 180 on a usual twin of that firing interval; marks within 1 degree of each other count as alike.
    """
    lines = lines_in_order(engine)
    looks = [(line.passes_deg, {mark.paint for mark in line.marks} - {None}) for line in lines]
    for other_deg, _ in looks[1:]:
        turn_deg = (other_deg - looks[0][0]) % 360
        if all(any(_near(deg + turn_deg, to) and paint == to_paint for to, to_paint in looks) for deg, paint in looks):
            return turn_deg
    return None


def _near(one_deg: float, other_deg: float) -> bool:
    return abs((one_deg - other_deg + 180) % 360 - 180) <= ALIKE_DEG
