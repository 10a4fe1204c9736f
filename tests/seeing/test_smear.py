"""Long flashes: how long they are told to be, strips smeared alike, and the error of the angle that this takes away."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from made_light import Camera, light, swept_flashes

from timingcam.seeing.angles import read_turn
from timingcam.seeing.bands import find_bands
from timingcam.seeing.cells import OWN_AND_ANOTHER, telling_cells
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.flashes import Flashes, find_flashes
from timingcam.seeing.rotor_map import build_map
from timingcam.seeing.smear import MOST_DEG, common_smear_deg, least_smeared, smear_deg_per_hz, smeared_to
from timingcam.seeing.strips import Grid

GRID = Grid(np.linspace(0.6, 0.97, 24), 1024)
ALL = np.ones((24, 1024), bool)
AT_DEG = np.arange(1024) * GRID.step_deg
CAMERA = Camera()
MARKS_DEG = ((180.0, 1.6), (172.0, 1.6), (148.0, 1.2), (150.5, 1.2))  # where, how broad


def flashes_of(length_s: float) -> Flashes:
    flash_s = swept_flashes(CAMERA)
    frame_s = CAMERA.frame_s
    clock = FrameClock(frame_s, 1 / CAMERA.fps, 0.0, True)
    return find_flashes(find_bands(light(CAMERA, flash_s, length_s, noise=0.002)), clock, CAMERA.line_s)


@pytest.mark.parametrize("length_s", [100e-6, 200e-6, 350e-6, 500e-6])
def test_length_of_a_flash(length_s: float) -> None:
    """By its edges' rows, to half of one: the scene's own light changes by a part of the edge's height on a ramp."""
    told = flashes_of(length_s)
    assert told.length_s == pytest.approx(length_s, abs=0.5 * CAMERA.line_s)
    # One spark in two turns: at 25 flashes a second, 3000 rpm, 18 degrees a millisecond.
    assert 25 * smear_deg_per_hz(told, 2.0) == pytest.approx(18e3 * told.length_s)


def test_a_short_flash_is_a_row_long() -> None:
    assert flashes_of(5e-6).length_s == pytest.approx(CAMERA.line_s, rel=0.1)
    assert smear_deg_per_hz(replace(flashes_of(100e-6), length_s=None), 2.0) == 0.0


@given(st.floats(0.2, 7.0), st.floats(0.2, 7.5), st.floats(2.0, 6.0), st.floats(30.0, 330.0))
@settings(deadline=None, max_examples=60)
def test_what_is_smeared_more_has_the_smear_asked_for(own: float, to: float, broad: float, at: float) -> None:
    """The mean square about its middle grows by a twelfth of the difference of squares, and the middle stays."""
    near = np.exp(-0.5 * ((AT_DEG - at) / (broad / 2)) ** 2).astype(np.float32)
    strip, known = smeared_to(np.tile(near, (24, 1)), ALL, GRID, own, to)
    assert known.all()

    def moments(row: np.ndarray) -> tuple[float, float]:
        middle = float((row * AT_DEG).sum() / row.sum())
        return middle, float((row * (AT_DEG - middle) ** 2).sum() / row.sum())

    before, after = moments(near.astype(float)), moments(strip[7].astype(float))
    assert after[0] == pytest.approx(before[0], abs=1e-3)
    # Cut off at three sds, a normal curve has 3 % less; an sd under three tenths of a cell is left out.
    added = max(0.0, (to**2 - own**2) / 12)
    assert after[1] - before[1] == pytest.approx(added, abs=0.04 * added + (0.3 * GRID.step_deg) ** 2 + 1e-3)


def test_nothing_comes_in_from_beside_what_is_known() -> None:
    """Where the lit rows end, what is smeared would be half of nothing: those cells are not known afterwards."""
    known = ALL.copy()
    known[:, 400:700] = False
    strip = np.where(known, 1.0, 50.0).astype(np.float32)
    out, still_known = smeared_to(strip, known, GRID, 1.0, 6.0)
    assert np.allclose(out[still_known], 1.0, atol=0.02) and np.all(out[~still_known] == 0)
    sd_cells = np.sqrt((6.0**2 - 1.0) / 12) / GRID.step_deg
    lost = int((known & ~still_known)[0].sum())
    assert 2 * sd_cells < lost < 2 * 3.1 * sd_cells  # two sides, two to three sds each


def test_the_least_smeared_show_marks_that_lie_close() -> None:
    """All where none is smeared much; else a third at least, and all that keep the marks' shape."""
    assert least_smeared(np.array([0.1, 0.9, 1.4])).all()
    assert np.array_equal(
        least_smeared(np.array([6.0, 2.0, 4.0, 8.0, 2.5, 5.0])), [False, True, False, False, True, False]
    )
    assert np.array_equal(least_smeared(np.array([0.4, 1.2, 1.4, 1.5, 3.0])), [True, True, True, True, False])


def test_strips_that_are_smeared_as_much_already_stay() -> None:
    strip = np.random.default_rng(1).standard_normal(ALL.shape).astype(np.float32)
    for own, to in ((5.0, 5.0), (9.0, 8.0), (3.0, 0.0), (float("nan"), 5.0), (0.0, 0.2)):
        same, known = smeared_to(strip, ALL, GRID, own, to)
        assert same is strip and known is ALL


def test_common_smear() -> None:
    assert common_smear_deg(np.array([0.2, 0.7, 1.4])) == 0.0  # flashes of 20 µs, 5000 rpm: left as they are
    assert common_smear_deg(np.array([2.0, 5.0, np.nan, 3.0])) == 5.0
    assert common_smear_deg(np.array([4.0, 15.0])) == MOST_DEG
    assert common_smear_deg(np.zeros(0)) == 0.0


@pytest.mark.parametrize("seed", [0])
def test_a_long_flash_does_not_move_the_angle(seed: int) -> None:
    """200 µs from 1350 to 5000 rpm, 1.6 to 6 degrees of smear, most of them at full advance.

    Left as they are, fast and slow flashes are read up to 0.25 degrees apart. Smeared alike, a twentieth is left: the
    budget's hundredth of the smear.
    """
    rng = np.random.default_rng(seed)
    rpm = np.concatenate(
        [np.full(8, 1350.0), np.linspace(1400, 3700, 20), np.linspace(3700, 5000, 40), np.full(20, 5e3)]
    )
    advance = np.interp(rpm, [1900, 3700], [8, 32]) + 0.2 * rng.standard_normal(len(rpm))
    own_deg = 6 * rpm * 200e-6
    face = _face(rng)
    plain = [
        (_lit(face, deg, smear) + 0.02 * rng.standard_normal(ALL.shape)).astype(np.float32)
        for deg, smear in zip(advance, own_deg, strict=True)
    ]
    alike = [
        smeared_to(s, ALL, GRID, smear, common_smear_deg(own_deg))[0] for s, smear in zip(plain, own_deg, strict=True)
    ]

    def apart(strips: list[np.ndarray]) -> float:
        rotor = build_map(GRID, strips, [ALL] * len(strips), 0.003, rate_hz=rpm / 120)
        cells = telling_cells(rotor, OWN_AND_ANOTHER)
        turns = [read_turn(rotor, cells, strip, ALL) for strip in strips]
        error = np.array([np.nan if turn is None else turn.deg for turn in turns]) - advance
        return float(abs(np.nanmean(error[-20:]) - np.nanmean(error[:8])))

    assert apart(alike) < 0.01 * own_deg.max()
    assert apart(alike) < apart(plain)


def _face(rng: np.random.Generator) -> np.ndarray:
    """A rotor's face, 16 columns to one of the strip: broad texture, four marks on its outer half."""
    fine = np.arange(16 * 1024) * GRID.step_deg / 16
    waves = np.arange(1, 160)
    phase = rng.uniform(0, 2 * np.pi, (len(ALL), 159, 1))
    texture = sum(np.cos(k * np.radians(fine)[None] + phase[:, k - 1]) / np.sqrt(k) for k in waves)
    face = 0.03 * np.asarray(texture)
    for at, broad in MARKS_DEG:
        face[12:, np.abs(fine - at) < broad / 2] += 0.6
    return face


def _lit(face: np.ndarray, deg: float, smear_deg: float) -> np.ndarray:
    """As a flash shows it that lasts while it turns by so much, its middle at an angle."""
    wave = np.fft.rfftfreq(face.shape[1], 1 / face.shape[1])
    series = np.fft.rfft(face, axis=1) * np.exp(-1j * wave * np.radians(deg)) * np.sinc(wave * smear_deg / 360)
    return np.fft.irfft(series, face.shape[1], axis=1).reshape(len(face), 1024, 16).mean(axis=2)
