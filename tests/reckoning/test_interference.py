"""Flashes that fit no spark: left out, and no other flash suffers."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from flash_runs import Run, angles, simulate, sweep

from timingcam.reckoning.tacho import FlashAngles, Speed, crank_speed

SWEEP = Run(rpm=sweep, frame_s=1 / 30, sight_s=0.8 / 30, time_sd_s=20e-6)


def with_interference(seed: int, n: int, run: Run = SWEEP) -> tuple[Speed, np.ndarray, np.ndarray]:
    """Speed from a sweep with flashes added at any time; which are those; the true speed, NaN at those."""
    rng = np.random.default_rng(seed)
    seen = simulate(run, rng)
    real = angles(seen)
    added_s = rng.uniform(real.time_s[6], real.time_s[-6], n)
    time_s = np.r_[real.time_s, added_s]
    order = np.argsort(time_s)
    nothing = np.full(n, np.nan)
    flashes = FlashAngles(
        time_s[order],
        np.r_[real.time_sd_s, np.full(n, run.time_sd_s)][order],
        np.r_[real.seen_deg, nothing][order],
        np.r_[real.seen_sd_deg, nothing][order],
    )
    speed = crank_speed(flashes, run.sparks_per_rev, seen.windows_s)
    return speed, order >= len(real), np.r_[seen.true_rpm, nothing][order]


@pytest.mark.slow
def test_one_among_hundreds() -> None:
    """One breaks the count of all that follow if it is taken for a spark."""
    caught = 0
    for seed in range(10):
        speed, added, true_rpm = with_interference(seed, 1)
        caught += int((speed.stray | speed.double)[added].sum())
        assert np.count_nonzero(speed.stray[~added]) <= 1
        # What is asked of such a sweep without any: three thousandths.
        assert np.sqrt(np.nanmean((speed.rpm / true_rpm - 1)[~added] ** 2)) < 3e-3
    # What comes within a few hundredths of a period of a spark may pass for it, or the spark for its second flash:
    # one in ten or so.
    assert caught >= 8


def test_three_are_told_of() -> None:
    speed, added, true_rpm = with_interference(22, 3)
    assert any("left out" in told for told in speed.warnings)
    assert np.sqrt(np.nanmean((speed.rpm / true_rpm - 1)[~added] ** 2)) < 3e-3


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_left_out_of_a_clean_run(seed: int) -> None:
    speed, _, _ = with_interference(seed, 0)
    assert not speed.stray.any()
    assert not any("left out" in told for told in speed.warnings)
