"""The contact sheet: flashes across the speed range with what was found drawn on them, the worst ones included.

In:  a `Measurement` with its little pictures of flashes.
Out: a matplotlib figure.
Not here: how anything was found.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

import numpy as np
from matplotlib import patheffects, rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from timingcam.reckoning.result import Measurement, Pictures
from timingcam.showing import ink
from timingcam.showing.found import INDEX_INK, MARK_INK, RIM_INK, Found, found_in, place
from timingcam.showing.plots import STYLE, new_figure

COLUMNS = 3
N_SHOWN = 12  # our choice: one sheet of paper, each flash large enough to judge a line's place on it
N_WORST = 4
PANEL_IN = 2.75
CAPTION_CHARACTERS = 38  # as many as stand over a picture at this size of letters
VIEW_CENTRE, VIEW_HALF = 0.86, 0.5  # rotor radii
BESIDE_DEG = 5.0  # to either side of the index, to see how large a radius is there


@dataclass(frozen=True, slots=True)
class Shown:
    """One flash on the sheet: which crop, which flash, and why it is there where it is one of the worst."""

    crop: int
    flash: int
    worst: str


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """What was found in one flash, in pixels of its crop, and the part of the crop to show."""

    found: Found
    view: tuple[float, float, float, float]  # left, right, bottom, top: the part about the index


def choose(measurement: Measurement, n_shown: int = N_SHOWN, n_worst: int = N_WORST) -> list[Shown]:
    """Which flashes to show: evenly over the speed range, and those furthest from the curve.

    Parameters
    ----------
    measurement : Measurement
        With its little pictures.
    n_shown : int
        How many at most.
    n_worst : int
        How many of them for being the worst.

    Returns
    -------
    list of Shown
        In order of crank speed; flashes whose speed is not known come last.
    """
    m = measurement
    off_deg = _off_curve(m)
    crops = list(range(len(m.pictures.crop_of)))
    flash_of = m.pictures.crop_of

    def badness(crop: int) -> float:
        flash = int(flash_of[crop])
        # A flash whose angle could not be read at all is worse than any that could.
        return float(off_deg[flash]) if math.isfinite(off_deg[flash]) else math.inf

    worst = sorted(crops, key=badness, reverse=True)[: min(n_worst, max(len(crops) - 1, 0))]
    others = sorted((c for c in crops if c not in worst), key=lambda c: _speed_key(m, int(flash_of[c])))
    n_others = min(len(others), n_shown - len(worst))
    spread = [others[i] for i in np.unique(np.linspace(0, len(others) - 1, n_others).astype(int))] if n_others else []
    shown = [Shown(c, int(flash_of[c]), _worst_words(m, int(flash_of[c]), off_deg)) for c in worst]
    shown += [Shown(c, int(flash_of[c]), "") for c in spread]
    return sorted(shown, key=lambda s: _speed_key(m, s.flash))


def overlay(pictures: Pictures, crop: int) -> Overlay:
    """What was found in one flash, in pixels of its crop.

    Parameters
    ----------
    pictures : Pictures
        Transforms, marks and index.
    crop : int
        Which crop.

    Returns
    -------
    Overlay
        x right, y down from the centre of the crop's top-left pixel.
    """
    flash = int(pictures.crop_of[crop])
    from_rotor: np.ndarray | None = None
    if np.all(np.isfinite(pictures.to_rotor[flash])):
        x, y = pictures.crop_origin_px[crop]
        scale = pictures.crop_scale
        to_crop = np.array([[1 / scale, 0, -x / scale], [0, 1 / scale, -y / scale], [0, 0, 1]])
        from_rotor = to_crop @ np.linalg.inv(pictures.to_rotor[flash])
    beside = pictures.index_deg + np.array([-BESIDE_DEG, 0.0, BESIDE_DEG])
    left, middle, right = place(from_rotor, beside, np.full(3, VIEW_CENTRE))
    # Pixels of the crop to one rotor radius, there.
    radius = float(np.linalg.norm(right - left)) / (2 * VIEW_CENTRE * math.sin(math.radians(BESIDE_DEG)))
    return Overlay(found_in(pictures, flash, from_rotor), _view(pictures, crop, middle, radius))


def _view(pictures: Pictures, crop: int, middle: np.ndarray, radius: float) -> tuple[float, float, float, float]:
    height, width = pictures.crops[crop].shape
    whole = (-0.5, width - 0.5, height - 0.5, -0.5)
    if not np.all(np.isfinite(middle)):
        return whole
    half = VIEW_HALF * radius
    x = float(np.clip(middle[0], min(half, width / 2), max(width - half, width / 2)))
    y = float(np.clip(middle[1], min(half, height / 2), max(height - half, height / 2)))
    return (max(x - half, -0.5), min(x + half, width - 0.5), min(y + half, height - 0.5), max(y - half, -0.5))


def marks_sheet(measurement: Measurement) -> Figure:
    """Flashes across the speed range with rotor outline, index and named marks drawn where they were found.

    Parameters
    ----------
    measurement : Measurement
        With its little pictures.

    Returns
    -------
    Figure
        Three flashes a row; the worst ones are framed and say what is wrong.
    """
    m = measurement
    shown = choose(m)
    rows = max(math.ceil(len(shown) / COLUMNS), 1)
    with rc_context(STYLE):
        figure = new_figure(COLUMNS * PANEL_IN, rows * (PANEL_IN + 0.55) + 1.0)
        figure.suptitle(
            f"{m.engine.name}, {m.cylinder}: what was found\n"
            "red arrow: end of the index     yellow line: goes on from each mark, with its name\n"
            "thin dashes: rotor's outline     framed: the flashes that fit worst",
            x=0.01, ha="left", fontsize=10.5,
        )  # fmt: skip
        panels = np.atleast_1d(figure.subplots(rows, COLUMNS)).ravel()
        for axes in panels[len(shown) :]:
            axes.set_axis_off()
        for axes, one in zip(panels, shown, strict=False):
            _draw_flash(axes, m, one)
        if not shown:
            panels[0].set_title("no picture of a flash was kept", fontsize=10, loc="left")
    return figure


def draw_overlay(axes: Axes, found: Found, names: tuple[str, ...]) -> None:
    """Draw outline, index and named marks over a crop.

    Parameters
    ----------
    axes : Axes
        Showing the crop, in its pixels.
    found : Found
        What to draw.
    names : tuple of str
        One a mark.
    """
    edge = [patheffects.withStroke(linewidth=2.6, foreground="#000000")]
    axes.plot(*found.rim.T, color=RIM_INK, linewidth=0.8, linestyle=(0, (4, 3)), alpha=0.9)
    axes.plot(*found.index.T, color=INDEX_INK, linewidth=1.4, path_effects=edge)
    for ends, name_at, name in zip(found.marks, found.names_at, names, strict=True):
        if not np.all(np.isfinite(ends)):
            continue
        axes.plot(*ends.T, color=MARK_INK, linewidth=1.2, path_effects=edge)
        x, y = name_at
        axes.text(x, y, name, color=MARK_INK, fontsize=10, ha="center", va="center", path_effects=edge, clip_on=True)


def _draw_flash(axes: Axes, m: Measurement, one: Shown) -> None:
    crop = m.pictures.crops[one.crop]
    axes.imshow(crop, cmap="gray", vmin=0, vmax=255, interpolation="nearest")
    axes.set_autoscale_on(False)
    over = overlay(m.pictures, one.crop)
    draw_overlay(axes, over.found, m.pictures.mark_names)
    axes.set_xlim(over.view[:2])
    axes.set_ylim(over.view[2:])
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(bool(one.worst))
        side.set_color(ink.OUT)
        side.set_linewidth(3)
    axes.set_title(_caption(m, one), fontsize=9.5, loc="left", color=ink.OUT if one.worst else ink.INK)


def _caption(m: Measurement, one: Shown) -> str:
    r = m.readings
    rpm = f"{r.rpm[one.flash]:.0f} rpm" if math.isfinite(r.rpm[one.flash]) else "speed unknown"
    advance = f"{r.advance_deg[one.flash]:.2f}°" if math.isfinite(r.advance_deg[one.flash]) else "no reading"
    first = f"{advance} at {rpm}, frame {r.frame[one.flash]}"
    # Two lines always, so that pictures in a row stand level.
    return f"{first}\n{one.worst}" if one.worst else f"{first}\n"


def _worst_words(m: Measurement, flash: int, off_deg: np.ndarray) -> str:
    off = f"{off_deg[flash]:.1f}° off" if math.isfinite(off_deg[flash]) else "not read"
    reason = "" if m.readings.used[flash] else f": {m.readings.reason[flash]}"
    return textwrap.shorten(off + reason, CAPTION_CHARACTERS, placeholder=" …")


def _off_curve(m: Measurement) -> np.ndarray:
    r, c = m.readings, m.curve
    if len(c.grid_rpm) == 0:
        return np.full(len(r), np.nan)
    return np.abs(r.advance_deg - np.interp(r.rpm, c.grid_rpm, c.grid_advance_deg))


def _speed_key(m: Measurement, flash: int) -> float:
    rpm = float(m.readings.rpm[flash])
    return rpm if math.isfinite(rpm) else math.inf
