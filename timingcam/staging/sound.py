"""What the phone's microphone hears: an exhaust pulse at every firing of every cylinder, and the engine's rattle.

In:  `Scene`, `CrankMotion`.
Out: mono samples, float32, −1 to 1.
Not here: how they are encoded (`container.py`).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import butter, sosfilt

from timingcam.staging.motion import CrankMotion
from timingcam.staging.scene import Scene
from timingcam.staging.strobe import misfired_deg

SAMPLES_PER_S = 48000
MISFIRED_SHARE = 0.2  # our choice: the cylinder still breathes, but nothing burnt
AIR_DELAY_S = 0.002  # about 0.7 m from silencer to phone at 340 m/s


def engine_sound(scene: Scene, motion: CrankMotion) -> np.ndarray | None:
    """Sound of the whole clip, or None where the scene is silent.

    Parameters
    ----------
    scene : Scene
    motion : CrankMotion

    Returns
    -------
    ndarray or None
        SAMPLES_PER_S samples a second from the clip's time 0.
    """
    if not scene.sound.on:
        return None
    rng = np.random.default_rng([scene.seed, 10])
    count = math.ceil(scene.run.duration_s * SAMPLES_PER_S)
    train = np.zeros(count)
    first, last = motion.angle_deg(np.array([0.0, scene.run.duration_s]))
    for cylinder in scene.engine.cylinder if scene.hand is None else ():  # turned by hand, nothing fires
        size = rng.uniform(0.85, 1.0)
        cycles = np.arange(
            math.ceil((first - cylinder.tdc_deg) / motion.cycle_deg), (last - cylinder.tdc_deg) / motion.cycle_deg
        )
        at = motion.time_at(cylinder.tdc_deg + cycles * motion.cycle_deg) + AIR_DELAY_S
        where = np.rint(at * SAMPLES_PER_S).astype(int)
        inside = (where >= 0) & (where < count)
        loud = size * np.exp(0.12 * rng.standard_normal(int(inside.sum())))
        fired = np.ones(where.size)
        if cylinder.name == (scene.strobe.lead or scene.cylinder):
            dead = misfired_deg(scene, motion)
            at_deg = cylinder.tdc_deg + cycles * motion.cycle_deg
            fired[np.isin(np.rint(at_deg), np.rint(dead))] = MISFIRED_SHARE
        np.add.at(train, where[inside], loud * fired[inside])
    since = np.arange(int(0.03 * SAMPLES_PER_S)) / SAMPLES_PER_S
    pulse = np.exp(-since / 0.006) * np.sin(2 * math.pi * 95 * since) + 0.4 * np.exp(-since / 0.002) * np.sin(
        2 * math.pi * 310 * since
    )
    # A pulse of 30 ms over a clip of seconds: by Fourier, at once.
    size = 1 << (count + since.size - 1).bit_length()
    note = np.fft.irfft(np.fft.rfft(train, size) * np.fft.rfft(pulse, size), size)[:count]
    hiss = rng.standard_normal(count)
    rattle = sosfilt(butter(2, [400, 5000], "bandpass", fs=SAMPLES_PER_S, output="sos"), hiss)
    loud = note / max(1e-9, float(np.abs(note).max())) + scene.sound.noise * rattle / max(1e-9, float(rattle.std()))
    return (0.5 * loud / max(1.0, float(np.abs(loud).max()) / 1.8)).astype(np.float32)
