"""The picture of a refusal: the best frame, what was found in it, what was not, and what to film differently.

In:  `BestFrame`, the refusal.
Out: a matplotlib `Figure`.
Not here: writing it (`writing.py`).
"""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure

from timingcam.errors import TimingcamError
from timingcam.seeing.best_frame import BestFrame
from timingcam.showing.found import found_at
from timingcam.showing.marks_sheet import draw_overlay
from timingcam.showing.plots import STYLE

WIDTH_IN, LINE_IN, LINE_CHARS = 8.0, 0.27, 96  # our choice: legible on a phone held upright
BRIGHTEST = 99.5  # percentile of the luma that is drawn white: a dim frame shows what it holds


def refusal_sheet(best: BestFrame, refusal: TimingcamError) -> Figure:
    """Draw it.

    Parameters
    ----------
    best : BestFrame
    refusal : TimingcamError

    Returns
    -------
    Figure
    """
    height, width = best.luma.shape
    tall_in = min(WIDTH_IN * height / width, 10.0)
    words = _words(best, refusal)
    words_in = LINE_IN * (len(words) + 0.4)
    with rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, tall_in + words_in))
        share = tall_in / (tall_in + words_in)
        axes = figure.add_axes((0.0, 0.0, 1.0, share))
        axes.imshow(best.luma, cmap="gray", vmin=0, vmax=max(float(np.percentile(best.luma, BRIGHTEST)), 16.0))
        axes.set_axis_off()
        axes.set_autoscale_on(False)
        marks = best.marks_at or ()
        at = np.array([deg for _, deg, _ in marks]), np.array([inner for _, _, inner in marks])
        draw_overlay(axes, found_at(best.from_rotor, at, best.index_at), tuple(name for name, _, _ in marks))
        for line, (text, size, weight) in enumerate(words):
            y = 1.0 - LINE_IN * (line + 1) / (tall_in + words_in)
            figure.text(0.02, y, text, fontsize=size, fontweight=weight, va="baseline")
    return figure


def _words(best: BestFrame, refusal: TimingcamError) -> list[tuple[str, float, str]]:
    """Lines above the picture: text, size, weight."""
    found = []
    if best.lit_rows is not None:
        found.append(f"a flash that lights {best.lit_rows} rows in full")
    found += [
        f"{name} ({how})"
        for name, how, part in (
            ("rim", "dashed", best.from_rotor), ("index", "arrow", best.index_at), ("marks", "named", best.marks_at),
        )
        if part is not None
    ]  # fmt: skip
    what = textwrap.wrap(f"Found {refusal.found}; expected {refusal.expected}.", LINE_CHARS)
    do = textwrap.wrap(f"What to do: {refusal.do}.", LINE_CHARS)
    seen = f"Frame {best.number}. In it: {', '.join(found) or 'nothing'}."
    if best.missing():
        seen += f" Not: {', '.join(best.missing())}."
    lines = [("Not measured", 13.0, "bold")]
    lines += [(part, 9.5, "normal") for part in what] + [(part, 9.5, "bold") for part in do]
    return lines + [(part, 9.0, "normal") for part in textwrap.wrap(seen, LINE_CHARS)]
