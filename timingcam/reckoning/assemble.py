"""What was seen, put together into readings, doubts and the parts of a `Measurement`.

In:  the stages' results.
Out: `Readings`, `Doubts` with the budget, the facts and pictures of a `Measurement`.
Not here: the stages; the fit of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.budget import DEG_PER_S_PER_RPM, INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM, UNKNOWN_LAG_SD_S
from timingcam.reckoning.piston import mark_btdc_deg
from timingcam.reckoning.result import (
    SMEARED,
    UNTOLD,
    CameraFacts,
    ClipFacts,
    Estimate,
    HeightSource,
    IndexSight,
    Readings,
    StrobeFacts,
)
from timingcam.reckoning.tacho import FlashAngles, Speed
from timingcam.seeing.best_frame import BestFrame
from timingcam.seeing.clip import ClipInfo, sha256_of
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.lit import marks_lit
from timingcam.seeing.marks import Marks, advance_seen, sense_of
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.slices import in_slices
from timingcam.seeing.smear import MOST_DEG
from timingcam.seeing.swaying import Swaying
from timingcam.seeing.view import View

# Our choice: a falling order this clear over a fall this large is no retard at the top and no sticking advancer.
BACKWARDS_RANK, BACKWARDS_FALL_DEG = -0.3, 5.0
UNSURE_TIMES = 4.0  # our choice: a reading with less than a sixteenth of the usual weight adds nothing but risk
SURE_DEG = (
    0.1  # our choice: half of the scatter of a good ignition's sparks; what is known so well is good for the curve
)
# Our choice: half of a spec's usual tolerance, what is known no better shows no timing; and half of that, by texture
# alone.
UNTOLD_DEG, UNTOLD_BARE_DEG = 1.0, 0.5
NOT_LIT = "no mark is lit"
# Our choice: a delay is read off a data sheet or a scope's screen, to a tenth, or a tenth of a division of 20 µs.
GIVEN_DELAY_SHARE, LEAST_DELAY_SD_S = 0.1, 2e-6
GIVEN_HEIGHT_SD_MM = 0.5  # our choice: a height read off with a rule, where the file gives no doubt of its own


@dataclass(frozen=True, slots=True)
class Strobe:
    """What is known of the strobe besides the clip.

    Attributes
    ----------
    delay_s : float, optional
        From the spark to the light's centre. None: not measured; nothing is corrected, and the doubt is that of strobes
        of unknown make.
    delay_sd_s : float, optional
        Its standard uncertainty; None: the usual one.
    dial_deg : float
        Where its dial stood, crank degrees.
    length_s : float, optional
        How long it flashes, where that was measured; else it is taken from the edges of its bands. Without a delay half
        of it is corrected for, since so much later than its start the light has its centre; what lies between the
        spark and that start stays in doubt.
    """

    delay_s: float | None = None
    delay_sd_s: float | None = None
    dial_deg: float = 0.0
    length_s: float | None = None

    @property
    def late_s(self) -> float:
        """Delay to correct for, seconds."""
        return 0.5 * (self.length_s or 0.0) if self.delay_s is None else self.delay_s

    @property
    def late_sd_s(self) -> float:
        """Doubt of that, seconds."""
        if self.delay_sd_s is not None:
            return self.delay_sd_s
        return UNKNOWN_LAG_SD_S if self.delay_s is None else max(GIVEN_DELAY_SHARE * self.delay_s, LEAST_DELAY_SD_S)


@dataclass(frozen=True, slots=True)
class Height:
    """Height of the index over the marks and its standard uncertainty, mm, and who tells it."""

    mm: float
    sd_mm: float
    source: HeightSource


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Everything that the clip showed; `best` its best frame, for a refusal that comes later; `swaying` where the
    engine file tells no height of the index, and `height` what came of that."""

    info: ClipInfo
    clock: FrameClock
    capture_fps: float | None
    flashes: Flashes
    view: View
    turns: FlashTurns
    marks: Marks
    best: BestFrame | None = None
    swaying: Swaying | None = None
    height: Height | None = None

    def windows_s(self) -> np.ndarray | None:
        """From when to when each frame could see a flash, shape (n_frames, 2); None where frames are lit whole."""
        line, exposure = self.flashes.line_time_s, self.flashes.exposure_s
        if line is None or exposure is None:
            return None
        start = self.clock.time_s
        return np.stack([start, start + line * self.info.height + exposure], axis=1)


def btdc_of_marks(engine: Engine) -> dict[str, float]:
    """Each mark's advance, by its name and cylinder joined with a slash, those given in mm converted."""
    return {
        f"{mark.name}/{cylinder}": mark_btdc_deg(mark, engine.crank)
        for mark in engine.rotor.mark
        for cylinder in mark.cylinder
    }


def index_height(engine: Engine) -> Height:
    """Height of the index as the engine file gives it, else the usual."""
    rotor = engine.rotor
    if rotor.index_above_mm is None:
        return Height(INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM, "usual")
    sd = rotor.index_above_sd_mm if rotor.index_above_sd_mm is not None else GIVEN_HEIGHT_SD_MM
    return Height(rotor.index_above_mm, sd, "file")


def height_of(seen: Seen, engine: Engine) -> Height:
    """Height of the index, by all that is known of it."""
    return seen.height or index_height(engine)


def index_parallax_deg(seen: Seen, engine: Engine, height_mm: float) -> float:
    """How much too far clockwise the index appears, for a height in mm."""
    index = seen.marks.index
    return seen.view.pose.parallax_deg(index.deg, index.radius, height_mm / (engine.rotor.rim_diameter_mm / 2))


def flash_angles(seen: Seen, engine: Engine, cylinder: str) -> FlashAngles:
    """Advance as it looks at each flash, the index's parallax taken out; NaN where it cannot be told by what was lit.

    Without a mark the angle rests on texture. Where flashes light most of the picture, video coding may carry that over
    from the picture before; a slice lies elsewhere in each picture, where the place alone was seen before.
    """
    parallax = index_parallax_deg(seen, engine, height_of(seen, engine).mm)
    sense = sense_of(engine)
    turn_deg, turn_sd_deg = seen.turns.seen_at(seen.marks.index.deg, seen.marks.index.radius)
    advance = advance_seen(seen.marks, turn_deg, engine, cylinder, sense)
    lit, _ = marks_lit(seen.flashes, seen.turns, seen.view, seen.marks)
    bare = in_slices(seen.flashes, seen.info.height) & (turn_sd_deg < UNTOLD_BARE_DEG)
    told = lit | bare
    advance = np.where(told, advance, np.nan)
    # An index that appears too far in the direction of turning makes marks look late to reach it: more advance.
    return FlashAngles(
        seen.flashes.time_s.copy(), seen.flashes.time_sd_s.copy(), advance - sense * parallax,
        np.where(told, turn_sd_deg, np.nan),
    )  # fmt: skip


def advance_readings(seen: Seen, angles: FlashAngles, speed: Speed, strobe: Strobe) -> Readings:
    """Readings after the strobe's dial and delay: advance = seen + dial + 6·rpm·delay."""
    advance = angles.seen_deg + strobe.dial_deg + DEG_PER_S_PER_RPM * speed.rpm * strobe.late_s
    reasons = []
    lit = np.isfinite(angles.seen_deg)
    usual_deg = float(np.nanmedian(angles.seen_sd_deg[lit])) if lit.any() else np.inf
    unsure_deg = max(UNSURE_TIMES * usual_deg, SURE_DEG)
    stray = speed.stray if speed.stray is not None else np.zeros(len(speed.rpm), bool)
    for i, reason in enumerate(seen.turns.reason):
        if speed.double[i]:
            reason = "second flash of one spark"
        elif stray[i]:
            reason = reason or "not on a spark of this engine"
        elif not reason and not lit[i]:
            reason = NOT_LIT
        elif not reason and DEG_PER_S_PER_RPM * speed.rpm[i] * seen.flashes.ramp_s > MOST_DEG:
            reason = SMEARED
        elif not reason and angles.seen_sd_deg[i] > UNTOLD_DEG:
            reason = UNTOLD
        elif not reason and not angles.seen_sd_deg[i] <= unsure_deg:  # nor where the doubt could not be told
            reason = "its angle is far less sure than the others'"
        elif not reason and not np.isfinite(speed.rpm[i]):
            reason = "its speed could not be told"
        reasons.append(reason)
    used = np.array([not r for r in reasons]) & np.isfinite(advance) & np.isfinite(speed.rpm)
    used &= np.isfinite(angles.seen_sd_deg)
    frame = _first_frames(seen.flashes)
    return Readings(
        angles.time_s.copy(), speed.rpm.copy(), speed.rpm_sd.copy(), advance, angles.seen_sd_deg.copy(), used,
        tuple(reasons), frame,
    )  # fmt: skip


def with_used(readings: Readings, used: np.ndarray, reason: str) -> Readings:
    """The same readings after the curve's fit has left some out."""
    reasons = ["" if now else (before or reason) for now, before in zip(used, readings.reason, strict=True)]
    return Readings(
        readings.time_s, readings.rpm, readings.rpm_sd, readings.advance_deg, readings.advance_sd_deg, used,
        tuple(reasons), readings.frame,
    )  # fmt: skip


# Our choice: an engine runs a while at half of its idle before it stalls, and is revved past its limit by a quarter at
# the very most; a few flashes out of hundreds may have a wrong speed.
SLOWEST_OF_IDLE, FASTEST_OF_MOST, IMPOSSIBLE_SHARE = 0.5, 1.25, 0.1


def refuse_backwards(readings: Readings) -> None:
    """Refuse an advance that falls all the way as the speed rises: the picture is mirrored, or the file's turning
    wrong.

    Raises
    ------
    CannotMeasure
    """
    used = readings.used & np.isfinite(readings.rpm) & np.isfinite(readings.advance_deg)
    if used.sum() < 20:
        return
    rpm, advance = readings.rpm[used], readings.advance_deg[used]
    # The slowest few against the fast: most flashes may be at full advance.
    order = np.argsort(rpm)
    slow = order[: max(4, len(rpm) // 8)]
    fast = np.flatnonzero(rpm >= np.interp(0.75, [0, 1], [rpm.min(), rpm.max()]))
    if np.median(rpm[fast]) < 1.3 * np.median(rpm[slow]):
        return
    rank = np.corrcoef(np.argsort(order), np.argsort(np.argsort(advance)))[0, 1]
    fall = float(np.median(advance[slow]) - np.median(advance[fast]))
    if rank < BACKWARDS_RANK and fall > BACKWARDS_FALL_DEG:
        raise CannotMeasure(
            found=f"an advance that falls by {fall:.0f} degrees as the speed rises",
            expected="one that rises, as a centrifugal advancer's does",
            do="check rotor.turns in the engine file, as the camera sees it, and that the clip is no mirrored selfie",
        )  # fmt: skip


def refuse_impossible_speed(readings: Readings, engine: Engine, source: str) -> None:
    """Refuse speeds that this engine cannot run at: frames that were not taken when the file says, or light that is no
    flash.

    Parameters
    ----------
    readings : Readings
    engine : Engine
        Without its idle and largest speed nothing is refused.
    source : str
        As in `Measurement.rpm_source`; a speed that the user gives is taken as it is.

    Raises
    ------
    CannotMeasure
    """
    rpm = readings.rpm[readings.used & np.isfinite(readings.rpm)]
    if source == "given" or len(rpm) == 0:
        return
    low = SLOWEST_OF_IDLE * (engine.crank.idle_rpm or 0.0)
    high = FASTEST_OF_MOST * (engine.crank.max_rpm or np.inf)
    if np.mean((rpm < low) | (rpm > high)) <= IMPOSSIBLE_SHARE:
        return
    says = [f"idles at {engine.crank.idle_rpm:.0f}"] if engine.crank.idle_rpm else []
    says += [f"turns {engine.crank.max_rpm:.0f} rpm at most"] if engine.crank.max_rpm else []
    raise CannotMeasure(
        found=f"speeds of {rpm.min():.0f} to {rpm.max():.0f} rpm",
        expected=f"speeds of an engine that {' and '.join(says)}",
        do="if the clip is slow motion, give the rate it was filmed at with --capture-fps; else film without merging "
        "of exposures and away from lamps that flicker, or give the speed with --rpm",
    )


def _first_frames(flashes: Flashes) -> np.ndarray:
    frame = np.zeros(len(flashes), int)
    # In reverse, so that the first piece of each flash is the one that stays.
    frame[flashes.piece_of[::-1]] = flashes.piece_frame[::-1]
    return frame


def clip_facts(seen: Seen) -> ClipFacts:
    """Facts of the clip."""
    width, height = seen.info.orientation.shown_size
    return ClipFacts(
        seen.info.path.name, sha256_of(seen.info.path), len(seen.clock.time_s),
        float(seen.clock.time_s[-1] + seen.clock.period_s), width, height, 1.0 / seen.clock.period_s, seen.capture_fps,
    )  # fmt: skip


def sight_at_index_deg(seen: Seen, engine: Engine) -> float:
    """Angle of the line of sight at the index out of the plane through the shaft and the index, towards clockwise."""
    across_mm = np.radians(index_parallax_deg(seen, engine, 1.0)) * engine.rotor.rim_diameter_mm / 2
    # What stands nearer to the lens seems to stand on the side away from it.
    return -float(np.degrees(np.arctan(across_mm * seen.marks.index.radius)))


def camera_facts(seen: Seen, engine: Engine) -> CameraFacts:
    """Facts of the camera and the view."""
    pose, height = seen.view.pose, height_of(seen, engine)
    x, y = seen.info.orientation.to_shown(pose.centre_px)
    aside_mm = pose.lens_aside(seen.marks.index.deg) * engine.rotor.rim_diameter_mm / 2
    index = IndexSight(sight_at_index_deg(seen, engine), aside_mm, height.mm, height.sd_mm, height.source)
    return CameraFacts(
        seen.flashes.line_time_s, seen.flashes.exposure_s, seen.view.tilt_deg, (float(x), float(y)), pose.radius_px,
        index,
    )  # fmt: skip


def strobe_facts(strobe: Strobe, readings: Readings, lag: Estimate | None) -> StrobeFacts:
    """Facts of the strobe."""
    return StrobeFacts(strobe.dial_deg, strobe.late_s, strobe.late_sd_s, lag, len(readings), int(readings.used.sum()))
