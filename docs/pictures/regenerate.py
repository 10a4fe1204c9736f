"""Make the pictures of these pages again from the sample clips and the renderer: python docs/pictures/regenerate.py

In:  `sample_media/left-sweep.mp4`, the demo twin's engine file, scenes made here.
Out: the PNG files beside this script.
Not here: any measuring or rendering of its own.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import cv2
import matplotlib.pyplot as plt
import numpy as np

import timingcam
from timingcam.reckoning.result import Measurement
from timingcam.seeing.clip import frames, open_clip
from timingcam.showing.plots import picture_bytes
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CLIP = ROOT / "sample_media" / "left-sweep.mp4"
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"
STROBE = timingcam.Strobe(delay_s=40e-6, delay_sd_s=4e-6)  # as the README's walk-through has it

SCENE = """
seed = {seed}
[engine]
file = "{engine}"
cylinder = "left"
[run]
duration_s = 0.6
rpm = 1500
[camera]
width = 640
height = 480
fps = 60
line_time_us = 27.0
exposure_s = {exposure}
tilt_deg = {tilt}
tilt_from_deg = 80.0
[light]
ambient = {ambient}
"""
GREY = {"cmap": "gray", "vmin": 0, "vmax": 255}


def main() -> None:
    """Make all of them."""
    measured = timingcam.measure(CLIP, ENGINE, "left", timingcam.Options(strobe=STROBE))
    (HERE / "curve.png").write_bytes(picture_bytes(timingcam.plot(measured)))
    pictures = dict(enumerate(frame.luma for frame in frames(open_clip(CLIP))))
    draw_band(measured, pictures)
    draw_maps(measured, pictures)
    best = {"exposure": 0.0145, "tilt": 0, "ambient": 0.06}
    two_views(
        "view-square-and-oblique.png",
        {"square-on: good": best, "32 degrees from the side: bad": {**best, "tilt": 32}},
    )
    two_views(
        "light-good-and-bad.png",
        {"half-darkness: good": best, "too much light: bad": {**best, "ambient": 0.9}},
    )


def draw_band(measured: Measurement, pictures: dict[int, np.ndarray]) -> None:
    """A frame with a band in its middle, and the light of its rows."""
    p = measured.pictures
    height = next(iter(pictures.values())).shape[0]
    inside = (p.row_first > 0.1 * height) & (p.row_last < 0.9 * height)
    shown = pictures[int(p.frame[np.flatnonzero(inside)[0]])]
    figure, (left, right) = plt.subplots(1, 2, figsize=(10, 4), width_ratios=[16, 6], sharey=True, layout="constrained")
    left.imshow(shown, **GREY)
    left.set(ylabel="row", xticks=[])
    right.plot(shown.mean(axis=1), np.arange(height), color="black")
    right.set(xlabel="mean light of the row")
    save(figure, "flash-band.png")


def draw_maps(measured: Measurement, pictures: dict[int, np.ndarray]) -> None:
    """Every flash unrolled: laid together as the rotor turned, and as the camera saw them."""
    p = measured.pictures
    turning, still = Mean(), Mean()
    for i in one_a_degree(p.rotor_deg):
        strip, lit = unrolled(pictures[int(p.frame[i])], p.to_rotor[i], (p.row_first[i], p.row_last[i]))
        still.add(strip, lit, 0.0)
        turning.add(strip, lit, p.rotor_deg[i])
    figure, axes = plt.subplots(2, 1, figsize=(10, 4.6), sharex=True, layout="constrained")
    for axis, mean, title in zip(
        axes, (turning, still), ("what turns, each flash turned back", "what stands still"), strict=True
    ):
        axis.imshow(mean.picture(), cmap="gray", aspect="auto", extent=(-180, 180, 0.55, 1.3))
        axis.axhline(1.0, color="white", linewidth=0.8, linestyle="--")
        axis.set_title(title, loc="left", fontsize=11)
        axis.set_ylabel("radius, rotor radii")
    axes[1].set_xlabel("angle in the rotor's plane, degrees clockwise")
    save(figure, "maps.png")


def one_a_degree(rotor_deg: np.ndarray) -> np.ndarray:
    """One flash for every degree at which the rotor was seen, so that no angle outweighs the others."""
    readable = np.flatnonzero(np.isfinite(rotor_deg))
    return readable[np.unique(np.round(rotor_deg[readable]), return_index=True)[1]]


class Mean:
    """Mean of strips, each cell over the flashes that lit it."""

    def __init__(self) -> None:
        self.total, self.count = np.zeros((150, 1440)), np.zeros((150, 1440))

    def add(self, strip: np.ndarray, lit: np.ndarray, turned_deg: float) -> None:
        """Add one strip, turned back."""
        columns = -round(turned_deg * 4)
        self.total += np.roll(np.where(lit, strip, 0.0), columns, axis=1)
        self.count += np.roll(lit, columns, axis=1)

    def picture(self) -> np.ndarray:
        """The mean; dark where nothing was lit."""
        return self.total / np.maximum(self.count, 1)


def unrolled(picture: np.ndarray, to_rotor: np.ndarray, rows: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Angle along, radius from 1.3 down to 0.55, shape (150, 1440); and which cells the flash lit."""
    angle, radius = np.meshgrid(np.radians(np.arange(1440) / 4 - 180), np.linspace(1.3, 0.55, 150))
    on_rotor = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.ones_like(angle)])
    x, y, w = np.tensordot(np.linalg.inv(to_rotor), on_rotor, axes=1)
    at = np.stack([x / w, y / w]).astype(np.float32)
    lit = (at[1] > rows[0] + 8) & (at[1] < rows[1] - 8)  # clear of the band's soft edges
    return cv2.remap(picture, at[0], at[1], cv2.INTER_LINEAR), lit


def two_views(name: str, scenes: dict[str, dict[str, float]]) -> None:
    """The brightest frame of each scene, side by side."""
    figure, axes = plt.subplots(1, 2, figsize=(10, 4), layout="constrained")
    for axis, (title, keys) in zip(axes, scenes.items(), strict=True):
        axis.imshow(brightest(keys), **GREY)
        axis.set_title(title, loc="left", fontsize=11)
        axis.set(xticks=[], yticks=[])
    save(figure, name)


def brightest(keys: dict[str, float]) -> np.ndarray:
    """Render a scene, and take the frame in which most is lit."""
    with tempfile.TemporaryDirectory() as folder:
        scene = scene_from_text(SCENE.format(seed=11, engine=ENGINE, **keys), Path(folder))
        clip = render_clip(scene, Path(folder) / "clip.mp4")["clip"]
        return max((frame.luma for frame in frames(open_clip(clip))), key=np.mean)


def save(figure: plt.Figure, name: str) -> None:
    """Write it small enough for a page."""
    figure.savefig(HERE / name, dpi=110)
    plt.close(figure)


if __name__ == "__main__":
    main()
