"""Flashes that show a part of the rotor, each found from the ones before it."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.seeing.angles import turned
from timingcam.seeing.chain import SURELY_ALIKE, chained_turns

N_ROWS, N = 12, 720
OPEN_DEG = 15.0  # to either side: a hole


def rotor(letters: bool, seed: int = 4) -> np.ndarray:
    """Marks 24 and 8 degrees apart, alike but for what stands below them; and faint texture."""
    rng = np.random.default_rng(seed)
    light = 0.02 * rng.standard_normal((N_ROWS, N))
    angle = np.arange(N) * 360 / N
    for k, deg in enumerate((180.0, 188.0, 212.0)):
        light[:8] += np.exp(-(((angle - deg) / 0.8) ** 2))
        if letters:
            # Four strokes, each here or there, as no other mark has them.
            strokes = deg + 2.5 * np.array([(1, -1, 0, 1), (-1, 0, 1, -1), (0, 1, -1, 0)][k])
            light[8:] -= np.exp(-(((angle - strokes[:, None]) / 1.2) ** 2))
    return light


def seen(light: np.ndarray, degs: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Strips through a hole about 180 degrees, with noise."""
    rng = np.random.default_rng(0)
    known = np.broadcast_to(np.abs(np.arange(N) * 360 / N - 180.0) < OPEN_DEG, light.shape)
    strips = [
        (turned(light.astype(np.float32), float(d)) + 0.03 * rng.standard_normal(light.shape)) * known for d in degs
    ]
    return strips, [known.copy() for _ in degs]


def off_deg(degs: np.ndarray, letters: bool = True, alike: float = SURELY_ALIKE) -> np.ndarray:
    """How far each turn is off, but for what all are; NaN where there is none."""
    turns = chained_turns(*seen(rotor(letters), degs), alike)
    found = np.array([np.nan if t is None else t.deg for t in turns])
    return found - degs - np.nanmedian(found - degs)


def test_marks_that_come_and_go_are_followed() -> None:
    """From 32 degrees to 8 and back: at either end another mark is seen, and none at both."""
    degs = -np.concatenate([np.full(6, 8.0), np.linspace(8, 32, 12), np.full(6, 32.0), np.linspace(32, 8, 9)])
    off = off_deg(degs)
    # To a part of a column, half a degree.
    assert np.isfinite(off).all() and np.abs(off).max() < 0.25


@pytest.mark.parametrize("jump_deg", [3.0, 10.0])
def test_a_step_within_the_hole_is_followed(jump_deg: float) -> None:
    degs = -np.concatenate([np.full(5, 12.0), np.full(5, 12.0 + jump_deg)])
    off = off_deg(degs)
    assert np.isfinite(off).all() and np.abs(off).max() < 0.25


def test_no_strip_no_turn() -> None:
    assert chained_turns([], []) == []


@pytest.mark.parametrize("jump_deg", [4.0, 9.0])
def test_a_wide_step_of_speed_is_crossed_where_one_place_alone_looks_alike(jump_deg: float) -> None:
    degs = -np.concatenate([np.full(6, 8.0), np.linspace(8 + jump_deg, 32, 12)])
    rate_hz = np.concatenate([np.full(6, 11.0), np.linspace(18, 40, 12)])
    turns = chained_turns(*seen(rotor(letters=True), degs), SURELY_ALIKE, rate_hz)
    found = np.array([np.nan if t is None else t.deg for t in turns])
    off = found - degs - np.nanmedian(found - degs)
    assert np.isfinite(off).all() and np.abs(off).max() < 0.25


def test_across_a_wide_step_one_mark_is_not_taken_for_the_next() -> None:
    """No letters, and the marks move by as much as two of them are apart: laid mark on mark they would look alike."""
    degs = -np.concatenate([np.full(6, 10.0), np.full(6, 18.0)])
    rate_hz = np.concatenate([np.full(6, 11.0), np.full(6, 18.0)])
    strips = seen(rotor(letters=False), degs)
    near = [np.nan if t is None else t.deg for t in chained_turns(*strips, SURELY_ALIKE)]
    across = [np.nan if t is None else t.deg for t in chained_turns(*strips, SURELY_ALIKE, rate_hz)]
    right = np.abs(np.diff(degs[[0, -1]]))[0]
    moved = abs(across[-1] - across[0])
    assert np.isnan(moved) or moved == pytest.approx(right, abs=0.5)
    assert np.isfinite(near).all()  # without the speed it is taken, right or wrong
