"""Whether the rotor stands still while a strobe of its own rate flashes, or is recognised seldom or where it stands so.

In:  the turns and times of all flashes, the view, the place's own light.
Out: a refusal.
Not here: a rotor that turns out of step with the flashes (`naming.py`).

A rotor that turns is a blur in the light of the place. One that stands still shows the same marks there as in every
flash. An engine that idles smoothly shows one angle too, but never sparks as evenly as an oscillator.
"""

from __future__ import annotations

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import fits, read_turn
from timingcam.seeing.cells import telling_cells
from timingcam.seeing.evenness import AS_EVEN
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight
from timingcam.seeing.readout import NOT_RECOGNISED, TWO_ANGLES, FlashTurns
from timingcam.seeing.register import register
from timingcam.seeing.second_look import ELSEWHERE
from timingcam.seeing.strips import make_sampler, read_strip
from timingcam.seeing.view import View

WITHIN_SDS = 4.0  # of a turn, from the 5th to the 95th of a hundred: 3.3 if they differ by their noise alone
SAME_DEG = 1.0  # our choice: nearer than two marks are
FEWEST = 6
# Our choice, degrees: less than an advancer moves the spark; of the logarithm of rates, a speed and the next; how often
# flashes are read at other speeds over how often at theirs.
ONE_ANGLE_DEG, OTHER_RATE, SELDOM = 3.0, 0.05, 0.33
LEAST_SHARE = 1 / 3  # our choice: of clips that were measured right, the worst had over two fifths


def refuse_no_engine(view: View, turns: FlashTurns, flashes: Flashes, light: FlashLight) -> None:
    """Refuse a clip of an engine that does not run, and one whose rotor is hardly recognised.

    Raises
    ------
    CannotMeasure
        If so.
    """
    refuse_standstill(view, turns, flashes, light)
    refuse_hardly_recognised(turns, flashes)


def refuse_standstill(view: View, turns: FlashTurns, flashes: Flashes, light: FlashLight) -> None:
    """Refuse a clip of an engine that does not run.

    Raises
    ------
    CannotMeasure
        If all flashes show one angle, come more evenly than an engine's, and the place's own light shows it too.
    """
    read = np.isfinite(turns.turn_deg)
    if light.ambient is None or read.sum() < FEWEST:
        return
    low, usual_deg, high = np.percentile(turns.turn_deg[read], [5, 50, 95])
    gaps_s = np.diff(flashes.time_s)
    uneven = 1.4826 * float(np.median(np.abs(gaps_s - np.median(gaps_s)))) / float(np.median(gaps_s))
    if high - low > WITHIN_SDS * np.median(turns.turn_sd_deg[read]) or uneven > AS_EVEN:
        return
    seen_deg = _by_the_place(view, light.ambient)
    if seen_deg is not None and abs((seen_deg - usual_deg + 180) % 360 - 180) < SAME_DEG:
        raise CannotMeasure(
            found="a rotor that stands still: the light of the place shows it as every flash does, at one angle",
            expected="an engine that runs, and a strobe that flashes at its sparks",
            do="start the engine, with the strobe's pickup on the cylinder's plug lead, and film again",
        )


def refuse_hardly_recognised(turns: FlashTurns, flashes: Flashes) -> None:
    """Refuse a clip whose rotor is recognised in few flashes, or at one angle and hardly ever elsewhere.

    Raises
    ------
    CannotMeasure
        If so.
    """
    refuse_seldom_recognised(turns)
    refuse_one_angle(turns, flashes)


def refuse_seldom_recognised(turns: FlashTurns) -> None:
    """Refuse a clip of which most flashes do not show what was taken for the rotor.

    What is read in the others may be anything that looks alike.

    Raises
    ------
    CannotMeasure
        If so.
    """
    read, asked = _read_of_asked(turns)
    if asked.sum() < FEWEST or read.sum() >= LEAST_SHARE * asked.sum():
        return
    raise CannotMeasure(
        found=f"a rotor that is recognised in {read.sum()} of {asked.sum()} flashes that show enough of it",
        expected="the same marks and bolts in most of them",
        do="film nearer and with a steadier hand, with the whole rotor in view and in focus, and with less light from "
        "elsewhere, so that each flash shows more of it",
    )


def refuse_one_angle(turns: FlashTurns, flashes: Flashes) -> None:
    """Refuse a clip whose rotor is recognised at one angle, at some speeds and hardly ever at others.

    What stands still before it looks alike there: it was taken for the rotor, and what is read elsewhere is read by
    that. An advancer that sticks is recognised at all speeds.

    Raises
    ------
    CannotMeasure
        If so.
    """
    read, asked = _read_of_asked(turns)
    if read.sum() < FEWEST or np.ptp(np.percentile(turns.turn_deg[read], [10, 90])) > ONE_ANGLE_DEG:
        return
    rate = np.log(flashes.rate_hz())
    low, high = np.percentile(rate[read], [10, 90])
    elsewhere = (rate < low - OTHER_RATE) | (rate > high + OTHER_RATE)
    there, here = asked & elsewhere, asked & ~elsewhere
    if there.sum() < FEWEST or read[there].mean() > SELDOM * read[here].mean():
        return
    raise CannotMeasure(
        found=f"a rotor that is recognised at one angle only: at other speeds {read[there].sum()} of {there.sum()} "
        "flashes could be read",
        expected="marks that are recognised at all speeds",
        do="film nearer and with a steadier hand, so that each flash shows the marks, and hold idle and other speeds "
        "for some seconds each; paint the marks if the rotor shows little else",
    )


def _read_of_asked(turns: FlashTurns) -> tuple[np.ndarray, np.ndarray]:
    """Which flashes were read, and which of all showed enough of the rotor to look alike."""
    read = np.isfinite(turns.turn_deg)
    return read, read | np.isin(turns.reason, (NOT_RECOGNISED, TWO_ANGLES, ELSEWHERE))


def _by_the_place(view: View, ambient: np.ndarray) -> float | None:
    """The angle at which the place's own light shows the rotor, degrees; None where it is a blur."""
    picture, rows = np.sqrt(ambient), (0, len(ambient) - 1)
    shift = register(view.reference, picture, rows)
    if shift is None:
        return None
    strip, known = read_strip(make_sampler(view.rotor.grid, view.pose, view.shown), picture, shift, rows)
    turn = read_turn(view.rotor, telling_cells(view.rotor), strip, known)
    return turn.deg if turn is not None and fits(turn) else None
