"""A lamp on the engine's trigger: when it burns, how bright, and its light in the picture.

In:  `Scene` with a [lamp], `CrankMotion`, `View`.
Out: `Lamp`: its switchings, its light on the rows of a frame; the `Sheet` of its unlit body.
Not here: the shutter's timing of rows (`render.py` passes it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from timingcam.staging.camera import View, apply, on_clock
from timingcam.staging.canvas import Canvas, Sheet, disc
from timingcam.staging.light import tint
from timingcam.staging.motion import CrankMotion
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Lamp as LampTable
from timingcam.staging.strobe import tdc_deg

if TYPE_CHECKING:
    from timingcam.staging.picture import Planes

FINER = 2.0
HALO_RADII = 1.6  # our choice, by eye: where the halo has fallen to 1/e
REACH_RADII = 5.0


@dataclass(frozen=True)
class Switching:
    """The lamp's current comes on or goes off."""

    time_s: float
    on: bool
    btdc_deg: float  # crank degrees before the filmed cylinder's firing top dead centre
    forwards: bool  # whether the engine then turned in its running direction


@dataclass(frozen=True, eq=False)
class Lamp:
    """What the lamp does over the clip. `burnt_s` is its brightness, 0 to 1, integrated from the first time on."""

    wanted: LampTable
    time_s: np.ndarray
    burnt_s: np.ndarray
    switchings: tuple[Switching, ...]
    at_mm: tuple[float, float]

    def brightness(self, opens_s: np.ndarray, exposure_s: float) -> np.ndarray:
        """Mean brightness over exposures that begin at some times, 0 to 1."""
        burnt = np.interp(opens_s + exposure_s, self.time_s, self.burnt_s) - np.interp(
            opens_s, self.time_s, self.burnt_s
        )
        return burnt / exposure_s

    def shine(self, planes: Planes, seen: View, time_s: float, brightness: np.ndarray) -> None:
        """Add its light to a whole frame, rows each at their own brightness, shape (rows,)."""
        if brightness.max() <= 0:
            return
        at = seen.sensor_of((*self.at_mm, self.wanted.above_mm), time_s)
        beside = seen.sensor_of((self.at_mm[0] + 1.0, self.at_mm[1], self.wanted.above_mm), time_s)
        radius = self.wanted.width_mm / 2 * math.hypot(beside[0] - at[0], beside[1] - at[1])
        glow = _glow(planes.luma.shape, at, radius, self.wanted) * brightness[:, None].astype(np.float32)
        grey, blue, red = tint(self.wanted.colour)
        planes.luma += grey * glow
        small = cv2.resize(glow, (planes.chroma.shape[1], planes.chroma.shape[0]), interpolation=cv2.INTER_AREA)
        planes.chroma += small[..., None] * np.array([blue, red], np.float32)


def make_lamp(scene: Scene, motion: CrankMotion) -> Lamp:
    """Work out what the lamp does while the crank turns as it does.

    Parameters
    ----------
    scene : Scene
        With a [lamp].
    motion : CrankMotion

    Returns
    -------
    Lamp
    """
    wanted = lamp_of(scene)
    crank_deg = motion.angle_deg(motion.time_s)
    on = _burns(scene, crank_deg)
    bright = _warmed(on, wanted, float(motion.time_s[1] - motion.time_s[0]))
    steps = np.diff(motion.time_s) * (bright[1:] + bright[:-1]) / 2
    return Lamp(
        wanted,
        motion.time_s,
        np.concatenate([[0.0], np.cumsum(steps)]),
        _switchings(scene, motion.time_s, crank_deg, on),
        on_clock(wanted.at_radii * scene.engine.rotor.rim_diameter_mm / 2, wanted.at_deg),
    )


def lamp_of(scene: Scene) -> LampTable:
    """The scene's lamp; ValueError where it has none."""
    if scene.lamp is None:
        raise ValueError("a scene without [lamp]")
    return scene.lamp


def lamp_sheet(scene: Scene, image_px_per_mm: float) -> Sheet:
    """The lamp's body, unlit: a dark bezel about a dull glass."""
    wanted = lamp_of(scene)
    x0, y0 = on_clock(wanted.at_radii * scene.engine.rotor.rim_diameter_mm / 2, wanted.at_deg)
    half, fine = wanted.width_mm, FINER * image_px_per_mm
    size = math.ceil(2 * half * fine / 2) * 2
    canvas = Canvas(size, size, fine, x0 - half, y0 - half)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    glass, bezel = disc(x, y, (x0, y0), wanted.width_mm / 2), disc(x, y, (x0, y0), 0.72 * wanted.width_mm)
    canvas.lay(whole, 1.0, 0.09)
    canvas.lay(whole, canvas.edge(glass), (0.20, 0.12, 0.06))
    canvas.cover[:] = canvas.edge(bezel)
    return canvas.finished(image_px_per_mm, wanted.above_mm)


def _cycle_deg(scene: Scene) -> float:
    return 360.0 / scene.engine.crank.sparks_per_rev


def _burns(scene: Scene, crank_deg: np.ndarray) -> np.ndarray:
    """Whether its current flows, at each of a run of crank angles."""
    wanted, cycle = lamp_of(scene), _cycle_deg(scene)
    trigger = _behind_slack(crank_deg, wanted.slack_deg)
    before = tdc_deg(scene, scene.cylinder) - trigger
    middle = (wanted.lights_btdc_deg + wanted.goes_out_btdc_deg) / 2
    turn = np.round((middle - before) / cycle)
    before = before + turn * cycle
    run = np.cumsum(np.concatenate([[0], np.diff(_direction(crank_deg)) != 0]))
    # Each pass of the trigger, in one go one way, has its own jitter.
    passes, which = np.unique(np.stack([run, turn.astype(int)]), axis=1, return_inverse=True)
    rng = np.random.default_rng([scene.seed, 13])
    shift = wanted.jitter_deg * rng.standard_normal((2, passes.shape[1]))[:, which.ravel()]
    return (before < wanted.lights_btdc_deg + shift[0]) & (before > wanted.goes_out_btdc_deg + shift[1])


def _direction(crank_deg: np.ndarray) -> np.ndarray:
    """1 forwards, -1 backwards; at rest, as it last turned."""
    step = np.sign(np.diff(crank_deg, prepend=crank_deg[0]))
    moved = np.flatnonzero(step)
    if moved.size == 0:
        return np.ones(crank_deg.size, int)
    last = np.maximum.accumulate(np.where(step != 0, np.arange(step.size), -1))
    return step[np.where(last < 0, moved[0], last)].astype(int)


def _behind_slack(crank_deg: np.ndarray, slack_deg: float) -> np.ndarray:
    """What the trigger's shaft follows: driven at once forwards, only after the slack backwards."""
    if slack_deg == 0:
        return crank_deg
    followed = np.empty_like(crank_deg)
    at = float(crank_deg[0])
    for i, now in enumerate(crank_deg.tolist()):
        at = min(max(at, now), now + slack_deg)
        followed[i] = at
    return followed


def _warmed(on: np.ndarray, wanted: LampTable, step_s: float) -> np.ndarray:
    """Brightness, 0 to 1, that goes after its current with a rise and a fall of its own."""
    bright = np.empty(on.size)
    at = float(on[0])
    up, down = (1 - math.exp(-step_s * 1e3 / ms) if ms > 0 else 1.0 for ms in (wanted.rise_ms, wanted.fall_ms))
    for i, burns in enumerate(on.tolist()):
        at += up * (1 - at) if burns else -down * at
        bright[i] = at
    return bright


def _switchings(scene: Scene, time_s: np.ndarray, crank_deg: np.ndarray, on: np.ndarray) -> tuple[Switching, ...]:
    cycle, top = _cycle_deg(scene), tdc_deg(scene, scene.cylinder)
    forwards = _direction(crank_deg) > 0
    found = []
    for i in np.flatnonzero(np.diff(on.astype(int))):
        if 0 <= time_s[i] <= scene.run.duration_s:
            before = (top - crank_deg[i] + cycle / 2) % cycle - cycle / 2
            found.append(Switching(float(time_s[i]), bool(on[i + 1]), float(before), bool(forwards[i])))
    return tuple(found)


def _glow(shape: tuple[int, ...], at: tuple[float, float], radius_px: float, wanted: LampTable) -> np.ndarray:
    """Light of the burning lamp on every pixel: its glass, brightest in the middle, and a halo about it."""
    light = np.zeros(shape, np.float32)
    reach = REACH_RADII * radius_px
    rows = slice(max(0, int(at[1] - reach)), max(0, int(at[1] + reach) + 2))
    columns = slice(max(0, int(at[0] - reach)), max(0, int(at[0] + reach) + 2))
    part = light[rows, columns]
    if part.size == 0:
        return light
    y, x = np.mgrid[rows.start : rows.start + part.shape[0], columns.start : columns.start + part.shape[1]]
    out = np.hypot(x - at[0], y - at[1]) / radius_px
    glass = np.clip(0.5 + (1 - out) * radius_px, 0, 1) * (1 - 0.35 * np.minimum(out, 1) ** 2)
    halo = wanted.halo_share * np.exp(-out / HALO_RADII) * np.clip(REACH_RADII - out, 0, 1)
    part += (wanted.brightness * (glass + halo)).astype(np.float32)
    return light


def lamp_px(scene: Scene, seen: View) -> tuple[float, float]:
    """Where the lamp's middle is seen in the picture as shown, at time 0, before any mirroring."""
    wanted = lamp_of(scene)
    at = on_clock(wanted.at_radii * scene.engine.rotor.rim_diameter_mm / 2, wanted.at_deg)
    return apply(seen.plane_to_shown(wanted.above_mm, 0.0), *at)
