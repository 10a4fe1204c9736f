"""Where the rotor stands, looked for as the engine file says that it can be seen.

In:  the clip, its flashes, pictures of some of them, the engine file.
Out: `View`: of all of the rotor, or of the part that shows through a timing hole or on its edge.
Not here: how either is found (`seeing/whole_view.py`, `seeing/part_view.py`).
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.assemble import btdc_of_marks
from timingcam.seeing.arcs import HoleTold
from timingcam.seeing.circle import wrap
from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.marks import mark_places, sense_of
from timingcam.seeing.naming import how_clear
from timingcam.seeing.opening import DO_OPENING, NotAPart
from timingcam.seeing.part_view import Told, find_part_view
from timingcam.seeing.view import View
from timingcam.seeing.whole_view import find_view

NEVER_TURNS_DEG = 1.0  # our choice: over a clip's speeds the spark moves the marks by many times that
FAR_ROUND_DEG = 75.0  # our choice: further round than any advancer moves the marks
FAR_SLACK = 3.0  # our choice: less may show than the hole, in which marks move
MARKS_OUT = 0.85  # our choice, rotor radii: marks are put on near the rim
HOLE_SLACK = 1.25  # our choice: a cover stands nearer to the camera than the rotor, and its hole appears larger


def first_view(
    what: tuple[ClipInfo, Flashes, FlashLight, list[LitPicture]],
    engine: Engine,
    cylinder: str,
    centre_px: np.ndarray | None = None,
) -> View:
    """Where the rotor stands: a part of it, where the file says that only a part can be seen, or all of it.

    Parameters
    ----------
    what : (ClipInfo, Flashes, FlashLight, list of LitPicture)
        The clip, its flashes, and pictures of some of them.
    engine : Engine
    cylinder : str
        The one that the strobe is on.
    centre_px : ndarray, shape (2,), optional
        The user's own idea of the rotor's centre, stored pixels.

    Raises
    ------
    CannotMeasure
        If no rotor is found.
    """
    info, flashes, light, lit = what
    on_edge = engine.rotor.marks_on == "edge"
    if on_edge or engine.rotor.window_mm is not None:
        btdc, sense = btdc_of_marks(engine), sense_of(engine)
        judge = partial(how_clear, engine=engine, cylinder=cylinder, btdc=btdc)
        told = Told(mark_places(engine, btdc, sense), sense, on_edge, _hole_of(engine), judge)
        try:
            return find_part_view(info, flashes, light, lit, told)
        except NotAPart:
            if on_edge:
                raise
        # The cover is off, and all of the rotor can be seen; or what is round is the cover's hole itself.
        return _whole_or_part(what, told, centre_px)
    return find_view(light, lit, centre_px)


def _whole_or_part(
    what: tuple[ClipInfo, Flashes, FlashLight, list[LitPicture]], told: Told, centre_px: np.ndarray | None
) -> View:
    """All of the rotor; but where that never turns, or is not there, what shows through the hole it was taken for."""
    info, flashes, light, lit = what
    surely = replace(told, surely=True)
    try:
        whole = find_view(light, lit, centre_px)
    except CannotMeasure as fault:
        try:
            return find_part_view(info, flashes, light, lit, surely)
        except CannotMeasure:
            do = f"{fault.do}; through a timing hole, {DO_OPENING}"
            raise CannotMeasure(found=fault.found, expected=fault.expected, do=do) from fault
    if _turns(whole):
        return whole
    try:
        return find_part_view(info, flashes, light, lit, surely)
    except CannotMeasure:
        # At one speed the marks stand still.
        return whole


def _turns(view: View) -> bool:
    turns = view.turns_deg[np.isfinite(view.turns_deg)]
    if not len(turns):
        return True
    # Of a hole's plain edge, some flashes look as if it stood the other way round.
    off = wrap(turns - np.median(turns))
    return bool(np.ptp(np.percentile(off[np.abs(off) < FAR_ROUND_DEG], [5, 95])) > NEVER_TURNS_DEG)


def _hole_of(engine: Engine) -> HoleTold:
    """What can show of a rotor's face through its timing hole."""
    across = (engine.rotor.window_mm or 0.0) / engine.rotor.rim_diameter_mm
    # A hole's far edge stands where marks are, beyond the rim or a little within it.
    widest_deg = HOLE_SLACK * 2.0 * float(np.degrees(np.arcsin(min(across / max(MARKS_OUT - across, across), 1.0))))
    return HoleTold(widest_deg, FAR_SLACK * 0.5 / across if across else np.inf)
