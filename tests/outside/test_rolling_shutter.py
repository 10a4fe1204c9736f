"""A rolling shutter's bands and what they leave of the speed, against figures worked out beforehand.

Row r is exposed from t0 + r·T to t0 + r·T + e; a flash from tf to tf + d lights the rows with
(tf − e − t0)/T < r < (tf + d − t0)/T (definition; the figures below were computed from it, and by brute force). Readout
times of phones: Ringaby & Forssén, IJCV 96, 335-352 (2011) and Oth et al., CVPR 2013, doi 10.1109/CVPR.2013.179, as
quoted in the tables of JzHuai0108/kalibr: 15 to 33 ms at 30 frames a second.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "seeing"))

from made_light import Camera, even_flashes, light, seen, shares

from timingcam.reckoning.tacho import FlashAngles, crank_speed
from timingcam.seeing.bands import find_bands
from timingcam.seeing.clock import frame_clock
from timingcam.seeing.flashes import LEAST_READOUT, find_flashes

T_S, E_S, D_S = 20e-6, 500e-6, 30e-6


def test_rows_that_a_flash_lights() -> None:
    """T 20 µs, e 500 µs, d 30 µs, flash at 12.307 ms: rows 591 to 616 lit, 592 to 615 in full."""
    camera = Camera(fps=30, n_frames=1, n_rows=1080, line_s=T_S, exposure_s=E_S)
    got = shares(camera, np.array([12.307e-3 + D_S / 2]), D_S)[0]
    assert np.flatnonzero(got > 0)[[0, -1]].tolist() == [591, 616]
    assert np.flatnonzero(got > 1 - 1e-9)[[0, -1]].tolist() == [592, 615]


def test_the_band_found_is_that_one() -> None:
    """The same flash once every twenty frames, and others elsewhere, so that each row has its usual light."""
    camera = Camera(fps=30, n_frames=120, n_rows=1080, line_s=T_S, exposure_s=E_S)
    others = np.concatenate([np.arange(60) / 30 + np.linspace(0.6e-3, 21e-3, 60)])
    ours = np.arange(60, 120, 20) / 30 + 12.307e-3
    flash_s = np.sort(np.r_[others, ours]) + D_S / 2
    bands = find_bands(light(camera, flash_s, D_S, noise=0.0005))
    mine = np.isin(bands.frame, np.arange(60, 120, 20))
    assert mine.sum() == 3
    # Edges between rows lie at the halves: in full from 592 to 615, in part by one row more on either side.
    assert np.all(np.abs(bands.start_row[mine] - 591.0) < 1.0)
    assert np.all(np.abs(bands.end_row[mine] - 616.0) < 1.0)
    assert np.all(bands.inner_first[mine] >= 592) and np.all(bands.inner_last[mine] <= 615)


@pytest.mark.parametrize(
    ("camera", "share"),
    [
        (Camera(fps=30, n_frames=3000, n_rows=1080, line_s=T_S, exposure_s=E_S), 0.663),
        (Camera(fps=60, n_frames=6000, n_rows=1080, line_s=14e-3 / 1080, exposure_s=E_S), 0.870),
        (Camera(fps=120, n_frames=12000, n_rows=1080, line_s=8e-3 / 1080, exposure_s=E_S), 1.0),
    ],
    ids=["30 fps", "60 fps", "120 fps"],
)
def test_share_of_flashes_seen_at_all(camera: Camera, share: float) -> None:
    """min(1, ((N − 1)·T + e + d)·fps): 66.3 %, 87.0 %, 100 %. Flashes at random times."""
    flash_s = np.random.default_rng(1).uniform(1.0, camera.n_frames / camera.fps - 1.0, 4000)
    # By the edges: a flash of length d shows from d/2 before to d/2 after its centre.
    visible = seen(camera, flash_s - D_S / 2) | seen(camera, flash_s + D_S / 2)
    # 4000 draws: an sd of 0.75 %, four of them.
    assert visible.mean() == pytest.approx(share, abs=0.03)


def test_what_falls_between_frames_leaves_whole_gaps() -> None:
    camera = Camera(fps=30, n_frames=240, n_rows=270, line_s=80e-6, exposure_s=2e-3)
    flash_s = even_flashes(camera, 4321.0)
    flashes = find_flashes(find_bands(light(camera, flash_s, 200e-6, noise=0.0005)), frame_clock(camera.frame_s))
    steps = np.diff(flashes.time_s) / (120 / 4321.0)
    assert steps.max() > 1.5
    # Each time is good to half a row and what the line time's own doubt moves.
    slack_s = camera.line_s + 8 * flashes.line_time_sd_s * camera.n_rows
    assert np.abs(steps - steps.round()).max() < slack_s / (120 / 4321.0)


@pytest.mark.parametrize(("rpm", "sd_rpm"), [(1000, 0.068), (3000, 0.612), (6000, 2.449), (9000, 5.511)])
def test_speed_from_two_neighbouring_flashes(rpm: float, sd_rpm: float) -> None:
    """Each time ± half a line of 20 µs, one spark in two turns: sd = rpm·T·√(2/12)/(120/rpm).

    Many flashes together are smoothed: no speed may be claimed less well than from two alone, nor far better than all
    of them together can tell it.
    """
    assert rpm * T_S * np.sqrt(2 / 12) / (120 / rpm) == pytest.approx(sd_rpm, rel=0.01)
    n = 40
    time_s = np.arange(n) * 120 / rpm + np.random.default_rng(2).uniform(-T_S / 2, T_S / 2, n)
    speed = crank_speed(FlashAngles(time_s, np.full(n, T_S / np.sqrt(12)), np.full(n, 20.0), np.full(n, 1e-3)), 0.5)
    assert np.all(np.abs(speed.rpm - rpm) < 4 * sd_rpm)
    assert np.median(speed.rpm_sd) < 1.5 * sd_rpm
    assert np.median(speed.rpm_sd) > sd_rpm / (2 * n)


@pytest.mark.parametrize("readout_ms", [30.84, 31.98, 26.05, 32.67, 15.01, 20.68])
def test_phones_as_published_are_within_what_is_looked_for(readout_ms: float) -> None:
    """Of a frame of 33.3 ms; a tenth of it at least is looked for."""
    assert LEAST_READOUT < readout_ms / (1000 / 30) < 1.01
