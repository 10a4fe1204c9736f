"""A map begun by flashes of one speed: slices of a rotor with holes alike, on either side of a steep rise."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_strips import add_line, ground

from timingcam.seeing.angles import Turn, fits, turned
from timingcam.seeing.map_rounds import map_of
from timingcam.seeing.one_speed import _onwards, from_one_speed
from timingcam.seeing.rotor_map import _most_fit, _thin, build_map
from timingcam.seeing.sides import AGREED_DEG, WIDEST_DEG, alike_in_speed
from timingcam.seeing.strips import Grid

GRID = Grid(np.linspace(0.5, 1.0, 48), 1024)
CENTRE_SD = 0.003
N = 72
COLUMN_DEG = 360.0 / 1024
# Half of the flashes at full advance; the others on the rise, and at idle.
RATE_HZ = np.concatenate([np.geomspace(45.0, 46.5, 36), np.geomspace(16.0, 44.0, 22), np.geomspace(10.8, 11.0, 14)])


def advanced(rate_hz: np.ndarray) -> np.ndarray:
    """Where the rotor stands: 22 degrees less far back at speed than at idle."""
    return np.interp(np.log(rate_hz), np.log([15.0, 40.0]), [22.0, 0.0])


def holes() -> np.ndarray:
    """Six holes alike, and a line, a letter or a scratch here and there."""
    light = 0.15 * ground(GRID, seed=4)
    for hole in range(6):
        add_line(light, GRID, 15.0 + 60.0 * hole, (0.55, 0.75), light=-0.6, width_deg=9.0)
    rng = np.random.default_rng(3)
    for deg in rng.uniform(0.0, 360.0, 26):
        add_line(light, GRID, float(deg), (0.75, 0.97), light=0.5)
    return light


def slices(turns_deg: np.ndarray, high: float = 0.3) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Each flash lights some rows of the picture, here and there; `high` of the rotor's radius."""
    rng = np.random.default_rng(8)
    row = GRID.radii[:, None] * np.sin(GRID.angles_rad())[None, :]
    light, strips, knowns = holes(), [], []
    for deg, first in zip(turns_deg, rng.uniform(-0.9, 0.6, len(turns_deg)), strict=True):
        known = (row > first) & (row < first + high)
        strip = turned(light, float(deg)) + 0.05 * rng.standard_normal(light.shape)
        strips.append((strip * known).astype(np.float32))
        knowns.append(known)
    return strips, knowns


def off_deg(turns: list[Turn | None], turns_deg: np.ndarray) -> np.ndarray:
    """How far the turns that fit are off, from where most are."""
    found = np.array([np.nan if turn is None or not fits(turn) else turn.deg for turn in turns]) - turns_deg
    return np.abs(found - np.nanmedian(found))


def begun(seen: tuple[list[np.ndarray], list[np.ndarray]], rate_hz: np.ndarray) -> list[Turn | None]:
    return from_one_speed(map_of(GRID, seen[0][0], seen[1][0], CENTRE_SD), seen, rate_hz)[1]


@pytest.mark.parametrize("between", [True, False], ids=["all speeds", "idle and full speed only"])
def test_slices_are_laid_together_speed_by_speed(between: bool) -> None:
    which = np.ones(N, bool) if between else (RATE_HZ > 24.0) | (RATE_HZ < 12.0)
    turns_deg = advanced(RATE_HZ)[which] + 0.1 * np.random.default_rng(2).standard_normal(int(which.sum()))
    turns = begun(slices(turns_deg), RATE_HZ[which])
    off = off_deg(turns, turns_deg)
    assert np.isfinite(off).mean() > 0.9
    # None lies a hole off; and all to a column.
    assert np.nanmax(off) < COLUMN_DEG


def test_the_map_is_begun_so_where_flashes_show_slices() -> None:
    turns_deg = advanced(RATE_HZ)
    strips, knowns = slices(turns_deg)
    assert _thin(knowns) and not _thin(slices(turns_deg, high=2.0)[1])
    rotor = build_map(GRID, strips, knowns, CENTRE_SD, rate_hz=RATE_HZ)
    assert rotor.surely and rotor.between_deg is not None
    low, high = rotor.between_deg
    assert low < 0.0 < 22.0 < high < low + 90.0


def test_a_strobe_at_a_rate_of_its_own_makes_no_map_so() -> None:
    """Its flashes come at one speed and show the rotor all round: as they stand they are no rotor."""
    turns_deg = np.random.default_rng(2).uniform(-180.0, 180.0, N)
    seen = slices(turns_deg)
    assert not _most_fit(begun(seen, np.full(N, 12.0) + np.linspace(0.0, 0.1, N)), seen[1])


def test_where_nothing_looks_alike_none_is_told() -> None:
    rng = np.random.default_rng(7)
    knowns = slices(np.zeros(N))[1]
    strips = [(0.3 * rng.standard_normal(known.shape) * known).astype(np.float32) for known in knowns]
    seen = strips, knowns
    assert not _most_fit(begun(seen, RATE_HZ), knowns)


def test_where_none_fits_in_the_end_there_is_no_arc_to_look_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "timingcam.seeing.one_speed.settled", lambda rotor, seen, turns, only_near: (rotor, [None] * len(turns))
    )
    seen = slices(advanced(RATE_HZ))
    rotor, turns = from_one_speed(map_of(GRID, seen[0][0], seen[1][0], CENTRE_SD), seen, RATE_HZ)
    assert not any(turns) and rotor.between_deg is None


def test_an_advancer_moves_one_way() -> None:
    def at(degs: list[float]) -> list[Turn | None]:
        return [Turn(deg, 0.1, 0.9, 0.2, 0.9, 0.9) for deg in degs]

    nearest = np.arange(6.0)
    assert _onwards(at([11.0] * 6), nearest) == (11.0 - AGREED_DEG, WIDEST_DEG)
    assert _onwards(at([-11.0] * 6), nearest) == (-WIDEST_DEG, -11.0 + AGREED_DEG)
    assert _onwards(at([1.0] * 6), nearest) == (-WIDEST_DEG, WIDEST_DEG)
    # The five nearest say where they are; one that is far away does not.
    assert _onwards([None, *at([11.0, 11.0, 11.0, 11.0, 11.0, -40.0])], np.arange(7.0))[1] == WIDEST_DEG


def test_the_most_flashes_of_one_speed() -> None:
    assert (np.flatnonzero(alike_in_speed(RATE_HZ)) < 36 + 22).all()
    assert alike_in_speed(RATE_HZ)[:36].all()
