"""Sparks and flashes: when each happens, at which advance, and how its light is spread in time.

In:  `Scene`, `CrankMotion`.
Out: `Flash`, one for every spark (missed ones too), for every double and every free-running flash; `FlashLight`,
     the shape of one flash in time.
Not here: which rows a flash lights (`shutter.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.staging.motion import DEG_PER_S_PER_RPM, CrankMotion, through
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Points, Strobe

DECAY_ENDS = 6.0  # our choice, in 1/e times: what is left after it, 0.25 %, is below a phone's noise


@dataclass(frozen=True)
class Flash:
    """One flash, or one spark that the strobe missed."""

    time_s: float  # centre of its light
    spark_s: float  # nan for a free-running flash
    rpm: float  # mean over the engine cycle centred on the flash
    advance_deg: float  # at the spark, of the cylinder whose lead fires the strobe; nan when free-running
    seen_deg: float  # as the marks show it for the cylinder filmed
    kind: str  # "spark", "double" or "free"
    missed: bool
    brightness: float


@dataclass(frozen=True)
class FlashLight:
    """The light of one flash in time, about its centre of gravity."""

    shape: str
    length_s: float

    @property
    def span_s(self) -> tuple[float, float]:
        """From where to where there is light, s from the centre."""
        if self.shape == "square":
            return -self.length_s / 2, self.length_s / 2
        return -self._lead_s, DECAY_ENDS * self.length_s - self._lead_s

    @property
    def _lead_s(self) -> float:
        # Centre of gravity of exp(-t/T) cut off at DECAY_ENDS·T.
        left = math.exp(-DECAY_ENDS)
        return self.length_s * (1 - DECAY_ENDS * left / (1 - left))

    def emitted(self, after_s: np.ndarray | float) -> np.ndarray:
        """Share of the light that has been sent out by a time, s from the centre."""
        after_s = np.asarray(after_s, dtype=float)
        if self.shape == "square":
            return np.clip(after_s / self.length_s + 0.5, 0, 1)
        since = np.clip((after_s + self._lead_s) / self.length_s, 0, DECAY_ENDS)
        return (1 - np.exp(-since)) / (1 - math.exp(-DECAY_ENDS))

    def when_emitted(self, share: np.ndarray | float) -> np.ndarray:
        """The time by which a share has been sent out; the inverse of `emitted`."""
        share = np.asarray(share, dtype=float)
        if self.shape == "square":
            return (share - 0.5) * self.length_s
        return -self.length_s * np.log1p(-share * (1 - math.exp(-DECAY_ENDS))) - self._lead_s


def flash_light(strobe: Strobe) -> FlashLight:
    """The shape in time of the scene's flashes."""
    return FlashLight(strobe.shape, strobe.flash_us * 1e-6)


def tdc_deg(scene: Scene, cylinder: str) -> float:
    """Firing top dead centre of a cylinder, engine angle."""
    return next(float(one.tdc_deg) for one in scene.engine.cylinder if one.name == cylinder)


def all_flashes(scene: Scene, motion: CrankMotion) -> list[Flash]:
    """Every flash and every missed spark of the clip, in time order.

    Parameters
    ----------
    scene : Scene
    motion : CrankMotion

    Returns
    -------
    list of Flash
    """
    if scene.hand is not None:
        return []  # turned by hand, in steady light
    rng = _chances(scene)
    if scene.strobe.free_running_hz is not None:
        return _free_running(scene, motion, rng)
    spark_s, advance_deg = sparks(scene, motion, rng)
    return _strobed(scene, motion, (spark_s, advance_deg), rng)


def sparks(scene: Scene, motion: CrankMotion, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Time and true advance of every spark of the cylinder under the strobe's lead, misfires left out.

    A spark happens when the crank stands `advance` degrees before firing top dead centre; the advance is the curve's
    at the mean speed of that cycle, plus the spark's own jitter.

    Returns
    -------
    time_s, advance_deg : ndarray
    """
    at_tdc, advance, fires = _ignitions(scene, motion, rng)
    return motion.time_at(at_tdc - advance)[fires], advance[fires]


def misfired_deg(scene: Scene, motion: CrankMotion) -> np.ndarray:
    """Crank angles of the top dead centres at which the cylinder under the strobe's lead had no spark.

    Parameters
    ----------
    scene : Scene
    motion : CrankMotion

    Returns
    -------
    ndarray
        Of the very sparks that `all_flashes` leaves out.
    """
    if scene.hand is not None or scene.run.misfire_share == 0:
        return np.zeros(0)
    at_tdc, _, fires = _ignitions(scene, motion, _chances(scene))
    return at_tdc[~fires]


def _chances(scene: Scene) -> np.random.Generator:
    return np.random.default_rng([scene.seed, 2])


def _ignitions(
    scene: Scene, motion: CrankMotion, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Crank angle of the dead centre, advance, and whether it fires, of every spark that there should be."""
    period_deg = 360.0 / scene.engine.crank.sparks_per_rev
    tdc = tdc_deg(scene, scene.strobe.lead or scene.cylinder)
    first, last = motion.angle_deg(np.array([-0.1, scene.run.duration_s + 0.1]))
    at_tdc = tdc + period_deg * np.arange(math.ceil((first - tdc) / period_deg), (last - tdc) / period_deg + 1)
    jitter = scene.run.jitter_deg * rng.standard_normal(at_tdc.size)
    play_rpm = _play_rpm(scene.advance, scene.run.hysteresis_deg)
    advance = np.zeros(at_tdc.size)
    for _ in range(3):  # the speed is taken at the spark, which the advance itself moves: settles to 1e-6 degrees
        rpm = motion.mean_rpm(motion.time_at(at_tdc - advance))
        advance = through(scene.advance, _with_play(rpm, play_rpm)) + jitter
    return at_tdc, advance, rng.random(at_tdc.size) >= scene.run.misfire_share


def _play_rpm(curve: Points, hysteresis_deg: float) -> float:
    """Play in rpm that parts the rising and the falling branch by `hysteresis_deg` where the curve is steepest."""
    rpm, deg = np.array(curve, dtype=float).T
    steepest = np.max(np.abs(np.diff(deg) / np.diff(rpm)), initial=0.0)
    return hysteresis_deg / steepest if steepest > 0 else 0.0


def _with_play(rpm: np.ndarray, play_rpm: float) -> np.ndarray:
    """What a dry, sticking advancer follows: the speed through a backlash of `play_rpm`."""
    if play_rpm == 0:
        return rpm
    followed = np.empty_like(rpm)
    at = rpm[0]
    for i, now in enumerate(rpm):
        at = min(max(at, now - play_rpm / 2), now + play_rpm / 2)
        followed[i] = at
    return followed


def _strobed(
    scene: Scene, motion: CrankMotion, fired: tuple[np.ndarray, np.ndarray], rng: np.random.Generator
) -> list[Flash]:
    spark_s, advance_deg = fired
    strobe = scene.strobe
    centre_s = spark_s + strobe.delay_us * 1e-6 + _dial_delay_s(scene, spark_s)
    missed = rng.random(centre_s.size) < strobe.missed_share
    doubled = ~missed & (rng.random(centre_s.size) < strobe.double_share)
    bright = strobe.brightness * np.exp(strobe.brightness_sd * rng.standard_normal((2, centre_s.size)))
    rows = [
        (centre_s[i], spark_s[i], advance_deg[i], "spark", bool(missed[i]), bright[0, i]) for i in range(spark_s.size)
    ]
    later_s = strobe.double_after_us * 1e-6
    rows += [
        (centre_s[i] + later_s, spark_s[i], advance_deg[i], "double", False, 0.6 * bright[1, i])
        for i in np.flatnonzero(doubled)
    ]
    rows = sorted(row for row in rows if -0.05 <= row[0] <= scene.run.duration_s + 0.05)
    times = np.array([row[0] for row in rows])
    rpm, seen = motion.mean_rpm(times), seen_advance_deg(scene, motion, times)
    return [
        Flash(float(t), float(s), float(rpm[i]), float(a), float(seen[i]), kind, gone, float(b))
        for i, (t, s, a, kind, gone, b) in enumerate(rows)
    ]


def _dial_delay_s(scene: Scene, spark_s: np.ndarray) -> np.ndarray:
    """How long the dial holds each flash back: a share of the time since the trigger before."""
    if scene.strobe.dial_deg == 0 or spark_s.size < 2:
        return np.zeros(spark_s.size)
    assumed = scene.strobe.dial_sparks_per_rev or scene.engine.crank.sparks_per_rev
    gap_s = np.diff(spark_s)
    gap_s = np.concatenate([gap_s[:1], gap_s])
    return gap_s * scene.strobe.dial_deg * assumed / 360.0


def seen_advance_deg(scene: Scene, motion: CrankMotion, time_s: np.ndarray) -> np.ndarray:
    """Advance as the marks show it under light at a time: degrees still to go to the filmed cylinder's nearest TDC."""
    period_deg = 360.0  # the rotor shows no difference between one turn and the next
    before = tdc_deg(scene, scene.cylinder) - motion.angle_deg(time_s)
    return np.mod(before + 180.0, period_deg) - 180.0


def _free_running(scene: Scene, motion: CrankMotion, rng: np.random.Generator) -> list[Flash]:
    gap_s = 1 / float(scene.strobe.free_running_hz or 1.0)
    times = np.arange(rng.uniform(-gap_s, 0), scene.run.duration_s + 0.05, gap_s)
    missed = rng.random(times.size) < scene.strobe.missed_share
    bright = scene.strobe.brightness * np.exp(scene.strobe.brightness_sd * rng.standard_normal(times.size))
    rpm, seen = motion.mean_rpm(times), seen_advance_deg(scene, motion, times)
    nan = math.nan
    return [
        Flash(float(t), nan, float(rpm[i]), nan, float(seen[i]), "free", bool(missed[i]), float(bright[i]))
        for i, t in enumerate(times)
    ]


def smear_deg_per_s(motion: CrankMotion, time_s: float) -> float:
    """How fast the crank turns at a moment, degrees a second."""
    return DEG_PER_S_PER_RPM * float(motion.speed_rpm(time_s))
