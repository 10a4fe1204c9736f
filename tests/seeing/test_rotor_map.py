"""The rotor's map from flashes that show a part of it each, of rotors that look alike at several angles."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_strips import add_line, ground

from timingcam.seeing.angles import Turn, fits, turned
from timingcam.seeing.cells import telling_cells
from timingcam.seeing.rim import turns_of
from timingcam.seeing.rotor_map import _joined, build_map, map_of, widest_arc_deg
from timingcam.seeing.strips import Grid

GRID = Grid(np.linspace(0.5, 1.0, 48), 1024)
GRID_SHAPE = (len(GRID.radii), GRID.n_angles)
CENTRE_SD = 0.003
ALIKE = (0.0, 9.0, 33.0)  # marks of one cylinder; the other's stand half a turn on
OWN = (20.0, 24.0)  # what one side alone has, a letter for instance


def twin() -> np.ndarray:
    """A twin's rotor: both cylinders' marks spaced alike, six holes alike, and little that only one side has."""
    light = 0.15 * ground(GRID, seed=3)
    for half in (0.0, 180.0):
        for deg in ALIKE:
            add_line(light, GRID, -100.0 + half + deg, (0.7, 0.97))
    for hole in range(6):
        add_line(light, GRID, 15.0 + 60.0 * hole, (0.55, 0.75), light=-0.3)
    for deg in OWN:
        add_line(light, GRID, -100.0 + deg, (0.6, 0.72), light=0.6)
    return light


def bands(light: np.ndarray, turns_deg: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """One flash after the other lights the upper part of the picture, the lower, and now and then some of both."""
    rng = np.random.default_rng(8)
    angle = GRID.angles_rad()
    middles = -np.pi / 2 + np.radians([0.0, 180.0, 50.0, 180.0, -50.0])
    strips, knowns = [], []
    for k, deg in enumerate(turns_deg):
        away = np.abs(np.angle(np.exp(1j * (angle - middles[k % 5]))))
        known = np.broadcast_to(away < np.radians(80.0), light.shape)
        strip = turned(light, float(deg)) + 0.05 * rng.standard_normal(light.shape)
        strips.append((strip * known).astype(np.float32))
        knowns.append(known.copy())
    return strips, knowns


def poles() -> np.ndarray:
    """Six poles alike, two marks and a letter near one of them."""
    light = 0.25 * ground(GRID, seed=4)
    for pole in range(6):
        add_line(light, GRID, 15.0 + 60.0 * pole, (0.55, 0.75), light=-1.0, width_deg=9.0)
    for deg in (-100.0, -70.0, -60.0):
        add_line(light, GRID, deg, (0.75, 0.97), light=0.6)
    return light


def halves(light: np.ndarray, turns_deg: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The first half of the flashes lights a little more than the upper half of the picture, the other the lower."""
    rng = np.random.default_rng(8)
    angle = GRID.angles_rad()
    strips, knowns = [], []
    for k, deg in enumerate(turns_deg):
        middle = -np.pi / 2 if k < len(turns_deg) / 2 else np.pi / 2
        away = np.abs(np.angle(np.exp(1j * (angle - middle))))
        known = np.broadcast_to(away < np.radians(105.0), light.shape)
        strip = turned(light, float(deg)) + 0.05 * rng.standard_normal(light.shape)
        strips.append((strip * known).astype(np.float32))
        knowns.append(known.copy())
    return strips, knowns


def apart_deg(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    off = found - true
    return np.abs((off - np.median(off) + 180) % 360 - 180)


def test_a_twins_rotor_is_not_taken_half_a_turn_on() -> None:
    turns_deg = np.random.default_rng(1).uniform(0.0, 24.0, 40)
    strips, knowns = bands(twin(), turns_deg)
    rotor = build_map(GRID, strips, knowns, CENTRE_SD)
    turns = turns_of(rotor, strips, knowns)
    read = np.array([turn is not None and fits(turn) for turn in turns])
    degs = np.array([np.nan if turn is None else turn.deg for turn in turns])
    assert read.mean() > 0.9
    # A column of the strips is 0.35 degrees.
    assert apart_deg(degs[read], turns_deg[read]).max() < 0.36
    assert rotor.between_deg is not None


@pytest.mark.parametrize("off_deg", [60.0, 120.0, 180.0])
def test_one_side_of_a_rotor_laid_a_pole_off_the_other_is_brought_back(off_deg: float) -> None:
    """Flashes light the one side or the other, which share little but poles; on each side they agree."""
    light = poles()
    turns_deg = np.random.default_rng(5).uniform(0.0, 24.0, 30)
    seen = halves(light, turns_deg)
    laid = turns_deg + np.where(np.arange(30) < 15, 0.0, off_deg)
    turns: list[Turn | None] = [Turn(float(deg), 0.05, 0.9, 0.3, 0.6, 0.9) for deg in laid]
    # The strobe follows the engine: where the rotor stands goes with the speed.
    joined = _joined(turns, map_of(GRID, seen[0][0], seen[1][0], CENTRE_SD), seen, 10.0 + turns_deg)
    assert joined is not None
    read = np.array([turn is not None and fits(turn) for turn in joined[1]])
    degs = np.array([np.nan if turn is None else turn.deg for turn in joined[1]])
    assert read.mean() > 0.9
    assert apart_deg(degs[read], turns_deg[read]).max() < 0.36


def test_sides_that_stand_otherwise_at_one_speed_are_not_joined() -> None:
    """With few features in common they may be laid anywhere: the one side's flashes then seem advanced by as much."""
    turns_deg = np.random.default_rng(5).uniform(0.0, 24.0, 30)
    seen = halves(poles(), turns_deg)
    faster = np.where(np.arange(30) < 15, 0.0, 6.0)
    turns: list[Turn | None] = [Turn(float(deg), 0.05, 0.9, 0.3, 0.6, 0.9) for deg in turns_deg + 20 * faster]
    begins = map_of(GRID, seen[0][0], seen[1][0], CENTRE_SD)
    assert _joined(turns, begins, seen, 10.0 + turns_deg) is not None
    assert _joined(turns, begins, seen, 10.0 + turns_deg + faster) is None


def test_flashes_that_lie_together_have_nothing_to_be_joined_to() -> None:
    turns_deg = np.random.default_rng(5).uniform(0.0, 24.0, 30)
    seen = halves(poles(), turns_deg)
    turns: list[Turn | None] = [Turn(float(deg), 0.05, 0.9, 0.3, 0.6, 0.9) for deg in turns_deg]
    turns[3] = Turn(100.0, 0.05, 0.9, 0.3, 0.6, 0.9)  # a lone one is no side of a rotor
    assert _joined(turns, map_of(GRID, seen[0][0], seen[1][0], CENTRE_SD), seen, 10.0 + turns_deg) is None


def test_a_strobe_at_a_rate_of_its_own_shows_the_rotor_all_round() -> None:
    """What holds sparks together is no reason to see it near one place where it is not."""
    turns_deg = np.random.default_rng(2).uniform(-180.0, 180.0, 40)
    strips, knowns = bands(twin(), turns_deg)
    rotor = build_map(GRID, strips, knowns, CENTRE_SD)
    found = [turn for turn in turns_of(rotor, strips, knowns) if turn is not None and fits(turn)]
    assert widest_arc_deg(np.array([turn.deg for turn in found])) > 180.0
    assert not rotor.surely


def test_cells_look_where_their_map_says() -> None:
    strips, knowns = bands(twin(), np.zeros(3))
    rotor = build_map(GRID, strips, knowns, CENTRE_SD)
    cells = telling_cells(rotor)
    assert (cells.between_deg, cells.surely) == (rotor.between_deg, rotor.surely)
    assert cells.some(np.arange(5)).between_deg == cells.between_deg


@pytest.mark.parametrize(
    ("degs", "arc"), [([0.0, 10.0, 20.0], 20.0), ([350.0, 10.0], 20.0), ([*np.linspace(0, 9, 19), 200.0], 9.0)]
)
def test_the_arc_that_holds_nine_in_ten(degs: list[float], arc: float) -> None:
    assert widest_arc_deg(np.array(degs)) == pytest.approx(arc, abs=0.6)


def test_flashes_smeared_at_full_advance_are_not_drawn_to_one_another() -> None:
    """A long flash smears a fast rotor: what the map leaves of that stands where most flashes show it, and is no thing
    that stands still."""
    rng = np.random.default_rng(6)
    light, jitter_deg = poles() + 0.5 * twin(), 0.5 * rng.standard_normal(24)
    degs = np.concatenate([np.linspace(0.0, 20.0, 8), 24.0 + jitter_deg])
    smeared = np.mean([turned(light, float(deg)) for deg in np.linspace(-4.0, 4.0, 9)], axis=0)
    strips = [turned(light if deg < 21.0 else smeared, float(deg)) for deg in degs]
    strips = [(strip + 0.05 * rng.standard_normal(strip.shape)).astype(np.float32) for strip in strips]
    knowns = [np.ones(GRID_SHAPE, bool)] * len(degs)
    turns = turns_of(build_map(GRID, strips, knowns, CENTRE_SD), strips, knowns)
    found = np.array([np.nan if turn is None else turn.deg for turn in turns])[8:]
    # With the smear taken for what stands still it is 0.78.
    assert np.polyfit(jitter_deg, found, 1)[0] == pytest.approx(1.0, abs=0.15)


def test_a_map_begun_by_a_hand_over_the_rotor_is_begun_again() -> None:
    """A hand crosses the view for a third of the clip, and the flashes that light most show it: against each other
    they look alike, and no other flash looks like them."""
    rng = np.random.default_rng(4)
    light = 0.15 * ground(GRID, seed=3)
    for deg in (-100.0, -92.0, -68.0, 40.0, 170.0):
        add_line(light, GRID, deg, (0.6, 0.97))
    hand = ground(GRID, seed=5)
    for deg in (-150.0, -120.0, -85.0, -60.0):
        add_line(hand, GRID, deg, (0.5, 1.0), light=0.2, width_deg=8.0)
    away = np.abs((np.degrees(GRID.angles_rad()) + 100.0 + 180.0) % 360.0 - 180.0)
    turns_deg = rng.uniform(0.0, 24.0, 36)
    strips, knowns = [], []
    for k, deg in enumerate(turns_deg):
        crossed = 12 <= k < 24
        strip = turned(light, float(deg)) + 0.05 * rng.standard_normal(light.shape)
        covers = turned(hand, 1.5 * (k - 12))
        strip = np.where((away < 90.0)[None, :] & crossed, covers, strip)
        known = np.broadcast_to(away < (180.1 if crossed else 150.0), light.shape)
        strips.append((strip * known).astype(np.float32))
        knowns.append(known.copy())
    rotor = build_map(GRID, strips, knowns, CENTRE_SD)
    turns = turns_of(rotor, strips, knowns)
    free = np.array([not 12 <= k < 24 for k in range(len(turns))])
    degs = np.array([np.nan if turn is None or not fits(turn) else turn.deg for turn in turns])
    assert np.isfinite(degs[free]).mean() > 0.9
    good = free & np.isfinite(degs)
    assert apart_deg(degs[good], turns_deg[good]).max() < 0.36
