"""What an adjuster does to the advance, and what must be done to it for a wanted change.

In:  `Adjuster` of the engine file, and a change of gap in thou or of advance in crank degrees.
Out: the other of the two, with its sign; the same change in shaft degrees, mm at the rim, divisions.
Not here: which change is wanted (`adjust.py`).

Signs: a change of advance is positive when the spark comes earlier. Directions are as a person sees them who faces
the adjuster.
"""

from __future__ import annotations

import math

from timingcam.engine import Adjuster, Turning

THOU_MM = 0.0254  # exact: 1 in = 25.4 mm
# Our choice: a mark on a plate is lined up to about 0.15 mm either way, anywhere within: 0.15/sqrt(3) as an sd.
HAND_SD_MM = 0.15 / math.sqrt(3)
HAND_SD_THOU = 0.5  # our choice: a blade's drag is felt to about half a thou
HAND_SD_DEG = 0.5  # our choice where the file gives no radius: half a crank degree
_OTHER: dict[Turning, Turning] = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}


def crank_deg_per_shaft_deg(adjuster: Adjuster) -> float:
    """Crank degrees for one degree at the adjuster's shaft: 2 on a camshaft, which turns at half crank speed.

    Parameters
    ----------
    adjuster : Adjuster
        Of kind turn or slide.

    Returns
    -------
    float
    """
    return 2.0 if adjuster.shaft == "camshaft" else 1.0


def direction(adjuster: Adjuster, change_deg: float) -> Turning:
    """Which way to turn an adjuster of kind turn, facing it.

    Parameters
    ----------
    adjuster : Adjuster
    change_deg : float
        Wanted change of advance, crank degrees, not 0.

    Returns
    -------
    'clockwise' or 'anticlockwise'
    """
    if adjuster.advances is None or change_deg == 0:
        raise ValueError(f"{adjuster.name} has no direction for a change of {change_deg}")
    return adjuster.advances if change_deg > 0 else _OTHER[adjuster.advances]


def change_from_gaps(adjuster: Adjuster, from_thou: float, to_thou: float) -> float:
    """Change of advance when the gap of a slide or of contact breakers is changed.

    Parameters
    ----------
    adjuster : Adjuster
        Of kind slide or gap.
    from_thou, to_thou : float
        Gap before and after, thou.

    Returns
    -------
    float
        Crank degrees, positive earlier.
    """
    return _wider_sign(adjuster) * _turned_deg(adjuster, to_thou - from_thou)


def gap_for_change(adjuster: Adjuster, from_thou: float, change_deg: float) -> float:
    """The gap that changes the advance by so much; the inverse of `change_from_gaps`.

    Parameters
    ----------
    adjuster : Adjuster
        Of kind slide or gap.
    from_thou : float
        Gap before, thou.
    change_deg : float
        Wanted change of advance, crank degrees.

    Returns
    -------
    float
        Thou; below 0 where no gap is small enough.
    """
    wider_deg = _wider_sign(adjuster) * change_deg
    if adjuster.crank_deg_per_thou is not None:
        return from_thou + wider_deg / adjuster.crank_deg_per_thou
    half = math.radians(wider_deg / crank_deg_per_shaft_deg(adjuster)) / 2
    return from_thou + 2 * _radius_mm(adjuster) * math.tan(half) / THOU_MM


def rim_mm(adjuster: Adjuster, change_deg: float) -> float | None:
    """How far a point on the adjuster's circle moves, along the arc.

    Parameters
    ----------
    adjuster : Adjuster
        Of kind turn or slide.
    change_deg : float
        Change of advance, crank degrees.

    Returns
    -------
    float or None
        mm, not negative; None where the file gives no radius.
    """
    radius_mm = adjuster.rim_radius_mm if adjuster.kind == "turn" else adjuster.radius_mm
    if radius_mm is None:
        return None
    return abs(math.radians(change_deg / crank_deg_per_shaft_deg(adjuster))) * radius_mm


def nominal_deg_per_unit(adjuster: Adjuster, unit: str) -> float | None:
    """Crank degrees for one unit of an adjuster by the engine file.

    Parameters
    ----------
    adjuster : Adjuster
    unit : str
        "divisions", "mm" along its circle, "degrees" at its shaft, or "thou" of gap.

    Returns
    -------
    float or None
        Positive; None where the file does not say, or the adjuster has no such unit.
    """
    if adjuster.kind == "turn":
        mm = rim_mm(adjuster, 1.0)
        known = {
            "divisions": adjuster.division_crank_deg,
            "mm": 1.0 / mm if mm else None,
            "degrees": crank_deg_per_shaft_deg(adjuster),
        }
        return known.get(unit)
    return abs(change_from_gaps(adjuster, 0.0, 1.0)) if unit == "thou" else None


def hand_sd_deg(adjuster: Adjuster) -> float:
    """How well a hand sets an adjuster, crank degrees: by the engine file, or our own estimate.

    Parameters
    ----------
    adjuster : Adjuster

    Returns
    -------
    float
        One standard deviation.
    """
    if adjuster.hand_sd_crank_deg is not None:
        return adjuster.hand_sd_crank_deg
    if adjuster.kind != "turn":
        return HAND_SD_THOU * abs(change_from_gaps(adjuster, 0.0, 1.0))
    per_mm = nominal_deg_per_unit(adjuster, "mm")
    return HAND_SD_MM * per_mm if per_mm is not None else HAND_SD_DEG


def _turned_deg(adjuster: Adjuster, wider_thou: float) -> float:
    if adjuster.crank_deg_per_thou is not None:
        return adjuster.crank_deg_per_thou * wider_thou
    # The gap is a chord of the circle on which the trigger slides.
    shaft_deg = math.degrees(2 * math.atan(wider_thou * THOU_MM / (2 * _radius_mm(adjuster))))
    return crank_deg_per_shaft_deg(adjuster) * shaft_deg


def _wider_sign(adjuster: Adjuster) -> float:
    if adjuster.wider_gap is None:
        raise ValueError(f"{adjuster.name} is not set by a gap")
    return 1.0 if adjuster.wider_gap == "advances" else -1.0


def _radius_mm(adjuster: Adjuster) -> float:
    if adjuster.radius_mm is None:
        raise ValueError(f"{adjuster.name} has no radius")
    return adjuster.radius_mm
