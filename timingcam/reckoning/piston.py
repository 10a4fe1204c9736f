"""Piston travel to crank angle and back.

In:  travel from top dead centre in mm, or crank angle in degrees, with stroke and rod.
Out: the other of the two; a mark's advance in degrees, however its file gave it.
Not here: whether an engine file's stroke and rod are there and right (`engine_checks.py`).

The gudgeon pin is taken to be in line with the crankshaft; a pin set over by a millimetre or two shifts the angle by
some tenths of a degree, which no engine file tells.
"""

from __future__ import annotations

import math

from timingcam.engine import Crank, RotorMark


def travel_mm(crank_deg: float, stroke_mm: float, rod_mm: float) -> float:
    """Piston travel from top dead centre.

    Parameters
    ----------
    crank_deg : float
        Crank angle from top dead centre, either way.
    stroke_mm, rod_mm : float
        Stroke; length of the connecting rod between centres, more than half the stroke.

    Returns
    -------
    float
        Travel in mm, from 0 to the stroke.

    Raises
    ------
    ValueError
        If no crank can have these sizes.

    References
    ----------
    .. [1] J. B. Heywood, Internal Combustion Engine Fundamentals, ch. 2: slider-crank.
    """
    throw_mm = _throw_mm(stroke_mm, rod_mm)
    angle = math.radians(crank_deg)
    return throw_mm + rod_mm - (throw_mm * math.cos(angle) + math.sqrt(rod_mm**2 - (throw_mm * math.sin(angle)) ** 2))


def deg_at_travel(mm: float, stroke_mm: float, rod_mm: float) -> float:
    """Crank angle from top dead centre at which the piston has travelled so far.

    Parameters
    ----------
    mm : float
        Travel from top dead centre, from 0 to the stroke.
    stroke_mm, rod_mm : float
        As for `travel_mm`.

    Returns
    -------
    float
        Degrees, from 0 to 180.

    Raises
    ------
    ValueError
        If the travel is beyond the stroke, or no crank can have these sizes.
    """
    throw_mm = _throw_mm(stroke_mm, rod_mm)
    if not 0 <= mm <= stroke_mm:
        raise ValueError(f"travel {mm} mm is not within the stroke of {stroke_mm} mm")
    pin_mm = throw_mm + rod_mm - mm
    # Half-angle form of the cosine rule in the triangle throw, rod, pin: near top dead centre, where marks are, the
    # arc cosine itself would lose half of the digits.
    sin_half_sq = (rod_mm**2 - (pin_mm - throw_mm) ** 2) / (4 * pin_mm * throw_mm)
    return math.degrees(2 * math.asin(math.sqrt(min(1.0, max(0.0, sin_half_sq)))))


def mark_btdc_deg(mark: RotorMark, crank: Crank) -> float:
    """The advance at which a mark lines up with the index, in crank degrees, whether its file gave degrees or mm.

    Parameters
    ----------
    mark : RotorMark
    crank : Crank

    Returns
    -------
    float
        Crank degrees before top dead centre.

    Raises
    ------
    ValueError
        If the mark has no place, or it is in mm and the crank has no sizes.
    """
    if mark.btdc_deg is not None:
        return mark.btdc_deg
    if mark.mm_btdc is None or crank.stroke_mm is None or crank.rod_mm is None:
        raise ValueError(f"mark {mark.name} has no angle, nor a travel with stroke and rod")
    return deg_at_travel(mark.mm_btdc, crank.stroke_mm, crank.rod_mm)


def _throw_mm(stroke_mm: float, rod_mm: float) -> float:
    if not 0 < stroke_mm < 2 * rod_mm:
        raise ValueError(f"a crank of stroke {stroke_mm} mm needs a rod of more than half of it, found {rod_mm} mm")
    return stroke_mm / 2
