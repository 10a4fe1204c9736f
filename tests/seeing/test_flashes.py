"""Flashes: when each was and where it shows, against a rolling shutter simulated from its physics."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_light import Camera, even_flashes, light, seen, shares, swept_flashes

from timingcam.errors import CannotMeasure
from timingcam.seeing.bands import find_bands
from timingcam.seeing.clock import frame_clock
from timingcam.seeing.flashes import Flashes, find_flashes

LENGTH_S = 150e-6


def found(camera: Camera, flash_s: np.ndarray, *, noise: float = 0.001, seed: int = 1, **known: float) -> Flashes:
    rows = light(camera, flash_s, LENGTH_S, noise=noise, seed=seed)
    return find_flashes(find_bands(rows), frame_clock(camera.frame_s), **known)


def nearest(flashes: Flashes, flash_s: np.ndarray) -> np.ndarray:
    """Which true flash each one found is nearest to."""
    return np.abs(flashes.time_s[:, None] - flash_s[None, :]).argmin(axis=1)


@pytest.mark.parametrize(
    ("camera", "flash_s"),
    [
        (Camera(), swept_flashes(Camera())),
        (Camera(fps=30, line_s=110e-6), swept_flashes(Camera(fps=30))),
        (Camera(exposure_s=1.5e-3), swept_flashes(Camera())),
    ],
    ids=["60 fps", "30 fps", "short exposure"],
)
def test_with_the_shutter_known_times_are_good_to_half_a_row(camera: Camera, flash_s: np.ndarray) -> None:
    flashes = found(camera, flash_s, line_time_s=camera.line_s, exposure_s=camera.exposure_s)
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    assert np.abs(off).max() < camera.line_s / 2
    # Each once, and none that was not there.
    assert len(set(nearest(flashes, flash_s).tolist())) == len(flashes)
    # All but those that light fewer than some ten rows at a frame's edge: 20 of the 300 rows in which one may end.
    assert len(flashes) > 0.9 * seen(camera, flash_s).sum()


@pytest.mark.parametrize("rpm", [1285.0, 1730.0, 3000.0, 3170.0, 4410.0, 5230.0])
def test_line_time_and_times_from_a_steady_speed(rpm: float) -> None:
    camera = Camera()
    flash_s = even_flashes(camera, rpm)
    flashes = found(camera, flash_s)
    assert flashes.line_time_s is not None
    assert abs(flashes.line_time_s - camera.line_s) < 4 * flashes.line_time_sd_s + 1e-4 * camera.line_s
    # Even flashes all over the frame tell it to well under a percent.
    assert flashes.line_time_sd_s < 0.01 * camera.line_s
    assert flashes.exposure_s == pytest.approx(camera.exposure_s, abs=camera.line_s)
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    # The exposure is known to half a row, which moves all flashes alike; beside that half a row each.
    assert np.abs(off - np.median(off)).max() < camera.line_s / 2
    assert abs(np.median(off)) < camera.line_s / 2


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "camera",
    [
        Camera(n_frames=480, line_s=55e-6),
        Camera(n_frames=480, line_s=55e-6, exposure_s=12e-3),
        Camera(fps=30, line_s=110e-6),
    ],
    ids=["4 ms", "12 ms", "30 fps"],
)
def test_line_time_of_a_sweep_is_as_good_as_stated(camera: Camera, seed: int) -> None:
    rng = np.random.default_rng(seed)
    flash_s = swept_flashes(camera, 1200 + 200 * seed, 4000 + 600 * seed)
    # Sparks scatter by a quarter of a degree.
    flash_s = np.sort(flash_s + 0.25 / (6 * 3000) * rng.standard_normal(len(flash_s)))
    flashes = found(camera, flash_s, noise=0.004, seed=seed)
    assert flashes.line_time_s is not None
    assert abs(flashes.line_time_s - camera.line_s) < 4 * flashes.line_time_sd_s
    # Beyond 2 % the clip is said not to tell it.
    assert flashes.line_time_sd_s < 0.02 * camera.line_s


def test_stated_sds_cover_the_errors() -> None:
    """Times with the shutter known: errors from noise against the sd of each flash."""
    camera = Camera()
    flash_s = even_flashes(camera, 3170.0)
    pulls = []
    for seed in range(6):
        known = {"line_time_s": camera.line_s, "exposure_s": camera.exposure_s}
        flashes = found(camera, flash_s, noise=0.004, seed=seed, **known)
        pulls.append((flashes.time_s - flash_s[nearest(flashes, flash_s)]) / flashes.time_sd_s)
    pull = np.concatenate(pulls)
    # The statement is for sharp edges too, which these are not: an upper bound, at most five times too much.
    assert 0.2 < np.sqrt(np.mean(pull**2)) < 1.0
    assert np.abs(pull).max() < 4


def test_flashes_between_two_frames_are_never_seen_nor_made_up() -> None:
    """Rows are read in 8.6 of 16.7 ms and exposed for 4: a quarter of all flashes meets no open row."""
    camera = Camera()
    flash_s = even_flashes(camera, 5230.0)
    flashes = found(camera, flash_s)
    visible = seen(camera, flash_s)
    assert visible.sum() < 0.85 * len(flash_s)
    assert set(nearest(flashes, flash_s).tolist()) <= set(np.flatnonzero(visible).tolist())
    # Gaps in the train are whole multiples of the period.
    steps = np.diff(flashes.time_s) / (120 / 5230.0)
    assert np.abs(steps - steps.round()).max() < 2 * camera.line_s / (120 / 5230.0)


def test_a_flash_across_two_frames_is_one_with_two_pieces() -> None:
    camera = Camera(exposure_s=12e-3)
    flash_s = swept_flashes(camera)
    flashes = found(camera, flash_s, line_time_s=camera.line_s, exposure_s=camera.exposure_s)
    # Rows lit at the foot of one frame and at the head of the next.
    frame = np.floor(flash_s * camera.fps).astype(int)
    head = (flash_s - frame / camera.fps) / camera.line_s
    foot = camera.n_rows - ((flash_s - (frame - 1) / camera.fps) - camera.exposure_s) / camera.line_s
    across = np.flatnonzero((head > 20) & (foot > 20) & (head < camera.n_rows - 20))
    assert len(across) > 20
    for k in across:
        i = int(np.abs(flashes.time_s - flash_s[k]).argmin())
        pieces = np.flatnonzero(flashes.piece_of == i)
        assert flashes.piece_frame[pieces].tolist() == [frame[k] - 1, frame[k]]
        assert flashes.piece_last[pieces[0]] == camera.n_rows - 1 and flashes.piece_first[pieces[1]] == 0
        assert abs(flashes.time_s[i] - flash_s[k]) < camera.line_s / 2


@pytest.mark.parametrize("exposure_s", [1e-3, 2e-3], ids=["apart", "overlapping"])
def test_second_flashes_of_a_spark_are_flashes_of_their_own(exposure_s: float) -> None:
    """1.5 ms later: under 1 ms of exposure two runs of rows, under 2 ms one run that is brighter in the middle."""
    camera = Camera(exposure_s=exposure_s)
    flash_s = even_flashes(camera, 1700.0)
    both = np.sort(np.r_[flash_s, flash_s[::3] + 1.5e-3])
    flashes = found(camera, both, line_time_s=camera.line_s, exposure_s=camera.exposure_s)
    off = flashes.time_s - both[nearest(flashes, both)]
    # Bands of 28 rows, 14 apart: what tells an edge's height lies over the next edge's foot; a row in place of a half.
    assert np.abs(off).max() < camera.line_s
    gaps = np.diff(flashes.time_s)
    assert (gaps < 2e-3).sum() >= 5
    assert gaps[gaps < 2e-3] == pytest.approx(1.5e-3, abs=2 * camera.line_s)


def test_a_steady_drift_does_not_tell_the_line_time() -> None:
    """One flash in three frames, creeping down the picture: any line time makes it even."""
    camera = Camera(exposure_s=2e-3, n_frames=190)
    flash_s = np.arange(60) * (3 / camera.fps + 100e-6) + 2.5e-3
    assert "--line-time" in " ".join(found(camera, flash_s).warnings)


@pytest.mark.parametrize(
    "camera",
    [
        Camera(fps=30, n_rows=540, line_s=40e-6, exposure_s=32.5e-3),
        Camera(fps=30, n_rows=540, line_s=55e-6, exposure_s=32.5e-3),
        Camera(fps=30, n_rows=720, line_s=30e-6, exposure_s=25e-3),
        Camera(fps=60, n_rows=720, line_s=18e-6, exposure_s=16e-3, n_frames=480),
        Camera(fps=60, n_rows=540, line_s=15e-6, exposure_s=8.3e-3, n_frames=480),
    ],
    ids=["30 fps", "slow read-out", "between read-outs", "60 fps", "exposure of a read-out"],
)
def test_exposures_longer_than_the_time_between_flashes(camera: Camera) -> None:
    """Up to 5600 rpm a flash comes every 21 ms: rows hold none, one or two, and many flashes show no edge at all."""
    flash_s = swept_flashes(camera)
    flashes = found(camera, flash_s)
    assert flashes.line_time_s == pytest.approx(camera.line_s, rel=0.005)
    assert flashes.exposure_s == pytest.approx(camera.exposure_s, rel=0.005)
    # All but those that light fewer than ten rows at a frame's edge: 20 of the 540 rows in which one may end.
    assert len(set(nearest(flashes, flash_s).tolist())) >= 0.96 * seen(camera, flash_s).sum()
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    sharp = flashes.time_sd_s < 3 * camera.line_s
    # Three line times are what is asked of flashes with edges; those without are within their frame's still time.
    assert sharp.mean() > 0.5 and np.sqrt(np.mean(off[sharp] ** 2)) < 3 * camera.line_s
    still_s = abs(camera.exposure_s - camera.n_rows * camera.line_s)
    # Where one ends on the row on which the next begins, within a ramp, two look like one without edges: 1 in 100.
    assert np.sum(np.abs(off[~sharp]) > 0.6 * still_s + 20 * camera.line_s) <= 3


def test_flashes_that_end_and_begin_as_if_they_went_on() -> None:
    """Two or three in each frame: some begin at its foot and others end at the next one's head, all of them short of
    the time for which no row is exposed between two frames."""
    camera = Camera(fps=30, n_rows=720, line_s=19e-6, exposure_s=16.7e-3, n_frames=360)
    flash_s = swept_flashes(camera, 2400, 10000)  # a spark in each turn, up to 5000 rpm
    flashes = found(camera, flash_s)
    assert flashes.line_time_s == pytest.approx(camera.line_s, rel=0.005)
    assert flashes.exposure_s == pytest.approx(camera.exposure_s, rel=0.005)


def test_an_exposure_that_steps_while_filming() -> None:
    before, after = Camera(exposure_s=3e-3), Camera(exposure_s=5e-3)
    flash_s = swept_flashes(before)
    rows = np.concatenate([light(before, flash_s, LENGTH_S)[:130], light(after, flash_s, LENGTH_S)[130:]])
    flashes = find_flashes(find_bands(rows), frame_clock(before.frame_s))
    assert flashes.line_time_s == pytest.approx(before.line_s, rel=0.01)
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    off -= np.median(off)  # the exposure told is one for the whole clip
    assert len(set(nearest(flashes, flash_s).tolist())) == len(flashes)
    # Three line times are what is asked; a flash or two about the step have the other exposure's end.
    assert np.sqrt(np.mean(off**2)) < 3 * before.line_s


def test_rows_of_two_flashes_show_neither() -> None:
    camera = Camera(fps=30, n_rows=540, line_s=40e-6, exposure_s=32.5e-3)
    flash_s = swept_flashes(camera)
    flashes = found(camera, flash_s, line_time_s=camera.line_s, exposure_s=camera.exposure_s)
    held = shares(camera, flash_s)
    pieces = zip(flashes.piece_frame, flashes.piece_first, flashes.piece_last, strict=True)
    assert all(held[frame, first : last + 1].max() < 1.01 for frame, first, last in pieces)


def test_frames_lit_whole_are_timed_to_a_frame() -> None:
    """All rows at once, as a global shutter has them: no edge tells the time within the frame."""
    camera = Camera(line_s=1e-9, exposure_s=12e-3)
    flash_s = even_flashes(camera, 1900.0)
    inside = flash_s % (1 / camera.fps) < camera.exposure_s
    flashes = found(camera, flash_s[inside])
    assert flashes.line_time_s is None
    assert len(flashes) == inside.sum()
    # Anywhere within a frame: an even spread of that length.
    assert flashes.time_sd_s == pytest.approx(1 / camera.fps / np.sqrt(12), rel=0.01)
    assert np.abs(flashes.time_s - flash_s[inside]).max() < 1 / camera.fps
    assert "--rpm" in " ".join(flashes.warnings)


def test_stamps_that_jitter_are_in_the_sd() -> None:
    camera = Camera()
    rng = np.random.default_rng(1)
    # Changing rate: no regular clock can be laid through it, and stamps stand as they are.
    stamps = np.cumsum(np.r_[0.0, (1 / 60) * (1 + 0.3 * np.sin(np.arange(239) / 9)) + 2e-4 * rng.standard_normal(239)])
    clock = frame_clock(stamps)
    assert not clock.regular
    bands = find_bands(light(camera, even_flashes(camera, 3170.0), LENGTH_S))
    flashes = find_flashes(bands, clock, camera.line_s, camera.exposure_s)
    assert np.all(flashes.time_sd_s >= clock.jitter_s)


def test_stamps_that_wander_are_right_where_the_flashes_come_evenly_by_them() -> None:
    """A camera that exposes its next frame when it is ready: the time from frame to frame is another each time."""
    rng = np.random.default_rng(1)
    late_s = np.cumsum(np.where(rng.random(240) < 0.4, rng.uniform(0, 8e-3, 240), 0.0))

    class Wandering(Camera):
        @property
        def frame_s(self) -> np.ndarray:
            return np.arange(self.n_frames) / self.fps + late_s

    camera = Wandering()
    clock = frame_clock(camera.frame_s)
    assert not clock.regular
    assert clock.time_sd_s > 1e-3
    flash_s = even_flashes(camera, 3170.0)
    flashes = find_flashes(find_bands(light(camera, flash_s, LENGTH_S)), clock)
    assert np.median(flashes.time_sd_s) < 2 * camera.line_s
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    assert np.abs(off - np.median(off)).max() < camera.line_s


def test_too_few() -> None:
    camera = Camera()
    with pytest.raises(CannotMeasure) as refusal:
        found(camera, even_flashes(camera, 3000.0)[:9] + 0.001)
    assert "flashes" in refusal.value.found and "longer" in refusal.value.do


@pytest.mark.parametrize("exposure_s", [5e-3, 6e-3, 7e-3, 8e-3, 9e-3, 11e-3])
def test_an_exposure_that_steps(exposure_s: float) -> None:
    """Two seconds under 4 ms, two under more: of 139 to 306 rows of 240, so that ever fewer bands are seen whole."""
    short, long = Camera(), Camera(exposure_s=exposure_s)
    flash_s = swept_flashes(short)
    half = short.n_frames // 2
    rows = [light(camera, flash_s, LENGTH_S, noise=0.001, seed=1) for camera in (short, long)]
    flashes = find_flashes(find_bands(np.vstack([rows[0][:half], rows[1][half:]])), frame_clock(short.frame_s))
    off = flashes.time_s - flash_s[nearest(flashes, flash_s)]
    # A line time off by a thousandth moves a flash by a quarter of a row at most, an edge's own noise by as much. What
    # cannot be timed is left out: a beginning taken for one under the old exposure is off by 1 to 7 ms.
    assert np.abs(off - np.median(off)).max() < 1.5 * short.line_s
    # A good part of the second half's flashes end within the frame, and are timed by that.
    assert (flashes.time_s > half / short.fps).sum() > 15


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 3))])
def test_a_sensor_read_fast_looks_away_for_most_of_the_time(seed: int) -> None:
    """Two of three flashes fall between the frames. With a line time so long that no frame looks away, each band at a
    frame's edge would go on in the frame beside: they do not."""
    camera = Camera(line_s=12e-6, exposure_s=2.5e-3, n_frames=360)
    flash_s = swept_flashes(camera)
    flashes = found(camera, flash_s, seed=seed)
    assert flashes.line_time_s is not None and flashes.exposure_s is not None
    # Five bands must fail to go on; of some 60 such as many begin or end within a tenth of the frame from its edge.
    assert flashes.line_time_s * 240 + flashes.exposure_s < 1.1 / camera.fps
    assert abs(flashes.line_time_s - camera.line_s) < 4 * flashes.line_time_sd_s
