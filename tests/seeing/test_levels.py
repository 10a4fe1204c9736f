"""Light in units of one flash, also where most rows hold two."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_light import Camera, even_flashes, light, shares, swept_flashes

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import find_bands
from timingcam.seeing.levels import in_flashes


@pytest.mark.parametrize("exposure_s", [4e-3, 15e-3, 33e-3], ids=["short", "as long as the read-out", "long"])
def test_one_flash_is_one_however_many_light_a_row(exposure_s: float) -> None:
    """Up to 5600 rpm a flash comes every 21 ms: of the lit rows of the longest exposure more than half hold two."""
    camera = Camera(fps=30, line_s=90e-6, exposure_s=exposure_s)
    flash_s = swept_flashes(camera)
    lit, _, _ = in_flashes(light(camera, flash_s))
    # The scene is uneven along the rows by 7 % of its light, and smoothed over a fortieth of them.
    assert lit == pytest.approx(shares(camera, flash_s), abs=0.08)


def test_noise_is_told() -> None:
    camera = Camera()
    _, noise, _ = in_flashes(light(camera, even_flashes(camera), noise=0.004))
    flash = light(camera, np.zeros(0), ambient=1.0)[0]
    # From 57,000 differences of rows, whose median deviation is known to half a percent; the flash's light to a few.
    assert noise == pytest.approx(0.004 / float(np.median(flash)), rel=0.05)


def test_light_that_only_flickers_is_refused() -> None:
    camera = Camera()
    opens = camera.frame_s[:, None] + np.arange(camera.n_rows) * camera.line_s
    lamp = 1 + 0.02 * np.sin(2 * np.pi * 100.1 * opens)
    with pytest.raises(CannotMeasure):
        in_flashes(lamp.astype(np.float32))


@pytest.mark.parametrize("share", [0.55, 0.3], ids=["shade", "a gap"])
def test_a_dark_line_along_the_rows_is_of_the_scene(share: float) -> None:
    """An opening's lower edge in shade, or the gap below a rotor's edge: 3 of 240 rows give so little of the light
    that their neighbours give."""
    camera = Camera()
    flash_s = even_flashes(camera)
    rows = light(camera, flash_s)
    rows[:, 117:120] *= share
    lit, _, _ = in_flashes(rows)
    # Three rows are meant over, so that those beside the line's ends are between the two.
    away = np.r_[0:116, 118:119, 121 : camera.n_rows]
    assert lit[:, away] == pytest.approx(shares(camera, flash_s)[:, away], abs=0.08)
    bands = find_bands(rows)
    plain = find_bands(light(camera, flash_s))
    assert bands.frame.tolist() == plain.frame.tolist()
