"""Bands of lit rows: their edges to a fraction of a row, cut ones, touching ones, and scenes without any."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from made_light import Camera, even_flashes, light, seen, swept_flashes

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import Bands, bands_of_clip, find_bands, row_light
from timingcam.seeing.row_lights import RowLights

CAMERA = Camera()
ROWS = CAMERA.exposure_s / CAMERA.line_s  # 111.1 rows from a band's start to its end
LENGTH_S = 150e-6  # four rows: edges that are ramps


def true_edges(camera: Camera, flash_s: np.ndarray, frame: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of the band of the flash nearest to each frame, rows: (s - E - t)/L and (s - t)/L."""
    middle = camera.frame_s[frame] + (camera.n_rows * camera.line_s + camera.exposure_s) / 2
    s = flash_s[np.abs(flash_s[:, None] - middle[None, :]).argmin(axis=0)]
    end = (s - camera.frame_s[frame]) / camera.line_s
    return end - camera.exposure_s / camera.line_s, end


@given(st.floats(1000.0, 3200.0))
@settings(max_examples=25, deadline=None)
def test_edges_lie_where_the_shutter_puts_them(rpm: float) -> None:
    """One flash a frame at most below 3600 rpm, so each band is one flash's; engines wander by a few percent."""
    flash_s = swept_flashes(CAMERA, 0.97 * rpm, 1.03 * rpm)
    bands = find_bands(light(CAMERA, flash_s, LENGTH_S))
    start, end = true_edges(CAMERA, flash_s, bands.frame)
    for found, true in ((bands.start_row, start), (bands.end_row, end)):
        whole = np.isfinite(found)
        # The scene's own light changes by 2 % a row at most, over a ramp of four rows and as many about it that tell
        # its height: a third of a row. A sharp edge could not be told to better than half a row either.
        assert np.abs(found - true)[whole].max(initial=0.0) < 0.5
    # What is called lit in full is: the ramp reaches 2.1 rows inwards from an edge.
    assert np.all((bands.inner_first >= start + 2.0)[np.isfinite(bands.start_row)])
    assert np.all((bands.inner_last <= end - 2.0)[np.isfinite(bands.end_row)])


def test_edges_cut_by_the_frame_are_not_told() -> None:
    flash_s = even_flashes(CAMERA, 2950.0)
    bands = find_bands(light(CAMERA, flash_s, LENGTH_S))
    start, end = true_edges(CAMERA, flash_s, bands.frame)
    ramp = LENGTH_S / CAMERA.line_s
    assert np.all(np.isnan(bands.start_row[start < -ramp])) and np.any(start < -ramp)
    assert np.all(np.isnan(bands.end_row[end > CAMERA.n_rows + ramp])) and np.any(end > CAMERA.n_rows + ramp)


def test_every_flash_that_lights_more_than_a_sliver_has_its_band() -> None:
    flash_s = even_flashes(CAMERA, 2950.0)
    bands = find_bands(light(CAMERA, flash_s, LENGTH_S))
    start, end = true_edges(CAMERA, flash_s, bands.frame)
    lit = np.minimum(end, CAMERA.n_rows) - np.maximum(start, 0)
    assert lit.min() > 3  # no band where nothing is lit
    wide = seen(Camera(n_rows=CAMERA.n_rows - 20), flash_s - 10 * CAMERA.line_s)  # lights more than ten rows
    assert len(bands) >= wide.sum()


def test_noise_moves_edges_by_what_is_stated() -> None:
    flash_s = even_flashes(CAMERA, 2950.0)
    errors = []
    for seed in range(8):
        bands = find_bands(light(CAMERA, flash_s, LENGTH_S, noise=0.004, seed=seed))
        start, end = true_edges(CAMERA, flash_s, bands.frame)
        for found, true in ((bands.start_row, start), (bands.end_row, end)):
            errors.append((found - true)[np.isfinite(found)])
    error = np.concatenate(errors)
    # The statement allows for sharp edges too (± half a row, 0.29 rms): an upper bound, but not four times too much.
    assert 0.25 * bands.row_sd < error.std() < bands.row_sd
    # 800 edges of that sd: their mean is known to a 28th of it. Four of those.
    assert abs(error.mean()) < 4 * bands.row_sd / np.sqrt(len(error))


def test_two_flashes_whose_bands_touch_are_parted() -> None:
    """A second flash of some sparks, an exposure's length later: one run of rows, twice as tall."""
    camera = Camera(exposure_s=2e-3)
    rows = camera.exposure_s / camera.line_s
    flash_s = even_flashes(camera, 1900.0)
    doubled = flash_s[::4] + camera.exposure_s + 2 * camera.line_s
    bands = find_bands(light(camera, np.sort(np.r_[flash_s, doubled]), LENGTH_S))
    assert np.nanmax(bands.end_row - bands.start_row) < 1.12 * rows
    frame = np.floor(flash_s[::4] * camera.fps).astype(int)
    row = (flash_s[::4] - camera.frame_s[frame]) / camera.line_s
    inside = np.flatnonzero((row > rows + 12) & (row < camera.n_rows - rows - 14))
    assert len(inside) > 3
    for k in inside:
        here = bands.frame == frame[k]
        assert np.nanmin(bands.start_row[here]) == pytest.approx(row[k] - rows, abs=0.5)
        assert np.nanmax(bands.end_row[here]) == pytest.approx(row[k] + rows + 2, abs=0.5)


def test_a_dim_place_and_a_bright_one_look_alike() -> None:
    flash_s = even_flashes(CAMERA, 2950.0)
    dark = find_bands(light(CAMERA, flash_s, LENGTH_S, ambient=0.0))
    lit = find_bands(light(CAMERA, flash_s, LENGTH_S, ambient=1.5))
    assert lit.frame.tolist() == dark.frame.tolist()
    # Ambient light is taken as the dimmest frames of each row: exact here, but for float32 of 2.5 times the light.
    assert lit.start_row == pytest.approx(dark.start_row, abs=0.02, nan_ok=True)


@pytest.mark.parametrize("ambient", [0.0, 0.5])
def test_no_flash_is_refused(ambient: float) -> None:
    with pytest.raises(CannotMeasure) as refusal:
        find_bands(light(CAMERA, np.zeros(0), ambient=ambient, noise=0.003))
    assert "flash" in refusal.value.found


def test_lamps_that_flicker_beside_the_strobe_make_no_bands() -> None:
    """Mains light, a tenth of the flash's, a third stronger at its crest, a hundred times a second."""
    flash_s = even_flashes(CAMERA, 2950.0)
    opens = CAMERA.frame_s[:, None] + np.arange(CAMERA.n_rows) * CAMERA.line_s
    lamp = 0.03 * (1 + 0.3 * np.sin(2 * np.pi * 100.1 * (opens + CAMERA.exposure_s / 2)))
    plain = find_bands(light(CAMERA, flash_s, LENGTH_S))
    lit = find_bands(light(CAMERA, flash_s, LENGTH_S) + lamp.astype(np.float32))
    assert lit.frame.tolist() == plain.frame.tolist()
    # It changes by 6 % of the flash's light over 140 rows: less than half a percent over an edge.
    assert lit.start_row == pytest.approx(plain.start_row, abs=0.5, nan_ok=True)


def test_row_light_is_the_mean_of_what_the_table_gives() -> None:
    luma = np.tile(np.arange(256, dtype=np.uint8)[:, None], (1, 8))
    assert row_light(luma, np.linspace(0, 1, 256, dtype=np.float32)) == pytest.approx(np.linspace(0, 1, 256), abs=1e-6)


def test_columns_of_one_length() -> None:
    two = np.zeros(2)
    with pytest.raises(ValueError, match="every column"):
        Bands(two, two, two, two, two, np.zeros(3), 0.3, 1.0, 10, 10)


def spoilt(
    rng: np.random.Generator, n_rows: int, tall: int, last_start: int, spoil: Callable[[np.ndarray], None]
) -> tuple[Bands, np.ndarray]:
    """Bands of 80 frames with a flash of `tall` rows in each, some of them spoilt, and the rows where they begin."""
    light = np.full((80, n_rows), 0.02)
    starts = rng.integers(20, last_start, len(light))
    for row, start in zip(light, starts, strict=True):
        row[start : start + tall] += 1.0
        if rng.random() < 0.3:
            spoil(row)
    light += 0.002 * rng.standard_normal(light.shape)
    return find_bands(light.astype(np.float32)), starts


def test_a_line_along_the_rows_parts_no_flash() -> None:
    """A dark line of three rows that crosses a flash in some frames: light falls to a tenth there."""
    rng = np.random.default_rng(2)

    def line(row: np.ndarray) -> None:
        at = 240 + int(rng.integers(-30, 31))
        row[at : at + 3] *= 0.1

    bands, starts = spoilt(rng, 480, 200, 260, line)
    assert len(bands) == len(starts)
    assert np.abs(bands.end_row - bands.start_row - 200).max() < 2


def test_a_brighter_foot_is_no_other_flash() -> None:
    """A lead along the rows near the frame's foot, and oil that shines below it, at another height in each frame."""
    rng = np.random.default_rng(4)

    def foot(row: np.ndarray) -> None:
        row[-int(rng.integers(20, 28)) :] *= 1.7

    bands, starts = spoilt(rng, 720, 450, 600, foot)
    assert len(bands) == len(starts)
    assert bands.start_row == pytest.approx(starts - 0.5, abs=1.0)


# Frames written twice.


def bands_in(rows: np.ndarray) -> Bands:
    stored = RowLights(rows.shape[1])
    for row in rows:
        stored.append(row)
    return bands_of_clip(stored)


def test_frames_written_twice_show_no_flash_again() -> None:
    """A recorder fills a gap with the frame before it: what that showed came once."""
    rows = light(CAMERA, swept_flashes(CAMERA), LENGTH_S, noise=2e-4)
    lit = np.flatnonzero(rows.max(axis=1) > 0.5 * rows.max())
    twice = lit[5 : len(lit) - 5 : 12]
    rows[twice + 1] = rows[twice] + np.random.default_rng(4).normal(0, 1e-4, rows[twice].shape)
    found, frames = set(bands_in(rows).frame.tolist()), set(find_bands(rows).frame.tolist())
    again = frames & set((twice + 1).tolist())
    assert len(again) > 5 and frames - found == again
    assert set(bands_in(rows).again.tolist()) == again


def test_frames_lit_from_top_to_foot_are_not_taken_for_the_one_before() -> None:
    """A sensor that exposes all rows at once: two flashes with the rotor at one angle light the same rows alike."""
    rng = np.random.default_rng(7)
    lit = rng.random(200) < 0.5
    rows = (0.1 + np.outer(lit, np.linspace(0.8, 1.0, 360)) + rng.normal(0, 2e-4, (200, 360))).astype(np.float32)
    found = bands_in(rows)
    assert np.array_equal(found.frame, np.flatnonzero(lit)) and not len(found.again)


def test_no_frame_is_lost_where_none_was_written_twice() -> None:
    rows = light(CAMERA, swept_flashes(CAMERA), LENGTH_S, noise=2e-4)
    assert np.array_equal(bands_in(rows).frame, find_bands(rows).frame)
