"""The card that stands before a film that flashes.

In:  the film's size.
Out: a picture.
Not here: the film.
"""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from timingcam.showing import ink
from timingcam.showing.plots import STYLE

WORDS = "THIS FILM FLASHES"
MORE = (
    "Flashing light can bring on seizures,\nmost of all at 3 to 30 flashes a second.\n\n"
    "Do not watch it, nor show it to anybody,\nwho may have photosensitive epilepsy.\n"
    "Look away at the first discomfort."
)


def warning_card(size: tuple[int, int]) -> np.ndarray:
    """What stands before a film that flashes.

    Parameters
    ----------
    size : (int, int)
        Width and height, pixels.

    Returns
    -------
    ndarray, shape (height, width, 3), uint8
    """
    with rc_context(STYLE):
        figure = Figure(figsize=(size[0] / 100, size[1] / 100), dpi=100, facecolor=ink.PAPER)
        canvas = FigureCanvasAgg(figure)
        figure.text(0.5, 0.72, WORDS, ha="center", fontsize=46, fontweight="bold", color=ink.OUT)
        figure.text(0.5, 0.60, MORE, ha="center", va="top", fontsize=27, linespacing=1.3)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()
