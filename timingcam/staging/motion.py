"""How the engine turns: crank angle against time, by integrating the speed that the scene asks for.

In:  `Scene`.
Out: `CrankMotion`, which answers angle at a time, time at an angle, speed at a time, mean speed over a cycle.
Not here: sparks and flashes (`strobe.py`), where anything stands on the rotor (`rotor_look.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Points, Run

DEG_PER_S_PER_RPM = 6.0  # definition: 360 degrees a turn, 60 s a minute
MARGIN_S = 1.0  # our choice: cycles at idle (0.1 s) centred near either end of the clip still lie inside
STEP_S = 2e-4  # our choice: straight pieces this short err by 6·(rpm/s)·STEP²/8, 5e-5 degrees at 1500 rpm/s
N_WAVES = 14


@dataclass(frozen=True, eq=False)
class CrankMotion:
    """Crank angle over the clip, from `MARGIN_S` before its start to as long after its end.

    Ripple within the cycle rides on a smooth base angle B: angle = B + A·sin(360·k·B/cycle + phase).
    """

    time_s: np.ndarray
    base_deg: np.ndarray
    base_rpm: np.ndarray
    ripple_deg: float
    ripple_per_deg: float  # radians of ripple phase per degree of base angle
    ripple_phase: float
    cycle_deg: float  # 720 for a four-stroke, 360 for a two-stroke

    def angle_deg(self, time_s: np.ndarray | float) -> np.ndarray:
        """Engine angle, degrees, not wrapped."""
        base = np.interp(time_s, self.time_s, self.base_deg)
        return base + self.ripple_deg * np.sin(self.ripple_per_deg * base + self.ripple_phase)

    def speed_rpm(self, time_s: np.ndarray | float) -> np.ndarray:
        """Momentary crank speed, 1/min."""
        base = np.interp(time_s, self.time_s, self.base_deg)
        stretch = 1 + self.ripple_deg * self.ripple_per_deg * np.cos(self.ripple_per_deg * base + self.ripple_phase)
        return np.interp(time_s, self.time_s, self.base_rpm) * stretch

    def time_at(self, angle_deg: np.ndarray | float) -> np.ndarray:
        """The time at which the crank stands at an angle, s; the inverse of `angle_deg`."""
        wanted = np.asarray(angle_deg, dtype=float)
        time_s = np.interp(wanted, self.base_deg, self.time_s)
        for _ in range(4):  # Newton; the ripple changes the speed by a few per cent, so each round gains two digits
            time_s = time_s - (self.angle_deg(time_s) - wanted) / (DEG_PER_S_PER_RPM * self.speed_rpm(time_s))
        return time_s

    def mean_rpm(self, time_s: np.ndarray | float) -> np.ndarray:
        """Mean crank speed over the engine cycle centred (in time) on a moment, 1/min."""
        time_s = np.asarray(time_s, dtype=float)
        now_rpm = self.speed_rpm(time_s)
        if np.any(now_rpm * DEG_PER_S_PER_RPM * MARGIN_S < self.cycle_deg):
            return now_rpm  # turning so slowly, or not at all, that no cycle fits in: there is only the speed now
        long_s = self.cycle_deg / DEG_PER_S_PER_RPM / now_rpm
        for _ in range(6):  # settles by the share that the speed changes within a cycle, a few per cent, each round
            turned = self.angle_deg(time_s + long_s / 2) - self.angle_deg(time_s - long_s / 2)
            long_s = long_s * self.cycle_deg / turned
        return self.cycle_deg / DEG_PER_S_PER_RPM / long_s


def crank_motion(scene: Scene) -> CrankMotion:
    """Integrate the scene's speed into crank angle.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    CrankMotion
    """
    rng = np.random.default_rng([scene.seed, 1])
    run = scene.run
    time_s = np.arange(-MARGIN_S, run.duration_s + MARGIN_S, STEP_S)
    rpm = planned_rpm(run, time_s) * (1 + run.wander_share * slow_waves((0.08, 1.2), rng).at(time_s))
    start_deg = run.start_deg if run.start_deg is not None else float(rng.uniform(0, 720))
    steps = DEG_PER_S_PER_RPM * STEP_S * (rpm[1:] + rpm[:-1]) / 2
    base_deg = np.concatenate([[0.0], np.cumsum(steps)])
    base_deg += start_deg - np.interp(0.0, time_s, base_deg)
    cycle_deg = 720.0 if scene.engine.crank.strokes == 4 else 360.0
    per_deg = 2 * math.pi * len(scene.engine.cylinder) / cycle_deg
    return CrankMotion(
        time_s=time_s,
        base_deg=base_deg,
        base_rpm=rpm,
        ripple_deg=run.ripple_share / per_deg,
        ripple_per_deg=per_deg,
        ripple_phase=float(rng.uniform(0, 2 * math.pi)) if run.ripple_share else 0.0,
        cycle_deg=cycle_deg,
    )


def planned_rpm(run: Run, time_s: np.ndarray) -> np.ndarray:
    """The speed as the scene's points ask for it, held before the first and after the last, 1/min."""
    if not isinstance(run.rpm, tuple):
        return np.full(time_s.shape, float(run.rpm))
    return through(run.rpm, time_s, smooth=run.between == "smooth")


def through(points: Points, at: np.ndarray, smooth: bool = False) -> np.ndarray:
    """Straight or smooth (monotone cubic) line through points, flat outside them."""
    first, second = np.array(points, dtype=float).T
    if smooth and len(first) > 2:
        return PchipInterpolator(first, second)(np.clip(at, first[0], first[-1]))
    return np.interp(at, first, second)


@dataclass(frozen=True, eq=False)
class Waves:
    """A smooth random wander: a sum of sine waves."""

    turn_per_s: np.ndarray  # rad/s
    phase: np.ndarray
    size: np.ndarray

    def at(self, time_s: np.ndarray | float) -> np.ndarray:
        """The wander at some times."""
        return np.sin(np.multiply.outer(np.asarray(time_s), self.turn_per_s) + self.phase) @ self.size


def slow_waves(band_hz: tuple[float, float], rng: np.random.Generator) -> Waves:
    """A random wander of unit rms: waves of falling size, evenly spread over a band of frequencies.

    Parameters
    ----------
    band_hz : (float, float)
        Slowest and fastest wave.
    rng : Generator

    Returns
    -------
    Waves
    """
    edges = np.geomspace(*band_hz, N_WAVES + 1)
    hz = rng.uniform(edges[:-1], edges[1:])
    size = hz**-0.7
    size *= math.sqrt(2) / np.linalg.norm(size)
    return Waves(2 * math.pi * hz, rng.uniform(0, 2 * math.pi, N_WAVES), size)
