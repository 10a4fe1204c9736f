"""Where the doubt of an advance comes from, and how much of it.

In:  `Sources`, the size of each source in its own unit, and the geometry that turns it into degrees.
Out: rows of the budget; the part that shifts every reading alike.
Not here: how the parts are put together for one figure (`gum.py`, `figures.py`).

Random parts differ from flash to flash and shrink with their number. Systematic parts are the same in every flash of
a clip and never shrink.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from timingcam.reckoning.result import BudgetRow

DEG_PER_S_PER_RPM = 6.0  # definition: 360 degrees a turn, 60 s a minute
# Our choice, as standard uncertainties; an engine file's `index_above_sd_mm` takes their place. A mark's own is in
# `seeing/marks.py`, `STAMPED_SD_DEG`, which gives way to the file's `sd_deg`.
INDEX_ABOVE_MM = 2.5  # an index of unknown height stands 0 to 5 mm off the rotor's plane:
INDEX_ABOVE_SD_MM = 5.0 / math.sqrt(12.0)  # evenly spread over that (GUM 4.3.7)
# Our choice, as an sd about nought: strobes and ignitions of unknown make are late by tens of microseconds: anything
# between 0 and 90 µs is 50 µs root mean square.
UNKNOWN_LAG_SD_S = 50e-6
# Our choice: where a flash's centre of light lies is known to a quarter of its length. A delay that was measured
# is to that centre, and its own doubt holds this one; but where within its smear a rotor is read is known to a few
# hundredths: rendered flashes of 200 and 250 µs were read 1 to 8 % of the smear to one side, 5 % root mean square.
CENTRE_UNKNOWN, CENTRE_MEASURED = 0.25, 0.05
OUT_OF_STEP = "clip and speed out of step"
INDEX_TILT = "tilt, by the index's height"
CLOCK, SPEED_SCALE = "clock of the camera", "scale of the speed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Sizes of all sources of doubt, one standard uncertainty each, and where they are judged.

    Attributes
    ----------
    angle_sd_deg : float
        Random part of one flash's angle, the median over the clip.
    index_sd_deg, mark_sd_deg : float
        Where the index and the rotor's marks are, on the maps of the clip.
    mark_own_sd_deg : float
        How far the mark itself may stand from where the engine file says.
    tilt_deg, tilt_sd_deg : float
        Between the camera's axis and the rotor's, and its doubt.
    index_above_mm, index_above_sd_mm, sight_deg, index_radius_mm : float
        The index's height and its doubt; the angle of the line of sight at the index across the radius; its radius.
    centre_sd : float
        Of the rotor's centre, in rotor radii.
    pose_effect_deg : float, optional
        Where only a part of the rotor shows: what the doubt of all that is known of its place makes of the advance,
        instead of what tilt and centre would do to a rotor seen as a whole.
    flash_length_s : float
        Of the strobe's flash.
    centre_share : float
        To which part of its length its light's centre is known.
    delay_sd_s : float
        From spark to flash.
    time_sd_s, rpm_sd, rpm_rel_sd : float
        Random part of a flash's time and of its speed; the clock's scale.
    rpm_time_sd_s, rpm_change_per_s : float
        How far the clip and a speed that is logged or heard may be out of step, 0 where flashes tell it; its change.
    rpm_elsewhere : bool
        Whether the speed is not from the flashes, so that its scale is not the camera's clock.
    rpm, slope_deg_per_1000rpm : float
        Speed at which the effects are given, and the steepest slope of the curve.
    """

    angle_sd_deg: float
    index_sd_deg: float
    mark_sd_deg: float
    mark_own_sd_deg: float
    tilt_deg: float
    tilt_sd_deg: float
    index_above_sd_mm: float
    sight_deg: float
    index_radius_mm: float
    centre_sd: float
    flash_length_s: float
    delay_sd_s: float
    time_sd_s: float
    rpm_sd: float
    rpm_rel_sd: float
    rpm: float
    slope_deg_per_1000rpm: float
    index_above_mm: float = 0.0
    rpm_time_sd_s: float = 0.0
    rpm_change_per_s: float = 0.0
    centre_share: float = CENTRE_UNKNOWN
    rpm_elsewhere: bool = False
    pose_effect_deg: float | None = None


def budget(sources: Sources) -> tuple[BudgetRow, ...]:
    """Rows of the uncertainty budget, effects in crank degrees at `sources.rpm`.

    Parameters
    ----------
    sources : Sources
        As far as known; 0 for a source that does not apply.

    Returns
    -------
    tuple of BudgetRow

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2: a source's effect is its standard uncertainty times its sensitivity.
    """
    s = sources
    deg_per_s = DEG_PER_S_PER_RPM * s.rpm
    slope = abs(s.slope_deg_per_1000rpm) / 1000.0
    step_deg = slope * s.rpm_change_per_s * s.rpm_time_sd_s
    out_of_step = BudgetRow(OUT_OF_STEP, s.rpm_time_sd_s * 1e3, "ms", "systematic", step_deg)
    return (
        BudgetRow("angle of a single flash", s.angle_sd_deg, "deg", "random", s.angle_sd_deg),
        BudgetRow("speed at a single flash", s.rpm_sd, "1/min", "random", slope * s.rpm_sd),
        BudgetRow("time of a single flash", s.time_sd_s * 1e6, "us", "random", _time_effect(s)),
        BudgetRow("where the index is", s.index_sd_deg, "deg", "systematic", s.index_sd_deg),
        BudgetRow("where the mark is", s.mark_sd_deg, "deg", "systematic", s.mark_sd_deg),
        BudgetRow("the mark's own position", s.mark_own_sd_deg, "deg", "systematic", s.mark_own_sd_deg),
        BudgetRow("tilt of the camera", s.tilt_sd_deg, "deg", "systematic", _tilt_effect(s)),
        BudgetRow(INDEX_TILT, s.tilt_sd_deg, "deg", "systematic", _tilt_through_height(s)),
        BudgetRow("height of the index", s.index_above_sd_mm, "mm", "systematic", _parallax_effect(s)),
        BudgetRow("rotor's centre", s.centre_sd, "rotor radii", "systematic", _centre_effect(s)),
        BudgetRow("length of the flash", s.flash_length_s * 1e6, "us", "systematic", deg_per_s * _centre_sd_s(s)),
        BudgetRow("delay of the strobe", s.delay_sd_s * 1e6, "us", "systematic", deg_per_s * s.delay_sd_s),
        BudgetRow(
            SPEED_SCALE if s.rpm_elsewhere else CLOCK,
            s.rpm_rel_sd * 100.0,
            "%",
            "systematic",
            slope * s.rpm * s.rpm_rel_sd,
        ),
        *([out_of_step] if s.rpm_time_sd_s > 0 else []),
    )


NOT_A_SHIFT = frozenset({"length of the flash", "delay of the strobe", CLOCK, SPEED_SCALE, OUT_OF_STEP})


def shift_sd_deg(rows: Sequence[BudgetRow]) -> float:
    """Standard uncertainty of the shift common to all readings at every speed.

    Parts that grow with speed, or act through the speed, are left out: they go into `Doubts` as such.
    """
    return math.sqrt(sum(r.effect_deg**2 for r in rows if r.kind == "systematic" and r.source not in NOT_A_SHIFT))


def delay_sd_s(sources: Sources) -> float:
    """Doubt of the time from the spark to the light's centre: the strobe's delay and the flash's length together."""
    return math.hypot(sources.delay_sd_s, _centre_sd_s(sources))


def total_sd_deg(rows: Sequence[BudgetRow], kind: str) -> float:
    """Root of the sum of squares of one kind's effects."""
    return math.sqrt(sum(row.effect_deg**2 for row in rows if row.kind == kind))


def _centre_sd_s(s: Sources) -> float:
    return s.flash_length_s * s.centre_share


def _time_effect(s: Sources) -> float:
    """A flash's time enters the advance only through the speed, and that through the curve's slope."""
    period_s = 120.0 / s.rpm if s.rpm > 0 else math.inf
    return abs(s.slope_deg_per_1000rpm) / 1000.0 * s.rpm * s.time_sd_s / period_s


def _tilt_effect(s: Sources) -> float:
    """About the right centre an angle read under a tilt φ is off by up to asin((1 − cos φ)/(1 + cos φ)) ≈ φ²/4 rad.

    Its derivative φ/2 times the doubt of φ, over √2 since the marks stand anywhere about the axis of tilt.
    """
    if s.pose_effect_deg is not None:
        return 0.0  # it is in there
    tilt, doubt = math.radians(s.tilt_deg), math.radians(s.tilt_sd_deg)
    # Where the doubt exceeds the tilt the second order counts.
    return math.degrees(math.hypot(tilt / 2.0 * doubt, doubt**2 / 4.0) / math.sqrt(2.0))


def _tilt_through_height(s: Sources) -> float:
    """A tilt in doubt moves an index that stands off the plane, by its height times that doubt."""
    if s.index_radius_mm <= 0:
        return 0.0
    return s.tilt_sd_deg * abs(s.index_above_mm) / s.index_radius_mm


def _parallax_effect(s: Sources) -> float:
    if s.index_radius_mm <= 0:
        return 0.0
    return math.degrees(math.atan(s.index_above_sd_mm * math.tan(math.radians(abs(s.sight_deg))) / s.index_radius_mm))


def _centre_effect(s: Sources) -> float:
    """A centre off by c turns the index, at about the rim, by c; the rotor's marks close by turn with it."""
    if s.pose_effect_deg is not None:
        return s.pose_effect_deg
    # Mark and index are within about 30 degrees of each other when the advance is read: 2·sin(15°) of it is left.
    return math.degrees(s.centre_sd) * 2.0 * math.sin(math.radians(15.0))
