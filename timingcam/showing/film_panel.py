"""The panel beside a film's picture: which flash, its advance and speed, and the curve as it grows.

In:  a `Measurement`; which flash is shown.
Out: the panel as a picture.
Not here: the picture of the flash (`film_light.py`, `film_overlay.py`).

What does not change is drawn once; what does is drawn over it, so that a film of a thousand flashes takes seconds.
"""

from __future__ import annotations

import math
import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from timingcam.reckoning.result import Measurement
from timingcam.showing import ink
from timingcam.showing.plots import COVERAGE_95, STYLE, draw_curve, draw_spec, set_view
from timingcam.showing.sentences import short_verdict

WIDTH_PX, HEIGHT_PX = 560, 720
DPI = 100
LINE_CHARACTERS = 36  # that stand in one line of the panel
MARKERS = {trend.direction: (trend.shape, trend.colour, trend.filled) for trend in ink.TRENDS}


class Panel:
    """The panel; its readings grow as flashes are shown in their order."""

    def __init__(self, measurement: Measurement, footer: str) -> None:
        self._m = measurement
        self._trend = ink.speed_trend(measurement.readings)
        self._shown = 0
        with rc_context(STYLE):
            self._figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor=ink.PAPER)
            self._canvas = FigureCanvasAgg(self._figure)
            self._axes = self._figure.add_axes((0.145, 0.155, 0.825, 0.42))
            self._still(footer)
            self._words = {
                "flash": self._text(0.875, 15, ink.SOFT),
                "advance": self._text(0.765, 46, ink.INK, "bold"),
                "doubt": self._text(0.785, 15, ink.INK, left=0.56),
                "speed": self._text(0.70, 27, ink.INK, "bold"),
                "note": self._text(0.615, 12.5, ink.OUT),
            }
            self._canvas.draw()
            for text in self._words.values():
                text.set_visible(True)
            self._ground = self._canvas.copy_from_bbox(self._figure.bbox)

    def picture(self, flash: int | None) -> np.ndarray:
        """The panel as it stands at one flash: all readings until then, this one ringed.

        Parameters
        ----------
        flash : int or None
            Not before the one asked for last; None before the first.

        Returns
        -------
        ndarray, shape (HEIGHT_PX, WIDTH_PX, 3), uint8
        """
        with rc_context(STYLE):
            self._grow(0 if flash is None else flash + 1)
            self._say(flash)
            if flash is not None:
                self._ring(flash)
            return self._taken()

    def ending(self) -> np.ndarray:
        """The panel after the last flash: every reading, the fitted curve, the verdict."""
        with rc_context(STYLE):
            self._grow(len(self._m.readings))
            self._canvas.restore_region(self._ground)
            held = list(self._axes.get_children())
            draw_curve(self._axes, self._m)
            for artist in self._axes.get_children():
                if artist not in held:
                    self._axes.draw_artist(artist)
            used = self._m.strobe.flashes_used
            self._put("flash", f"{len(self._m.readings)} flashes seen, {used} used")
            self._put("advance", "")
            self._put("speed", short_verdict(self._m).capitalize())
            self._put("doubt", "")
            self._put("note", "black: the fitted curve with its 95 % band")
            for text in self._words.values():
                self._figure.draw_artist(text)
            return self._taken()

    def _still(self, footer: str) -> None:
        m = self._m
        axes: Axes = self._axes
        set_view(axes, m)
        if m.engine.spec is not None:
            draw_spec(axes, m.engine.spec)
        axes.set_xlabel("rpm", fontsize=14, labelpad=1)
        axes.tick_params(labelsize=13)
        axes.locator_params(nbins=5)
        axes.grid(color=ink.GRID, linewidth=0.7)
        axes.set_axisbelow(True)
        title = textwrap.shorten(f"{m.engine.name}, {m.cylinder}", 34, placeholder=" …")
        self._figure.text(0.04, 0.935, title, fontsize=18, fontweight="bold")
        self._figure.text(0.04, 0.583, "advance, degrees before TDC", fontsize=13, color=ink.INK, va="bottom")
        self._figure.text(0.04, 0.018, footer, fontsize=11.5, color=ink.SOFT, va="bottom", linespacing=1.25)

    def _text(self, y: float, size: float, colour: str, weight: str = "normal", left: float = 0.04) -> Text:
        return self._figure.text(
            left, y, "", fontsize=size, color=colour, fontweight=weight, va="baseline", visible=False, linespacing=1.15
        )

    def _grow(self, until: int) -> None:
        """Draw readings that are due onto the ground, where they stay."""
        if until <= self._shown:
            return
        r = self._m.readings
        self._canvas.restore_region(self._ground)
        for flash in range(self._shown, until):
            if not (math.isfinite(r.rpm[flash]) and math.isfinite(r.advance_deg[flash])):
                continue
            shape, colour, filled = MARKERS[int(self._trend[flash])] if r.used[flash] else ("x", ink.UNUSED, True)
            (dot,) = self._axes.plot(
                r.rpm[flash], r.advance_deg[flash], marker=shape, markersize=5.5, markeredgecolor=colour,
                markerfacecolor=colour if filled else "none", markeredgewidth=1.0, alpha=0.8, linestyle="",
            )  # fmt: skip
            self._axes.draw_artist(dot)
            dot.remove()
        self._ground = self._canvas.copy_from_bbox(self._figure.bbox)
        self._shown = until

    def _ring(self, flash: int) -> None:
        r = self._m.readings
        if not (math.isfinite(r.rpm[flash]) and math.isfinite(r.advance_deg[flash])):
            return
        half = COVERAGE_95 * r.advance_sd_deg[flash]
        (ring,) = self._axes.plot(
            r.rpm[flash], r.advance_deg[flash], "o", markersize=15, markeredgecolor=ink.INK, markerfacecolor="none",
            markeredgewidth=2.2,
        )  # fmt: skip
        bar = self._axes.vlines(r.rpm[flash], r.advance_deg[flash] - half, r.advance_deg[flash] + half, ink.INK)
        for artist in (bar, ring):
            self._axes.draw_artist(artist)
            artist.remove()

    def _say(self, flash: int | None) -> None:
        self._canvas.restore_region(self._ground)
        r = self._m.readings
        if flash is None:
            words = {"flash": "before the first flash"}
        else:
            words = {"flash": f"flash {flash + 1} of {len(r)}, at {r.time_s[flash]:.2f} s of the clip"}
            words["advance"] = f"{r.advance_deg[flash]:.1f}°" if math.isfinite(r.advance_deg[flash]) else "–"
            if math.isfinite(r.advance_deg[flash]):
                half = COVERAGE_95 * r.advance_sd_deg[flash]
                doubt = f"± {half:.1f}° this flash\n" if math.isfinite(half) else "\n"
                words["doubt"] = doubt + "before TDC"
            words["speed"] = f"{r.rpm[flash]:.0f} rpm" if math.isfinite(r.rpm[flash]) else "speed not known"
            note = "" if r.used[flash] else f"not used: {r.reason[flash]}"
            words["note"] = textwrap.shorten(note, 2 * LINE_CHARACTERS, placeholder=" …")
        for key in self._words:
            self._put(key, words.get(key, ""))
        for text in self._words.values():
            self._figure.draw_artist(text)

    def _put(self, key: str, words: str) -> None:
        self._words[key].set_text(words)

    def _taken(self) -> np.ndarray:
        return np.asarray(self._canvas.buffer_rgba())[..., :3].copy()
