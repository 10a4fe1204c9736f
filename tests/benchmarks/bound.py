"""The error of single flashes beside the least that their pictures allow.

In:  square-on scenes, the camera at rest, nearly lossless coding; the renderer's noise-free pictures.
Out: a table: rms error of a flash about the clip's mean; the bound by all that the picture shows, and by the
     ring of the rotor that the measurement reads; the ratio to the first (asked for: at most 2); the sd stated.
Not here: errors common to a whole clip; coding, shake, tilt.

Run it with:  python tests/benchmarks/bound.py        (a few minutes)

The bound is Cramér and Rao's (S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
chapter 3; from memory): for code values s(p) with independent noise of sd n a pixel, the covariance of any unbiased
estimate of p is at least the inverse of the sum over pixels of (ds/dp)(ds/dp)'/n². Here p is the rotor's angle, the
picture's shift, turn and growth, and the flash's brightness: whoever measures knows none of them. Noise is the sensor's
and the rounding to 8 bits; the scene is taken as known, so that what it costs to learn it counts as excess. Every grain
of the casting counts as known as well, which nobody's picture of it is: the bound is far below any use.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from gauntlet_engines import engine_text

from timingcam.measure import Options, measure
from timingcam.reckoning.assemble import Strobe
from timingcam.staging.motion import DEG_PER_S_PER_RPM
from timingcam.staging.render import Shoot, flash_picture, prepare, render_clip
from timingcam.staging.scene import scene_from_text

ASKED = 2.0
SAME_FLASH_S = 6e-3  # less than a fifth of the time between two sparks, 50 ms
DARKEST = 2e-3  # of white: the root is too steep below, and there is nothing to see
ROUNDING = 1 / 219 / np.sqrt(12)  # ITU-R BT.709: 219 steps from black to white
STEP_S = 2e-6  # 0.03 degrees: far below a pixel, far above the drawing's rounding
BRIGHTNESS = 0.9
RING = (0.6, 0.97)  # rim radii: what `seeing/rim.py` reads of the rotor
MARGIN_ROWS = 4  # of a band's soft edge, left out

SCENE = """
seed = {seed}
[engine]
file = "engine.toml"
cylinder = "L"
[run]
duration_s = 5.0
rpm = 2400
ripple_share = 0.0
jitter_deg = 1.5
[strobe]
delay_us = 30.0
flash_us = 5.0
brightness = {brightness}
brightness_sd = 0.0
[camera]
width = 640
height = 480
fps = 60
line_time_us = 27.0
exposure_s = 0.0085
rotor_share = 0.4
photon_noise = {photon}
read_noise = 0.002
sharpening = 0.0
vignetting = 0.0
tone = "flat"
nearly_lossless = true
[light]
ambient = 0.0
[rotor]
{rotor}
"""
CASES = {
    "painted": (0.012, 'paint = "white"'),
    "painted, noisy": (0.04, 'paint = "white"'),
    "engraved": (0.012, 'marks = "engraved"'),
}


@dataclass(frozen=True)
class Outcome:
    """Of one clip, degrees."""

    n: int
    error: float
    bound: float
    ring: float
    stated: float


def bounds_deg(shoot: Shoot, time_s: float, rows: tuple[int, int], rpm: float) -> tuple[float, float]:
    """The least sd with which the rotor's angle could be read from one flash: by all of it, by the ring; degrees."""
    photon, read = shoot.scene.camera.photon_noise, shoot.scene.camera.read_noise
    cut = slice(rows[0] + MARGIN_ROWS, rows[1] - MARGIN_ROWS + 1)
    now, before, after = (BRIGHTNESS * flash_picture(shoot, time_s + d) for d in (0.0, -STEP_S, STEP_S))
    a_degree = (after - before) / (2 * STEP_S * DEG_PER_S_PER_RPM * rpm)
    down, right = np.gradient(now)
    y, x = np.mgrid[0 : now.shape[0], 0 : now.shape[1]] - np.array(now.shape)[:, None, None] / 2
    slopes = [a_degree, right, down, right * y - down * x, right * x + down * y, now]
    light = now[cut].ravel()
    told = (light > DARKEST) & (light < 1.0)
    root = 2 * np.sqrt(np.maximum(light, DARKEST))  # code is the root of light: its slope is one over this
    noise = np.hypot(np.sqrt(read**2 + photon**2 * light) / root, ROUNDING)
    columns = np.stack([slope[cut].ravel() / root / noise for slope in slopes], axis=1).astype(float)
    rim_px = shoot.stage.view.radius_mm * shoot.stage.fine
    radius = (np.hypot(x, y)[cut] / rim_px).ravel()
    ring = told & (radius > RING[0]) & (radius < RING[1])
    # In the ring the picture's own move is taken as known, from elsewhere; only the brightness is not.
    return _least(columns[told]), _least(columns[ring][:, [0, -1]])


def _least(columns: np.ndarray) -> float:
    return float(np.sqrt(np.linalg.inv(columns.T @ columns)[0, 0]))


def one(name: str, folder: Path, seed: int) -> Outcome:
    """Render, measure, compare."""
    photon, rotor = CASES[name]
    (folder / "engine.toml").write_text(engine_text("pair", 0.0), encoding="utf-8")
    scene = scene_from_text(SCENE.format(seed=seed, brightness=BRIGHTNESS, photon=photon, rotor=rotor), folder)
    clip = render_clip(scene, folder / "clip.mp4")["clip"]
    found = measure(clip, folder / "engine.toml", "L", Options(strobe=Strobe(30e-6, 1e-6), rpm=2400.0)).readings
    with clip.with_suffix(".truth.csv").open(encoding="utf-8", newline="") as file:
        truth = [row for row in csv.DictReader(file) if row["missed"] == "no"]
    true_s = np.array([float(row["time_s"]) for row in truth])
    shoot = prepare(scene)
    errors, bounds = [], []
    for i in np.flatnonzero(found.used):
        k = int(np.abs(true_s - found.time_s[i]).argmin())
        bands = [tuple(int(r) for r in part.split(":")[1].split("-")) for part in truth[k]["rows"].split()]
        if abs(true_s[k] - found.time_s[i]) > SAME_FLASH_S or len(bands) != 1:
            continue
        errors.append(found.advance_deg[i] - float(truth[k]["advance_deg"]))
        bounds.append(bounds_deg(shoot, true_s[k], (bands[0][0], bands[0][1]), float(truth[k]["rpm"])))
    stated = float(np.median(found.advance_sd_deg[found.used]))
    whole, ring = np.sqrt(np.mean(np.square(bounds), axis=0))
    return Outcome(len(errors), float(np.std(errors)), float(whole), float(ring), stated)


def main() -> None:
    """Print the table."""
    words = argparse.ArgumentParser(description="Single flashes beside the Cramér-Rao bound")
    words.add_argument("--seed", type=int, default=810_001, help="of the scenes")
    given = words.parse_args()
    print(f"{'case':16s} {'flashes':>7s} {'rms error':>10s} {'bound':>9s} {'of ring':>9s} {'stated':>9s} {'ratio':>6s}")
    for name in CASES:
        with tempfile.TemporaryDirectory() as scratch:
            got = one(name, Path(scratch), given.seed)
        ratio = got.error / got.bound
        numbers = f"{got.error:9.4f}° {got.bound:8.4f}° {got.ring:8.4f}° {got.stated:8.4f}° {ratio:6.2f}"
        holds = "ok" if ratio <= ASKED else "NOT"
        print(f"{name:16s} {got.n:7d} {numbers}  (asked at most {ASKED:.0f}: {holds})", flush=True)


if __name__ == "__main__":
    main()
