"""The doubts of one clip: each source's size, from what was seen and what the engine file says.

In:  what the clip showed, the readings, the engine file, the strobe.
Out: `Doubts` for the fit, and the budget's rows.
Not here: how sizes become degrees (`budget.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.engine import Engine
from timingcam.reckoning.assemble import Seen, Strobe, height_of, sight_at_index_deg
from timingcam.reckoning.budget import (
    CENTRE_MEASURED,
    CENTRE_UNKNOWN,
    Sources,
    budget,
    delay_sd_s,
    shift_sd_deg,
)
from timingcam.reckoning.curve import speed_change
from timingcam.reckoning.figures import Doubts
from timingcam.reckoning.result import BudgetRow, Readings
from timingcam.seeing.marks import pose_effect_deg

CLOCK_REL_SD = 1e-4  # our choice: phones' clocks are good to some tens of parts in a million
# Our choice: a speed read off a dial; a tachometer that logs; a note, five times what it is off by when steady.
SPEED_REL_SD = {"given": 0.01, "file": 0.005, "sound": 0.002}
UNKNOWN_FLASH_S = 100e-6  # our choice: where no edge shows a length; strobes flash for some tens to hundreds of µs


def doubts_and_budget(
    seen: Seen, readings: Readings, engine: Engine, strobe: Strobe, rpm_source: str, rpm_time_sd_s: float = 0.0
) -> tuple[Doubts, tuple[BudgetRow, ...]]:
    """Doubts common to all readings, and the budget.

    Parameters
    ----------
    seen : Seen
    readings : Readings
    engine : Engine
    strobe : Strobe
    rpm_source : str
        As in `Measurement.rpm_source`.
    rpm_time_sd_s : float
        Of the offset between the clip and a speed that is logged or heard.
    """
    used = readings.used
    rpm = float(np.median(readings.rpm[used])) if used.any() else 1000.0
    line_rel = 0.0
    if seen.flashes.line_time_s:
        # A wrong line time shifts flashes within their frames; over many frames that averages out.
        line_rel = 0.1 * seen.flashes.line_time_sd_s / seen.flashes.line_time_s
    height = height_of(seen, engine)
    pose_sd = np.sqrt(np.diag(seen.view.pose_covariance))
    sources = Sources(
        angle_sd_deg=_median(readings.advance_sd_deg[used]),
        index_sd_deg=seen.marks.index.sd_deg,
        mark_sd_deg=seen.marks.zero_sd_deg,
        mark_own_sd_deg=seen.marks.file_sd_deg,
        tilt_deg=seen.view.tilt_deg,
        tilt_sd_deg=float(np.degrees(np.hypot(pose_sd[3], pose_sd[4]) / np.sqrt(2))),
        index_above_mm=height.mm,
        index_above_sd_mm=height.sd_mm,
        sight_deg=abs(sight_at_index_deg(seen, engine)),
        index_radius_mm=engine.rotor.rim_diameter_mm / 2 * seen.marks.index.radius,
        centre_sd=float(np.hypot(pose_sd[0], pose_sd[1]) / np.sqrt(2)),
        pose_effect_deg=None if seen.view.part is None else pose_effect_deg(seen.view, seen.marks),
        flash_length_s=next(s for s in (strobe.length_s, seen.flashes.length_s, UNKNOWN_FLASH_S) if s is not None),
        centre_share=CENTRE_UNKNOWN if strobe.delay_s is None else CENTRE_MEASURED,
        delay_sd_s=strobe.late_sd_s,
        time_sd_s=_median(seen.flashes.time_sd_s),
        rpm_sd=_median(readings.rpm_sd[used]),
        rpm_rel_sd=SPEED_REL_SD.get(rpm_source, float(np.hypot(CLOCK_REL_SD, line_rel))),
        rpm_elsewhere=rpm_source != "flashes",
        rpm_time_sd_s=rpm_time_sd_s,
        rpm_change_per_s=_change(readings),
        rpm=rpm,
        slope_deg_per_1000rpm=_steepest(readings),
    )
    rows = budget(sources)
    return Doubts(shift_sd_deg(rows), delay_sd_s(sources), sources.rpm_rel_sd, rpm_time_sd_s), rows


def _median(values: np.ndarray) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else 0.0


def _change(readings: Readings) -> float:
    """How fast the speed changes, root mean square, rpm a second."""
    used = readings.used
    if used.sum() < 2:
        return 0.0
    return float(np.sqrt(np.mean(speed_change(readings.time_s[used], readings.rpm[used]) ** 2)))


def _steepest(readings: Readings) -> float:
    """Steepest slope of the readings, degrees per 1000 rpm, from medians of tenths of the range of speeds."""
    used = readings.used
    if used.sum() < 20:
        return 0.0
    rpm, advance = readings.rpm[used], readings.advance_deg[used]
    low, high = (float(p) for p in np.percentile(rpm, [2, 98]))
    edges = np.linspace(low, high, 11)
    cell = np.digitize(rpm, edges[1:-1])
    x = np.array([np.median(rpm[cell == k]) for k in range(10) if (cell == k).sum() >= 3])
    y = np.array([np.median(advance[cell == k]) for k in range(10) if (cell == k).sum() >= 3])
    if len(x) < 3 or np.ptp(x) < 200:
        return 0.0
    return float(np.max(np.abs(np.diff(y) / np.maximum(np.diff(x), 1.0))) * 1000.0)
