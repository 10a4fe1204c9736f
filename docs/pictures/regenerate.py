"""Make the pictures of how it works again from a sample clip: python docs/pictures/regenerate.py [RESULT]

In:  `sample_media/left-sweep.mp4`, the demo twin's engine file; a result folder of that clip, if there is one already.
Out: pictures of the stages beside this script.
Not here: any measuring of its own; the good and bad examples of filming (`filming.py`).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import av
import cv2
import matplotlib.pyplot as plt
import numpy as np

import timingcam
from timingcam.reckoning.result import Measurement
from timingcam.seeing.clip import frames, open_clip
from timingcam.showing.film import make_film, usual_slowness
from timingcam.showing.found import RIM_INK, found_in, place
from timingcam.showing.marks_sheet import draw_overlay
from timingcam.showing.plots import budget_plot, picture_bytes

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CLIP = ROOT / "sample_media" / "left-sweep.mp4"
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"
STROBE = timingcam.Strobe(delay_s=40e-6, delay_sd_s=4e-6)  # as the README's walk-through has it
GREY = {"cmap": "gray", "vmin": 0, "vmax": 255}


def main() -> None:
    """Make all of them."""
    if len(sys.argv) > 1:
        measured = timingcam.load(sys.argv[1])
    else:
        measured = timingcam.measure(CLIP, ENGINE, "left", timingcam.Options(strobe=STROBE))
    (HERE / "curve.png").write_bytes(picture_bytes(timingcam.plot(measured), dpi=140))
    (HERE / "budget.png").write_bytes(picture_bytes(budget_plot(measured), dpi=120))
    pictures = dict(enumerate(frame.luma for frame in frames(open_clip(CLIP))))
    draw_band(measured, pictures)
    draw_light_apart(measured, pictures)
    draw_view(measured, pictures)
    draw_maps(measured, pictures)
    draw_speed(measured)
    draw_film(measured)


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
    save(figure, "flash-band.jpg")


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
    save(figure, "maps.jpg")


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


def draw_light_apart(measured: Measurement, pictures: dict[int, np.ndarray]) -> None:
    """A lit frame, the light that is always there, and the flash's own."""
    p = measured.pictures
    inside = (p.row_first == 0) & (p.row_last > 400)
    lit = pictures[int(p.frame[np.flatnonzero(inside)[0]])].astype(float)
    always = np.percentile(np.stack([pictures[k] for k in range(0, len(pictures), 8)]), 15, axis=0)
    shown = {"a frame": lit, "always there": always, "the flash's own light": np.clip(lit - always, 0, 255)}
    figure, axes = plt.subplots(1, 3, figsize=(10, 2.3), layout="constrained")
    for axis, (title, picture) in zip(axes, shown.items(), strict=True):
        axis.imshow(picture, **GREY)
        axis.set_title(title, loc="left", fontsize=11)
        axis.set(xticks=[], yticks=[])
    save(figure, "light-apart.jpg")


def draw_view(measured: Measurement, pictures: dict[int, np.ndarray]) -> None:
    """The rotor's outline, centre and index as they were found, and circles that lie in its plane."""
    p = measured.pictures
    lit = (p.row_first == 0) & (p.row_last > 400)  # the index and the marks among what it lit
    flash = int(np.flatnonzero(lit & np.isfinite(p.rotor_deg))[0])
    from_rotor = np.linalg.inv(p.to_rotor[flash])
    figure, axis = plt.subplots(figsize=(7, 4), layout="constrained")
    axis.imshow(pictures[int(p.frame[flash])], **GREY)
    axis.set_autoscale_on(False)
    draw_overlay(axis, found_in(p, flash, from_rotor), p.mark_names)
    for radius in (0.25, 0.5, 0.75):
        axis.plot(*place(from_rotor, np.arange(361.0), np.full(361, radius)).T, color=RIM_INK, linewidth=0.5)
    axis.plot(*place(from_rotor, np.zeros(1), np.zeros(1)).T, "+", color=RIM_INK, markersize=12)
    axis.set(xticks=[], yticks=[])
    save(figure, "view-found.jpg")


def draw_speed(measured: Measurement) -> None:
    """Speed at every flash, with its 95 %."""
    r = measured.readings
    known = np.isfinite(r.rpm)
    figure, (axis, below) = plt.subplots(
        2, 1, figsize=(7, 4.2), sharex=True, height_ratios=[3, 1], layout="constrained"
    )
    axis.plot(r.time_s[known], r.rpm[known], ".", color="black", markersize=4)
    axis.set_ylabel("crank speed, rpm")
    below.plot(r.time_s[known], 1.96 * r.rpm_sd[known], color="black")
    below.set(xlabel="time of the clip, s", ylabel="95 %, ± rpm", ylim=(0, None))
    for one in (axis, below):
        one.grid(color="#ddd8d2")
    save(figure, "speed.png")


def draw_film(measured: Measurement) -> None:
    """One moment of the film, while a flash is shown that was used."""
    used = np.flatnonzero(measured.readings.used)
    shown_s = usual_slowness(measured) * measured.readings.time_s[used[int(0.75 * len(used))]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.mp4"
        make_film(measured, CLIP, path)
        with av.open(str(path)) as film:
            for frame in film.decode(video=0):
                if frame.time > shown_s + 0.06:
                    picture = frame.to_ndarray(format="bgr24")
                    cv2.imwrite(str(HERE / "film.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 82])
                    return


def save(figure: plt.Figure, name: str) -> None:
    """Write it small enough for a page."""
    quality = {"pil_kwargs": {"quality": 82}} if name.endswith(".jpg") else {}
    figure.savefig(HERE / name, dpi=110, **quality)
    plt.close(figure)


if __name__ == "__main__":
    main()
