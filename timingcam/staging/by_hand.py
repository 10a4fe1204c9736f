"""The engine turned by hand: crank angle along a course, held by a piston stop where there is one; and what happened.

In:  `Scene` with a [hand].
Out: `CrankMotion`; `Contact`s with the piston stop.
Not here: the lamp (`lamp.py`), the looks of anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from timingcam.errors import CannotUse
from timingcam.staging.motion import DEG_PER_S_PER_RPM, MARGIN_S, STEP_S, CrankMotion, slow_waves, through
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Hand
from timingcam.staging.strobe import tdc_deg

STOPS_EVERY_DEG = 360.0  # the piston comes up once a turn, to fire or to exhaust


@dataclass(frozen=True)
class Contact:
    """The piston against the stop, from one time to another."""

    from_s: float
    to_s: float
    engine_deg: float


def hand_motion(scene: Scene) -> CrankMotion:
    """Crank angle along the scene's course.

    Parameters
    ----------
    scene : Scene
        With a [hand].

    Returns
    -------
    CrankMotion

    Raises
    ------
    CannotUse
        If the course begins where the piston stop does not let the piston be.
    """
    time_s, angle_deg, _ = _held(scene)
    return CrankMotion(
        time_s=time_s,
        base_deg=angle_deg,
        base_rpm=np.gradient(angle_deg, time_s) / DEG_PER_S_PER_RPM,
        ripple_deg=0.0,
        ripple_per_deg=0.0,
        ripple_phase=0.0,
        cycle_deg=720.0 if scene.engine.crank.strokes == 4 else 360.0,
    )


def contacts(scene: Scene) -> list[Contact]:
    """Every time that the piston rests against the stop, in time order."""
    time_s, angle_deg, side = _held(scene)
    found = []
    for first, last in _stretches(side):
        if side[first]:
            found.append(Contact(float(time_s[first]), float(time_s[last - 1]), float(angle_deg[first])))
    return [contact for contact in found if contact.to_s >= 0 and contact.from_s <= scene.run.duration_s]


def _held(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, crank angle, and on which side the stop holds it: 1 ahead, -1 behind, 0 not at all."""
    hand = _hand(scene)
    time_s = np.arange(-MARGIN_S, scene.run.duration_s + MARGIN_S, STEP_S)
    rng = np.random.default_rng([scene.seed, 12])
    # The hand is early or late on its course, so that a pause of the course stays one.
    late_s = hand.uneven_s * slow_waves((0.3, 3.0), rng).at(time_s)
    wanted_deg = through(hand.course, time_s + late_s, smooth=hand.between == "smooth")
    side = np.zeros(time_s.size, int)
    if hand.stop_deg is None:
        return time_s, wanted_deg, side
    low, high = _room(scene, hand.stop_deg, float(wanted_deg[0]))
    side += (wanted_deg > high).astype(int) - (wanted_deg < low)
    angle_deg = wanted_deg.copy()
    for first, last in _stretches(side):
        if side[first]:
            bound = high if side[first] > 0 else low
            give = abs(hand.stop_give_deg * rng.standard_normal())
            angle_deg[first:last] = bound + side[first] * np.minimum(give, np.abs(wanted_deg[first:last] - bound))
    return time_s, angle_deg, side


def _room(scene: Scene, stop_deg: float, start_deg: float) -> tuple[float, float]:
    """The engine angles between which the stop leaves the crank free."""
    top = tdc_deg(scene, scene.cylinder)
    before = top + STOPS_EVERY_DEG * math.floor((start_deg - top) / STOPS_EVERY_DEG)
    low, high = before + stop_deg, before + STOPS_EVERY_DEG - stop_deg
    if not low <= start_deg <= high:
        raise CannotUse(
            found=f"a course that begins at {start_deg:.1f} degrees, where the piston would be through the stop",
            expected=f"a beginning between {low:.1f} and {high:.1f} degrees",
            do="correct hand.course or hand.stop_deg",
        )
    return low, high


def _stretches(value: np.ndarray) -> list[tuple[int, int]]:
    """First and one past the last of every stretch of equal values."""
    edges = np.flatnonzero(np.diff(value)) + 1
    return list(zip([0, *edges.tolist()], [*edges.tolist(), value.size], strict=True))


def _hand(scene: Scene) -> Hand:
    if scene.hand is None:
        raise ValueError("a scene without [hand]")
    return scene.hand
