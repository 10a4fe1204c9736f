"""Ways to read the picture: which line could be the index, and what the marks and it would say.

In:  the maps, the ways to lay the marks, the user's hints.
Out: `Reading`s, the best first, and the one that is clearly best.
Not here: which lines could be the marks (`ways.py`); exact places (`placing.py`).

The index is a line that stands still near the marks, from which an engine's advance would be possible. Where two
readings are about as good, none is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.seeing.circle import wrap
from timingcam.seeing.lines import Line, find_lines
from timingcam.seeing.marks import OUTSIDE, Hints, Maps
from timingcam.seeing.rivals import borders, is_explained
from timingcam.seeing.ways import (
    CLEAR_A_RADIUS,
    DISTINCT_DEG,
    FEWEST_ROWS,
    RIVAL_SHARE,
    STRAY_SHARE,
    Way,
    is_plain_throughout,
    least_clear,
)

# Common practice, no source: sparks come between 5 degrees after and 55 before top dead centre.
PLAUSIBLE_ADVANCE_DEG = (-8.0, 58.0)
TOGETHER_DEG = 50.0  # our choice: further than an advancer moves the spark, with its scatter
SPEC_SLACK_DEG = 14.0  # our choice: a timing further off than this from the file is not taken without a hint
CLEAR_ENOUGH = 250.0  # a line this clear is as good as any
LEAST_FIT = 0.25  # of plausibility; beyond 16 degrees off the file's curve
EVEN_WITHIN_DEG = 3.0  # our choice: a pointer's tip
LEAST_EVEN = 0.1
# Our choice: about a short index; times the most that anything else there stands out; cells to say so.
HERE_DEG, PLAIN_HERE, FEWEST_ABOUT = 9.0, 3.0, 12
EVEN_ENOUGH = 0.8  # our choice, of a short index: a notch comes to 0.97 or more, what else is there to 0.66
LEAST_CLAIM = 0.2  # our choice: of the best; what looks much less like an index is none
CLEARLY_EVEN, MORE_EVEN = 0.7, 0.2  # our choice: sides that mirror each other; worth moving the line for
# Our choice: of the root of light, less than what is about it: a sixth of that is left, and more of most metal and
# paint, while in a shadow there is what other things throw back; in so much of its breadth, as others reach into it.
UNLIT, CORE_SHARE = -0.6, 0.25
LIT_WIDTHS = 1.5  # our choice: of a pointer's width, to either side of where it was seen: beyond, it is no pointer
BROAD_DEG = 5.0  # our choice: what is broader is a lug or a coil rather than an index
SAME_THING_DEG = 0.6
POINTED_WITHIN_DEG = 3.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the picture."""

    zero_deg: float
    index: Line
    lines: tuple[Line | None, ...]
    constellation: float
    index_score: float


def index_candidates(maps: Maps, hints: Hints) -> list[Line]:
    """Lines that stand still beside the rotor, near its rim.

    Only what shows outside of the rim counts: inside, the rotor's own marks stand still too while the speed is steady.
    """
    outside = maps.is_beside()
    lines = find_lines(maps.still[outside], maps.grid.some(outside), most=60)
    reach = _merged([line for line in lines if maps.may_be_index(line)])
    if hints.index_deg is None:
        least = least_clear(maps.still, CLEAR_A_RADIUS)
        long = [line for line in reach if line.score > least and not maps.toward_shaft]
        return [line for line in reach if line in long or (not maps.whole and _short_index(maps, line))]
    pointed = hints.index_deg
    near = [line for line in reach if abs(wrap(line.deg - pointed)) < POINTED_WITHIN_DEG]
    near.sort(key=lambda line: abs(wrap(line.deg - pointed)) - 0.01 * min(line.score, 100.0))
    return near[:1] or [Line(pointed, 1.5, OUTSIDE * maps.rim, 1.1 * maps.rim, 1, 4.0)]


def _short_index(maps: Maps, line: Line) -> bool:
    """Whether a line is short, as beside a hole little shows, but plain in each of its rows, or by what is about it,
    and even: an opening's own edge is plain, but not even, and texture is neither."""
    plain = is_plain_throughout(maps, line) or _is_plain_here(maps, line)
    return plain and _about_its_middle(maps, line)[1] > EVEN_ENOUGH


def _is_plain_here(maps: Maps, line: Line) -> bool:
    """Whether a line stands out from what is some degrees about it, at its radii: further round, the hole's own edges
    cross them."""
    radii, step = maps.grid.radii, maps.grid.step_deg
    rows = (radii >= line.inner) & (radii <= line.outer)
    if np.count_nonzero(rows) < FEWEST_ROWS:
        return False
    n_cells = round(HERE_DEG / step)
    here = maps.still[rows].mean(axis=0).take(round(line.deg / step) + np.arange(-n_cells, n_cells + 1), mode="wrap")
    wide = max(1, round(line.width_deg / step))
    smooth = np.convolve(here, np.ones(wide) / wide, mode="same")
    # A line is that much brighter, or darker, than what is beside it on both sides.
    response = smooth - 0.5 * (np.roll(smooth, 2 * wide) + np.roll(smooth, -2 * wide))
    off = np.abs(np.arange(-n_cells, n_cells + 1))
    about = response[(off > 4 * wide) & (off < n_cells - 3 * wide)]
    if len(about) < FEWEST_ABOUT:
        return False
    return abs(response[n_cells]) > PLAIN_HERE * float(np.abs(about).max())


def _merged(lines: list[Line]) -> list[Line]:
    """Lines at one angle are parts of one thing, a scribed line on a pointer for instance: the clearest, with all
    scores."""
    kept: list[Line] = []
    for line in lines:
        k = next((i for i, other in enumerate(kept) if abs(wrap(line.deg - other.deg)) < SAME_THING_DEG), None)
        if k is None:
            kept.append(line)
        else:
            other = kept[k]
            kept[k] = replace(other, score=other.score + line.score, inner=min(line.inner, other.inner))
    return kept


def readings_of(
    maps: Maps, zeros: list[Way], still: list[Line], engine: Engine,
    cylinder: str,
) -> list[Reading]:  # fmt: skip
    tdc = next(c.tdc_deg for c in engine.cylinder if c.name == cylinder)
    centred = _but_shadows(maps, [_about_its_middle(maps, line) for line in still])
    still = [line for line, _ in centred]
    claims = [_claim(line, maps) * max(LEAST_EVEN, even) for line, even in centred]
    result = []
    for zero, score, lines in zeros:
        for line, claim in zip(still, claims, strict=True):
            past = maps.sense * (maps.turns_deg + zero - line.deg)
            fit = _plausibility(np.asarray(wrap(tdc - past)), engine)
            # A screw's slot is no way out where the pointer itself shows what no engine has.
            if fit > LEAST_FIT and claim >= LEAST_CLAIM * max(claims):
                result.append(Reading(zero, line, lines, score, fit * claim))
    return sorted(result, key=lambda r: -(r.constellation + np.sqrt(r.index_score)))


def _claim(line: Line, maps: Maps) -> float:
    """How much a line beside the rotor looks like an index, whatever it would show."""
    near = float(np.exp(-((max(0.0, maps.gap(line)) / (maps.beside.usual * maps.rim)) ** 2)))
    slim = 1 / (1 + (line.width_deg / BROAD_DEG) ** 2)
    return near * slim * min(line.score, CLEAR_ENOUGH)


def _about_its_middle(maps: Maps, line: Line) -> tuple[Line, float]:
    """A line put where its sides mirror each other best, within its own width, and how well they do.

    What lies about a pointer, a screw or a shadow, draws the line that it makes to one side. A pointer's tip has two
    sides; further out a screw's slot or a glare on its body has more to say than its flanks, which lie further off.
    """
    step = 0.5 * 360.0 / maps.still.shape[1]
    reach = max(1, round(min(line.width_deg / 2, EVEN_WITHIN_DEG) / step))
    tries = line.deg + step * np.arange(-reach, reach + 1)
    parts = dict.fromkeys((line, maps.tip_of(line)))
    rows = [np.array([evenness_about(maps, float(deg), part) for deg in tries]) for part in parts]
    even = max(rows, key=np.max)
    best = int(np.argmax(even))
    if even[best] < CLEARLY_EVEN or even[best] < even[reach] + MORE_EVEN:
        return line, float(even[reach])
    return replace(line, deg=float(tries[best] % 360.0)), float(even[best])


def _but_shadows(maps: Maps, centred: list[tuple[Line, float]]) -> list[tuple[Line, float]]:
    """Lines beside the rotor without the shadows that others cast beside themselves, and how even each is.

    A pointer stands above the rotor, and the strobe aside of the camera: its shadow has its shape, stands out more than
    bright metal on metal does, and is black, which few things are. A pointer that has one has two sides only by what
    is brighter than about it.
    """
    found, shadows = [], set()
    for line, even in centred:
        cast = {dark for dark, _ in centred if _may_be_shadow_of(maps, dark, line)}
        middle_deg = _middle_of_the_bright(maps, line) if cast else None
        if middle_deg is None:
            found.append((line, line, even))
        else:
            found.append((line, replace(line, deg=middle_deg, shaded=True), max(even, CLEARLY_EVEN)))
            shadows |= cast
    return [(placed, even) for line, placed, even in found if line not in shadows]


def _middle_of_the_bright(maps: Maps, line: Line) -> float | None:
    """The middle of what is bright about a line, between the places where it falls to half; None where it goes on."""
    tip, n = maps.tip_of(line), maps.still.shape[1]
    rows = (maps.grid.radii >= tip.inner) & (maps.grid.radii <= tip.outer)
    reach = round(LIT_WIDTHS * line.width_deg / 360.0 * n)
    first = round(line.deg / 360.0 * n) - reach
    light = np.maximum(maps.still[rows].take(first + np.arange(2 * reach + 1), axis=1, mode="wrap"), 0.0).mean(axis=0)
    near = slice(reach // 2, 2 * reach + 1 - reach // 2)
    top = reach // 2 + int(np.argmax(light[near]))
    below = np.flatnonzero(light < 0.5 * light[top])
    left, right = below[below < top], below[below > top]
    if not len(left) or not len(right):
        return None
    ends = []
    for out, step in ((left[-1], 1), (right[0], -1)):
        part = (0.5 * light[top] - light[out]) / (light[out + step] - light[out])
        ends.append(out + step * part)
    return float((first + 0.5 * sum(ends)) / n * 360.0 % 360.0)


def _may_be_shadow_of(maps: Maps, dark: Line, line: Line) -> bool:
    """Whether a line is black, borders on a bright one, and is no broader than that."""
    if line.sign < 0 or not borders(dark, line) or dark.width_deg > line.width_deg:
        return False
    if _claim(line, maps) < LEAST_CLAIM * _claim(dark, maps):
        return False
    radii, cells_a_deg, tip = maps.grid.radii, maps.still.shape[1] / 360.0, maps.tip_of(dark)
    off = np.linspace(-0.5, 0.5, 9) * dark.width_deg
    within = _between(maps.still[(radii >= tip.inner) & (radii <= tip.outer)], (dark.deg + off) * cells_a_deg)
    return bool(np.quantile(within, CORE_SHARE) < UNLIT)


def evenness_about(maps: Maps, deg: float, line: Line) -> float:
    """How alike the sides of an angle are at the radii of a line beside the rotor, -1 to 1: a pointer, a scribed line
    or a notch has two that mirror each other; a pointer's flank, a casting's edge and an opening's rim have not."""
    radii = maps.grid.radii
    still = maps.still[(radii >= line.inner) & (radii <= line.outer)]
    cells_a_deg = still.shape[1] / 360.0
    off = np.arange(1, max(2, round(EVEN_WITHIN_DEG * cells_a_deg)) + 1)
    left, right = (_between(still, deg * cells_a_deg + sign * off) for sign in (-1, 1))
    # What is as dark or as bright all over has no sides.
    level = 0.5 * (left + right).mean(axis=1, keepdims=True)
    left, right = left - level, right - level
    power = float(np.sqrt((left**2).sum() * (right**2).sum()))
    return float((left * right).sum()) / power if power > 0 else 0.0


def _between(rows: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Light between the columns of rows that close into rings, shape (n_rows, n)."""
    low = np.floor(column).astype(int)
    part, n = column - low, rows.shape[1]
    return rows[:, low % n] * (1 - part) + rows[:, (low + 1) % n] * part


def _plausibility(advance: np.ndarray, engine: Engine) -> float:
    """1 where the advance that a reading implies is near the file's curve, 0 where no engine has it."""
    if not len(advance):
        return 0.0
    near = _lie_together(advance)
    low, high = np.percentile(advance[near] if near.mean() > 1 - STRAY_SHARE else advance, [3, 97])
    bottom, top = PLAUSIBLE_ADVANCE_DEG
    if low < bottom or high > top:
        return 0.0
    if engine.spec is None:
        return 1.0
    curve = [a for _, a in engine.spec.curve]
    off = max(0.0, min(curve) - low, high - max(curve))
    return float(np.exp(-((off / SPEC_SLACK_DEG) ** 2)))


def _lie_together(advance: np.ndarray) -> np.ndarray:
    """The most flashes that lie no further apart than any engine's, shape (n,) of bool."""
    ordered = np.sort(advance % 360.0)
    doubled = np.append(ordered, ordered + 360.0)
    held = np.searchsorted(doubled, ordered + TOGETHER_DEG, side="right") - np.arange(len(ordered))
    return np.asarray((advance - ordered[int(np.argmax(held))] + 1e-9) % 360.0 <= TOGETHER_DEG + 1e-9)


def best_reading(readings: list[Reading], hints: Hints, rim: float) -> Reading:
    best = readings[0]
    for rival in readings[1:]:
        same_zero = abs(wrap(rival.zero_deg - best.zero_deg)) < DISTINCT_DEG
        same_index = abs(wrap(rival.index.deg - best.index.deg)) < 1.0
        flank = borders(rival.index, best.index)
        if same_zero and not same_index and not flank and rival.index_score > RIVAL_SHARE * best.index_score:
            raise CannotMeasure(
                found="two lines beside the rotor that could be the index, "
                f"{abs(wrap(rival.index.deg - best.index.deg)):.0f} degrees apart",
                expected="one that is clearly the index",
                do="paint the index, or point at it with --index X,Y",
            )
        as_good = (
            rival.constellation > RIVAL_SHARE * best.constellation
            and rival.index_score > RIVAL_SHARE * best.index_score
        )
        explained = is_explained(best.lines, rival.lines, rim)
        if not same_zero and not hints.marks_deg and as_good and not explained:
            raise CannotMeasure(
                found="two ways to name the marks that fit about as well", expected="one that fits clearly better",
                do="paint the marks, or point at one with --mark NAME@X,Y",
            )  # fmt: skip
    return best
