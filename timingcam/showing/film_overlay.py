"""What is drawn over a film's picture: rotor's outline, index, marks with their names, and which rows were lit.

In:  a grey picture, what was found in its flash.
Out: the picture in colour.
Not here: the panel beside it (`film_panel.py`).
"""

from __future__ import annotations

import cv2
import numpy as np
from matplotlib import patheffects
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from timingcam.showing.found import INDEX_INK, MARK_INK, RIM_INK, Found

SUBPIXEL_BITS = 4  # OpenCV draws with this many binary places
NAME_PX = 30
DASH_DEG = 4  # of the rotor's outline
LIT_PX = 10  # from the picture's left edge to the bracket beside the lit rows


def name_picture(name: str) -> np.ndarray:
    """A mark's name as a small picture with transparency, shape (h, w, 4), uint8."""
    figure = Figure(figsize=(4.0, 0.6), dpi=100)
    canvas = FigureCanvasAgg(figure)
    figure.patch.set_alpha(0.0)
    edge = [patheffects.withStroke(linewidth=4.0, foreground="#000000")]
    figure.text(0.5, 0.5, name, ha="center", va="center", color=MARK_INK, fontsize=0.72 * NAME_PX, weight="bold",
                path_effects=edge, parse_math=False)  # fmt: skip
    canvas.draw()
    drawn = np.asarray(canvas.buffer_rgba())
    inked = np.argwhere(drawn[..., 3] > 0)
    if len(inked) == 0:
        return drawn[:1, :1].copy()
    (top, left), (bottom, right) = inked.min(axis=0), inked.max(axis=0)
    return drawn[top : bottom + 1, left : right + 1].copy()


def draw(picture: np.ndarray, found: Found, names: list[np.ndarray], lit: np.ndarray | None) -> np.ndarray:
    """Draw over a picture.

    Parameters
    ----------
    picture : ndarray, shape (h, w), uint8
    found : Found
        In the picture's pixels; marks that are not known are left out.
    names : list of ndarray
        One small picture a mark, from `name_picture`.
    lit : ndarray, shape (2, 2), or None
        Ends of the bracket beside the rows that the flash lit.

    Returns
    -------
    ndarray, shape (h, w, 3)
        Red, green, blue.
    """
    out = cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB)
    for start in range(0, 360, 2 * DASH_DEG):
        _line(out, found.rim[start : start + DASH_DEG + 1], RIM_INK, 2)
    if lit is not None:
        _edged(out, lit, RIM_INK, 4)
    _edged(out, found.index, INDEX_INK, 4)
    for ends, at, name in zip(found.marks, found.names_at, names, strict=True):
        if np.all(np.isfinite(ends)):
            _edged(out, ends, MARK_INK, 4)
            _blend(out, name, at)
    return out


def _edged(out: np.ndarray, points: np.ndarray, colour: str, width_px: int) -> None:
    _line(out, points, "#000000", width_px + 4)
    _line(out, points, colour, width_px)


def _line(out: np.ndarray, points: np.ndarray, colour: str, width_px: int) -> None:
    if not np.all(np.isfinite(points)):
        return
    ink = tuple(round(255 * part) for part in to_rgb(colour))
    # Far outside the picture nothing is drawn; OpenCV's whole numbers must hold it all the same.
    at = np.clip(np.round(points * 2**SUBPIXEL_BITS), -(2**20), 2**20).astype(np.int32)
    cv2.polylines(out, [at.reshape(-1, 1, 2)], False, ink, width_px, cv2.LINE_AA, SUBPIXEL_BITS)


def _blend(out: np.ndarray, small: np.ndarray, middle: np.ndarray) -> None:
    height, width = small.shape[:2]
    left, top = round(float(middle[0]) - width / 2), round(float(middle[1]) - height / 2)
    if left < 0 or top < 0 or left + width > out.shape[1] or top + height > out.shape[0]:
        return
    place = out[top : top + height, left : left + width]
    alpha = small[..., 3:].astype(np.float32) / 255.0
    place[:] = np.round(small[..., :3] * alpha + place * (1.0 - alpha)).astype(np.uint8)
