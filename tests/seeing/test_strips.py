"""Pictures unwrapped to strips, and light that is evened out."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from photographs import Disc

from timingcam.seeing.pose import Pose, square_on
from timingcam.seeing.shift import Shift, no_shift
from timingcam.seeing.strips import (
    EVEN_OUT_DEG,
    Grid,
    even_out,
    make_grid,
    make_sampler,
    pattern_trust,
    recentred,
    unwrap,
)

CENTRE = np.array([150.0, 110.0])
GRID = Grid(np.linspace(0.4, 0.95, 24), 720)


def spokes(pose: Pose, size: tuple[int, int] = (300, 220)) -> np.ndarray:
    """A wheel whose light is 2 + the cosine of five times the angle on the rotor, plus its radius."""
    x, y = np.meshgrid(np.arange(size[0], dtype=float), np.arange(size[1], dtype=float))
    at = pose.to_plane(np.stack([x, y], axis=-1))
    return (2 + np.cos(5 * np.arctan2(at[..., 1], at[..., 0])) + np.hypot(at[..., 0], at[..., 1])).astype(np.float32)


@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.3, 0.2)], ids=["square-on", "tilted"])
def test_unwrapped_it_is_what_was_drawn(lean: tuple[float, float]) -> None:
    pose = Pose(CENTRE, 95.0, np.array(lean), 270.0, np.array([149.5, 109.5]))
    strip, known = unwrap(make_sampler(GRID, pose), spokes(pose), no_shift(CENTRE), (0, 219))
    expected = 2 + np.cos(5 * GRID.angles_rad())[None, :] + GRID.radii[:, None]
    assert known.all()
    # Linear between pixels: 1/8 of the second derivative, (5/38 px)² at the inmost radius; 1/32 px of OpenCV's steps.
    assert np.abs(strip - expected).max() < (5 / 38) ** 2 / 8 + 5 / 38 / 32 + 0.002


def test_a_shift_is_followed() -> None:
    """The whole picture moved, turned and grown: on the rotor nothing changed."""
    pose = Pose(CENTRE, 80.0, np.array([0.2, -0.1]), 270.0, np.array([149.5, 109.5]))
    shift = Shift(np.array([12.0, -7.0, 0.03, 0.1]), np.zeros((4, 4)), CENTRE, 0.0)
    back = np.linalg.inv(shift.matrix())
    x, y = np.meshgrid(np.arange(300.0), np.arange(220.0))
    at = pose.to_plane(np.stack([x, y], axis=-1) @ back[:2, :2].T + back[:2, 2])
    frame = (2 + np.cos(5 * np.arctan2(at[..., 1], at[..., 0])) + np.hypot(at[..., 0], at[..., 1])).astype(np.float32)
    strip, known = unwrap(make_sampler(GRID, pose), frame, shift, (0, 219))
    expected = 2 + np.cos(5 * GRID.angles_rad())[None, :] + GRID.radii[:, None]
    # As above, the inmost radius being 32 px, foreshortened by a fortieth.
    assert np.abs(strip - expected)[known].max() < (5 / 31) ** 2 / 8 + 5 / 31 / 32 + 0.002


def test_only_lit_rows_within_the_picture_are_known() -> None:
    pose = square_on(CENTRE, 95.0, (300, 220))
    sampler = make_sampler(GRID, pose)
    _, known = unwrap(sampler, spokes(pose), no_shift(CENTRE), (80, 140))
    y = sampler.xy_px[..., 1]
    assert np.array_equal(known, (y >= 80) & (y <= 140))
    far = Shift(np.array([200.0, 0.0, 0.0, 0.0]), np.zeros((4, 4)), CENTRE, 0.0)
    _, known = unwrap(sampler, spokes(pose), far, (0, 219))
    assert np.array_equal(known, sampler.xy_px[..., 0] + 200 <= 299)


def test_grid_is_about_as_fine_as_the_picture() -> None:
    fine, coarse = make_grid(400.0, 0.6, 1.0), make_grid(50.0, 0.6, 1.0)
    assert fine.n_angles == 2048 and coarse.n_angles == 512
    assert coarse.step_deg == pytest.approx(360 / 512)
    assert fine.radii[0] == 0.6 and fine.radii[-1] == 1.0
    assert len(fine.some(np.flatnonzero(fine.radii > 0.8)).radii) < len(fine.radii)


def test_uneven_light_is_evened_out() -> None:
    """Light that falls from one side, from 0.4 to 1.6 of its mean, over marks a tenth brighter."""
    angle = GRID.angles_rad()
    marks = np.where(np.abs((np.degrees(angle)[None, :] % 30) - 15) < 1.0, 1.1, 1.0)
    shade = 1 + 0.6 * np.cos(angle)
    strip = np.broadcast_to(marks * shade, (24, 720)).astype(np.float32)
    even, known = even_out(strip, np.ones(strip.shape, bool), GRID)
    assert known.all()
    on, off = even[:, 0 + 30], even[:, 0]  # at 15 degrees, and at 0
    for k in range(12):
        # Two degrees of mark under a window of 24 that peaks at 1/12: a sixth of its light counts as that of the place.
        # The window leaves a hundredth of the shade.
        assert even[0, 30 + 60 * k] - even[0, 60 * k] == pytest.approx(0.1 * 5 / 6, abs=0.01)
    assert np.abs(off).max() < 0.02 and np.abs(on - 0.083).max() < 0.02


def test_what_is_broad_is_taken_for_light() -> None:
    degs = np.degrees(GRID.angles_rad())
    broad = np.where(np.abs(degs - 180) < 60, 1.3, 1.0)
    even, _ = even_out(np.broadcast_to(broad, (24, 720)).astype(np.float32), np.ones((24, 720), bool), GRID)
    middle = np.abs(degs - 180) < 60 - EVEN_OUT_DEG
    assert np.abs(even[:, middle]).max() < 1e-3


def test_unknown_cells_have_no_say() -> None:
    rng = np.random.default_rng(1)
    strip = (1 + 0.1 * rng.standard_normal((24, 720))).astype(np.float32)
    known = np.ones(strip.shape, bool)
    known[:, 200:400] = False
    other = strip.copy()
    other[:, 200:400] = 9.0
    (a, ka), (b, kb) = even_out(strip, known, GRID), even_out(other, known, GRID)
    assert np.array_equal(ka, kb) and a == pytest.approx(b, abs=1e-5)
    # Near the edge of what is known the light around is not known on both sides.
    assert not ka[:, 198].any() and not ka[:, 401].any() and ka[:, 100].all()
    assert np.all(a[~ka] == 0)


def test_nothing_known() -> None:
    even, known = even_out(np.ones((24, 720), np.float32), np.zeros((24, 720), bool), GRID)
    assert not known.any() and np.all(even == 0)


def test_trust_grows_with_the_pattern() -> None:
    light = np.zeros((24, 720), np.float32)
    light[:, 100:140], light[:, 300:340], light[:, 500:540] = 0.02, 0.1, 0.6
    trust = pattern_trust(light, 0.01**2)
    levels = [trust[12, column] for column in (20, 120, 320, 520)]
    assert levels == sorted(levels) and levels[0] == 0 and levels[-1] > 0.9
    assert np.all(pattern_trust(light, 0.1**2) <= trust)


def test_a_photograph_turned_is_its_strip_shifted() -> None:
    """Twelve columns, 12 · 360/1024 degrees, clockwise: the strip moves by twelve columns to greater angles."""
    disc = Disc("brick")
    plain, known = disc.strip(0.0, levels=0.0)
    turned, _ = disc.strip(12 * disc.grid.step_deg, levels=0.0)
    rolled = np.roll(plain, 12, axis=1)
    assert known.all()
    # What interpolation takes of a photograph's finest grain.
    assert np.corrcoef(rolled.ravel(), turned.ravel())[0, 1] > 0.98
    assert np.corrcoef(np.roll(plain, -12, axis=1).ravel(), turned.ravel())[0, 1] < 0.5


def off_centre(centre: tuple[float, float]) -> np.ndarray:
    """The strip, about (0, 0), of a wheel that turns about another centre: 2 + the cosine of five times the angle."""
    angle = GRID.angles_rad()
    at = GRID.radii[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1) - np.array(centre)
    return (2 + np.cos(5 * np.arctan2(at[..., 1], at[..., 0])) + np.hypot(at[..., 0], at[..., 1])).astype(np.float32)


@pytest.mark.parametrize("centre", [(0.01, 0.0), (0.0, 0.01), (-0.006, 0.008)], ids=str)
def test_a_strip_about_its_own_centre(centre: tuple[float, float]) -> None:
    whole = np.ones((24, 720), bool)
    strip, known = recentred(off_centre(centre), whole, GRID, centre)
    # The outermost rows lie beyond the strip by half a row, 0.01 radii, and the kernel reaches two rows.
    inner = slice(2, -2)
    assert known[inner].all()
    # Nothing is known beyond it: the outermost rows are, where the move keeps them within.
    assert 0.4 < known[[0, -1]].mean() < 0.6
    # To second order in the move: half its square over the radius, in angle five times over. OpenCV's cubic kernel
    # (a = -3/4, where -1/2 keeps a slope) is off by up to 0.048 of a cell on one, and its places are rounded to a 32nd.
    second = 5 * 0.5 * (0.01 / 0.4) ** 2 + 0.5 * 0.01**2 / 0.4
    cells = 5 * np.radians(GRID.step_deg) + (GRID.radii[1] - GRID.radii[0])
    assert np.abs(strip - off_centre((0.0, 0.0)))[inner].max() < second + (0.048 + 1 / 64) * cells
    # Left about the pose's centre it would be off by five times the swing of 0.01/0.4 rad.
    assert np.abs(off_centre(centre) - off_centre((0.0, 0.0))).max() > 0.1


def test_what_is_not_known_stays_so_about_another_centre() -> None:
    known = np.ones((24, 720), bool)
    known[:, 200:400] = False
    strip = off_centre((0.0, 0.0))
    same, still = recentred(strip, known, GRID, (0.0, 0.0))
    assert np.array_equal(still, known) and same == pytest.approx(strip, abs=1e-6)
    # Half a turn off, at 150 degrees: a centre moved square to that by 0.02 swings what is there by 0.02/r, 1.2 to 2.9
    # degrees or 2.4 to 5.7 columns, against the turning where the centre moved with it.
    _, moved = recentred(strip, known, GRID, (0.02 * np.sin(np.radians(150)), -0.02 * np.cos(np.radians(150))))
    for row, radius in ((2, GRID.radii[2]), (21, GRID.radii[21])):
        columns = np.degrees(0.02 / radius) / GRID.step_deg
        lost = np.flatnonzero(~moved[row])
        # Both ends lie 50 degrees to a side of there, where the swing is the cosine of that; to a cell, which is lost
        # where any of it is unknown.
        assert lost[0] == pytest.approx(200 + columns * np.cos(np.radians(50)), abs=1.5)
        assert lost[-1] == pytest.approx(399 + columns * np.cos(np.radians(50)), abs=1.5)
