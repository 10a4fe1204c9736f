"""The index's height from a hand's swaying, on made numbers."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import made_engine

from timingcam.engine import Engine
from timingcam.reckoning.assemble import Height, index_height
from timingcam.reckoning.budget import INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM
from timingcam.reckoning.index_rise import _fitted, _waves, risen, told_by_swaying
from timingcam.reckoning.tacho import FlashAngles
from timingcam.seeing.pose import FOCAL_LOG_SD
from timingcam.seeing.swaying import Swaying

RADIUS_MM = 50.0  # of the made engine's rotor


def swayed(
    seed: int, height: float, *, laid: float = 0.02, sway_deg: float = 2.0, scatter_deg: float = 0.3, n: int = 500
) -> tuple[Swaying, np.ndarray, np.ndarray, np.ndarray]:
    """A sweep of 20 s filmed by a hand: what single pictures show of a third of the flashes, with errors of the pose
    of a degree that turn the rotor by a twentieth of that; times, speeds, and readings laid on what stands still, which
    follow the lens as an index of height `laid` does."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, 20, n))
    rpm = 3000 + 1800 * np.sin(2 * np.pi * t / 9 + rng.uniform(0, 6))
    advance = np.clip((rpm - 1900) / 75, 0, 24) + scatter_deg * rng.standard_normal(n)
    hand = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in rng.uniform(0.1, 0.8, 12))
    parallax = 6.0 + sway_deg * hand / np.std(hand)
    flash = np.sort(rng.choice(n, n // 3, replace=False))
    error = rng.standard_normal(len(flash))
    past = 77.0 + advance[flash] - height * parallax[flash] + 0.05 * error + 0.03 * rng.standard_normal(len(flash))
    return Swaying(flash, past, parallax[flash] + error), t, rpm, laid * parallax - advance


def test_height_and_its_doubt_hold_the_truth() -> None:
    off_sds, sds = [], []
    for seed in range(60):
        height = 0.02 * (seed % 5)
        told = told_by_swaying(*swayed(seed, height))
        assert told is not None
        off_sds.append((told[0] - height) / told[1])
        sds.append(told[1])
    # Of 60 draws of one sd the root mean square is 1 to within 0.09, four times of which is left; none beyond 4.
    assert np.sqrt(np.mean(np.square(off_sds))) == pytest.approx(1.0, abs=0.36)
    assert np.max(np.abs(off_sds)) < 4.0
    # 0.3 degrees of scatter, 500 flashes, 2 degrees of sway: 0.0067 if nothing else had to be told.
    assert 0.0067 < np.median(sds) < 0.02


def test_least_squares_on_the_pose_itself_would_be_wrong() -> None:
    swaying, t, rpm, laid = swayed(1, 0.08, scatter_deg=0.0)
    told = told_by_swaying(swaying, t, rpm, laid)
    assert told is not None and told[0] == pytest.approx(0.08, abs=min(4 * told[1], 0.011))  # half of that error
    # A fifth of the parallaxes' variance is error, and goes into the turns: (0.06 of 4 - 0.05) / 5 instead of 0.06.
    plain = np.polyfit(swaying.parallax_deg, -(swaying.past_deg + laid[swaying.flash]), 1)[0] + 0.02
    assert plain == pytest.approx(0.058, abs=0.008)


def test_a_tripod_tells_nothing() -> None:
    told = [told_by_swaying(*swayed(seed, 0.08, sway_deg=0.1)) for seed in range(20)]
    assert sum(one is not None for one in told) <= 1  # one in a hundred by the size of the test


def test_few_pictures_tell_nothing() -> None:
    swaying, *others = swayed(3, 0.08)
    assert (
        told_by_swaying(Swaying(*(a[:30] for a in (swaying.flash, swaying.past_deg, swaying.parallax_deg))), *others)
        is None
    )
    nothing = Swaying(np.zeros(0, int), np.zeros(0), np.zeros(0))
    assert told_by_swaying(nothing, *others) is None


def test_a_speed_that_was_held_is_one_speed() -> None:
    """From a log at whole revolutions, idle and full speed are one number hundreds of times."""
    speed = np.r_[np.full(200, 1200.0), np.linspace(1200, 5000, 200), np.full(150, 5000.0)]
    advance = np.interp(speed, [1900, 3700], [8, 32])
    waves = _waves(speed)
    assert np.abs(advance - _fitted(waves, advance)).max() < 1.5  # of 24 degrees; its corners are sharp


def without_height() -> Engine:
    engine = made_engine()
    rotor = engine.rotor.model_copy(update={"index_above_mm": None, "index_above_sd_mm": None})
    return engine.model_copy(update={"rotor": rotor})


def heights_of(seed: int, height: float, engine: Engine, **how: float) -> Height:
    swaying, t, rpm, behind = swayed(seed, height, **how)
    # The made engine's rotor turns clockwise: seen advance is what the index lies behind.
    angles = FlashAngles(t, np.full(len(t), 1e-5), behind, np.full(len(t), 0.1))
    return risen(swaying, angles, rpm, engine)


def test_told_and_usual_are_held_together() -> None:
    engine = without_height()
    told = told_by_swaying(*swayed(4, 0.09))
    assert told is not None
    height = heights_of(4, 0.09, engine)
    sd_mm = np.hypot(told[1], FOCAL_LOG_SD * told[0]) * RADIUS_MM
    assert height.source == "clip"
    assert height.sd_mm == pytest.approx((sd_mm**-2 + INDEX_ABOVE_SD_MM**-2) ** -0.5)
    assert min(told[0] * RADIUS_MM, INDEX_ABOVE_MM) < height.mm < max(told[0] * RADIUS_MM, INDEX_ABOVE_MM)


def test_else_the_file_or_what_is_usual() -> None:
    engine = without_height()
    assert heights_of(4, 0.09, made_engine()) == index_height(made_engine())
    assert heights_of(4, 0.09, engine, sway_deg=0.1) == index_height(engine)
    assert heights_of(4, 0.6, engine) == index_height(engine)  # 30 mm is no index's height
    _, t, rpm, behind = swayed(4, 0.09)
    angles = FlashAngles(t, np.full(len(t), 1e-5), behind, np.full(len(t), 0.1))
    assert risen(None, angles, rpm, engine) == index_height(engine)
