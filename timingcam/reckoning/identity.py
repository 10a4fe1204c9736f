"""Whether the picture itself says which cylinder the strobe was on.

In:  the engine file, the marks found.
Out: `seen` or `assumed`.
Not here: a strobe that is surely on another cylinder, which is refused where the marks are named (`seeing/`).
"""

from __future__ import annotations

from typing import Literal

from timingcam.engine import Engine
from timingcam.reckoning.marks_order import alike_after_turn

FEWEST_MARKS = 2  # one line alone has no spacing to be known by


def bare(engine: Engine) -> Engine:
    """The same engine without paint: it is not looked at, so it tells nothing apart."""
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
