"""Make the good and the bad examples of the filming guide again: python docs/pictures/filming.py [NAME …]

In:  the demo twin's engine file, scenes made here.
Out: the JPEG files beside this script.
Not here: pictures of the stages (`regenerate.py`).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import cv2
import matplotlib.pyplot as plt
import numpy as np

from timingcam.seeing.clip import frames, open_clip
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

HERE = Path(__file__).parent
ENGINE = HERE.parents[1] / "shared" / "engines" / "demo-twin.toml"
SCENE = """
seed = 11
[engine]
file = "{engine}"
cylinder = "left"
[run]
duration_s = 0.5
rpm = 1500
[camera]
width = 640
height = 480
fps = 60
line_time_us = 27.0
exposure_s = {exposure}
tilt_deg = {tilt}
tilt_from_deg = {tilt_from}
rotor_share = {size}
blur_px = {blur}
[light]
ambient = {ambient}
[rotor]
dirt = {dirt}
scratches = {scratches}
{paint}
[stator]
index_above_mm = {index_above}
"""
BEST: dict[str, float | str] = {
    "exposure": 0.0145, "tilt": 0.0, "tilt_from": 80.0, "size": 0.36, "blur": 0.0, "ambient": 0.06,
    "dirt": 0.1, "scratches": 4, "paint": 'paint = "white"', "index_above": 1.0,
}  # fmt: skip
# Picture: what is good, what is bad, and what differs in the bad one (and in the good one, where that matters).
PAIRS: dict[str, tuple[str, str, dict[str, float | str], dict[str, float | str]]] = {
    "view": ("square-on", "from 32° aside", {"tilt": 32.0}, {}),
    "plane": (
        "20° off, in the plane of axis and index", "20° off to the side: index seems moved",
        {"tilt": 20.0, "tilt_from": 90.0, "index_above": 5.0}, {"tilt": 20.0, "tilt_from": 0.0, "index_above": 5.0},
    ),
    "light": ("half-darkness", "the lamp of the workshop on", {"ambient": 0.9}, {}),
    "exposure": (
        "short exposure: a sharp band", "long exposure: all rows, no edge",
        {"exposure": 0.0165, "ambient": 0.5}, {"exposure": 0.004},
    ),
    "marks": (
        "cleaned, one mark painted", "dirty, scratched, unpainted", {"dirt": 1.0, "scratches": 160, "paint": ""}, {},
    ),
    "focus": ("focus locked on the marks", "focus hunting", {"blur": 3.5}, {}),
    "size": ("rotor fills two thirds", "too far away", {"size": 0.11}, {}),
}  # fmt: skip


def main() -> None:
    """Make all of them, or those that are named."""
    for name, (good, bad, keys, better) in PAIRS.items():
        if sys.argv[1:] and name not in sys.argv[1:]:
            continue
        pictures = (lit_frame(BEST | better), lit_frame(BEST | keys))
        figure, axes = plt.subplots(1, 2, figsize=(9, 3.75), layout="constrained")
        for axis, picture, words in zip(axes, pictures, (f"✓ good: {good}", f"✗ bad: {bad}"), strict=True):
            axis.imshow(picture, cmap="gray", vmin=0, vmax=255)
            axis.set_title(words, loc="left", fontsize=11, fontweight="bold")
            axis.set(xticks=[], yticks=[])
        figure.canvas.draw()
        drawn = np.asarray(figure.canvas.buffer_rgba())[..., 2::-1]  # type: ignore[attr-defined]
        plt.close(figure)
        cv2.imwrite(str(HERE / f"{name}.jpg"), drawn, [cv2.IMWRITE_JPEG_QUALITY, 82])


def lit_frame(keys: dict[str, float | str]) -> np.ndarray:
    """Render a scene, and take the frame that a flash lit most, but not all of."""
    with tempfile.TemporaryDirectory() as folder:
        scene = scene_from_text(SCENE.format(engine=ENGINE, **keys), Path(folder))
        clip = render_clip(scene, Path(folder) / "clip.mp4")["clip"]
        return max((frame.luma for frame in frames(open_clip(clip))), key=np.mean)


if __name__ == "__main__":
    main()
