"""Whether the picture itself says which cylinder the strobe was on: by the marks' spacing, or by their paint.

In:  the engine file, the marks found; what was seen of the clip.
Out: `seen` or `assumed`.
Not here: a strobe that is surely on another cylinder, which is refused where the marks are named (`seeing/`).
"""

from __future__ import annotations

from typing import Literal

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.assemble import Seen
from timingcam.reckoning.marks_order import ALIKE_DEG, alike_after_turn, lines_in_order
from timingcam.seeing.marks import Marks
from timingcam.seeing.paint import Painted, by_their_paint, tells_apart

FEWEST_MARKS = 2  # one line alone has no spacing to be known by
# Our choice, sds of what bare metal's colour varies by: by chance one clip in a million, if that were normal.
SURELY = 5.0


def bare(engine: Engine) -> Engine:
    """The same engine without paint: by their spacing alone, it tells nothing apart."""
    marks = tuple(mark.model_copy(update={"paint": None}) for mark in engine.rotor.mark)
    return engine.model_copy(update={"rotor": engine.rotor.model_copy(update={"mark": marks})})


def cylinder_identity(
    engine: Engine, cylinder: str, found: tuple[str, ...], pointed: tuple[str, ...] = ()
) -> Literal["seen", "assumed"]:
    """Say how the cylinder is known.

    Parameters
    ----------
    engine : Engine
    cylinder : str
        The one named by the user.
    found : tuple of str
        Names of the marks found on the rotor.
    pointed : tuple of str
        Names of those at which the user pointed: told, not seen.

    Returns
    -------
    {"seen", "assumed"}
        Seen where the cylinder's marks serve no other, the whole rotor looks alike at no other angle, and enough of
        its marks were found by their spacing: at the index stood this cylinder's marks, and no others'.
    """
    own = [mark for mark in engine.rotor.mark if cylinder in mark.cylinder]
    shared = any(len(mark.cylinder) > 1 for mark in own)
    by_spacing = [mark for mark in own if mark.name in found and mark.name not in pointed]
    if shared or len(by_spacing) < FEWEST_MARKS or alike_after_turn(bare(engine)) is not None:
        return "assumed"
    return "seen"


def identity_of(seen: Seen, engine: Engine, cylinder: str, pointed: tuple[str, ...]) -> Literal["seen", "assumed"]:
    """`cylinder_identity`, and where spacing does not tell the cylinder, by the colour of the marks' paint.

    Parameters
    ----------
    seen : Seen
    engine : Engine
    cylinder : str
    pointed : tuple of str
        Names of the marks at which the user pointed.

    Raises
    ------
    CannotMeasure
        If the paint says that these are the other cylinder's marks.
    """
    by_spacing = cylinder_identity(engine, cylinder, tuple(m.name for m in seen.marks.marks), pointed)
    if by_spacing == "seen" or pointed:
        return by_spacing
    painted = painted_marks(engine, seen.marks)
    sds = by_their_paint((seen.info, seen.flashes, seen.view, seen.turns), painted) if painted else 0.0
    if sds < -SURELY:
        own = " or ".join(sorted({p.paint for p in painted if p.paint and _serves(engine, p.mark.name, cylinder)}))
        raise CannotMeasure(
            found=f"marks at the index that are not {own or 'of the paint in the file'}, as the engine file says of "
            f"those of cylinder {cylinder}: the strobe seems to be on another cylinder",
            expected=f"the marks of cylinder {cylinder}",
            do="check which plug lead the strobe's pickup is on and `paint` in the engine file, or name the other "
            "cylinder",
        )
    return "seen" if sds > SURELY else "assumed"


def painted_marks(engine: Engine, marks: Marks) -> list[Painted]:
    """The marks found that could be taken for others by their spacing, and not by their paint."""
    turn_deg = alike_after_turn(bare(engine))
    if turn_deg is None:
        return []
    lines = lines_in_order(engine)
    found = []
    for mark in marks.marks:
        own = next(line for line in lines if any(m.name == mark.name for m in line.marks))
        for other in lines:
            off = abs((own.passes_deg + turn_deg - other.passes_deg + 180) % 360 - 180)
            paint, others = (next((m.paint for m in line.marks if m.paint), None) for line in (own, other))
            if off <= ALIKE_DEG and tells_apart(paint, others):
                found.append(Painted(mark, paint, others))
    return found


def _serves(engine: Engine, name: str, cylinder: str) -> bool:
    return any(mark.name == name and cylinder in mark.cylinder for mark in engine.rotor.mark)
