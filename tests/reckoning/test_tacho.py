"""Crank speed from flash times and angles."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from flash_runs import Run, angles, rms_rel, simulate, steady, sweep, taken

from timingcam.errors import CannotMeasure
from timingcam.reckoning.tacho import FlashAngles, constant_speed, crank_speed, speed_from_table

CAMERAS = [(30, 0.5), (60, 0.75), (240, 1.0)]  # frames a second, share of each frame in which a flash is seen
# Two engine speeds that lock to no frame rate, and 20 or 60 µs: a line time, and three of them.
STEADY = [(1153.0, 20e-6), (3070.0, 20e-6), (6130.0, 60e-6)]


@pytest.mark.parametrize(("fps", "sight"), CAMERAS)
@pytest.mark.parametrize(("rpm", "time_sd_s"), STEADY)
def test_steady_within_a_thousandth(fps: int, sight: float, rpm: float, time_sd_s: float) -> None:
    run = Run(rpm=steady(rpm), frame_s=1 / fps, sight_s=sight / fps, time_sd_s=time_sd_s, wander_share=5e-4)
    seen, speed = taken(run, 1)
    assert rms_rel(seen, speed) < 1e-3


@pytest.mark.parametrize(("fps", "sight"), CAMERAS)
@pytest.mark.parametrize("seed", [2, 3])
def test_sweep_of_1500_rpm_a_second_within_three_thousandths(fps: int, sight: float, seed: int) -> None:
    run = Run(rpm=sweep, frame_s=1 / fps, sight_s=sight / fps, time_sd_s=40e-6, wander_share=1e-3, missed_share=0.1)
    seen, speed = taken(run, seed)
    assert np.isfinite(speed.rpm).mean() > 0.95
    assert rms_rel(seen, speed) < 3e-3


def test_long_exposure_steady() -> None:
    """Flashes without an edge, known to 2 ms."""
    seen, speed = taken(Run(rpm=steady(3070.0), time_sd_s=2e-3, wander_share=5e-4), 4)
    assert rms_rel(seen, speed) < 1e-3


def test_stated_sd_is_the_real_one() -> None:
    pulls = []
    for seed in range(8):
        seen, speed = taken(Run(rpm=sweep, frame_s=1 / 60, sight_s=0.75 / 60, time_sd_s=40e-6), seed)
        pulls.append((speed.rpm - seen.true_rpm) / speed.rpm_sd)
    pull = np.concatenate(pulls)
    pull = pull[np.isfinite(pull)]
    # Kinks of the throttle are in no smooth model: within a quarter of 1 is what can be asked.
    assert 0.75 < pull.std() < 1.25
    assert np.mean(np.abs(pull) < 1.96) > 0.9


def test_fast_sweeps_keep_their_sparks() -> None:
    def saw(t: np.ndarray) -> np.ndarray:
        return 1200 + 4800 * np.abs((t / 3.2) % 1 * 2 - 1)  # 3000 rpm a second, up and down

    run = Run(rpm=saw, frame_s=1 / 240, sight_s=1 / 240, missed_share=0.2, time_sd_s=20e-6)
    seen, speed = taken(run, 5)
    assert np.array_equal(speed.spark - speed.spark[0], seen.spark - seen.spark[0])
    assert rms_rel(seen, speed) < 5e-3


def test_blips() -> None:
    def blips(t: np.ndarray) -> np.ndarray:
        return 1200 + 4000 * np.exp(-(((t - 3) / 0.35) ** 2)) + 4000 * np.exp(-(((t - 8) / 0.3) ** 2))

    seen, speed = taken(Run(rpm=blips), 6)
    assert rms_rel(seen, speed) < 3e-3


def test_no_lag() -> None:
    """Rising and falling through the same speed, errors must not have opposite signs."""
    seen, speed = taken(Run(rpm=sweep, frame_s=1 / 60, sight_s=0.75 / 60, time_sd_s=60e-6), 7)
    error = speed.rpm / seen.true_rpm - 1
    rising = (seen.time_s > 1.5) & (seen.time_s < 4.0)
    falling = (seen.time_s > 6.0) & (seen.time_s < 8.5)
    # A lag of 10 ms at 1500 rpm/s would be 15 rpm either way, 0.5 % apart at 6000 rpm and more below.
    assert abs(np.nanmean(error[rising]) - np.nanmean(error[falling])) < 5e-4


def test_same_forwards_and_backwards() -> None:
    seen = simulate(Run(rpm=sweep, missed_share=0.15), np.random.default_rng(8))
    ahead = crank_speed(angles(seen), 0.5, seen.windows_s)
    turned = FlashAngles(
        12.0 - seen.time_s[::-1], seen.time_sd_s[::-1].copy(), -seen.seen_deg[::-1], seen.seen_sd_deg[::-1].copy()
    )
    back = crank_speed(turned, 0.5, 12.0 - seen.windows_s[::-1, ::-1])
    # The search for the likeliest smoothing stops within a few per cent of a parameter: far below an sd of the speed.
    assert np.max(np.abs(back.rpm[::-1] - ahead.rpm) / ahead.rpm_sd) < 0.1


@pytest.mark.parametrize("after_s", [3e-4, 4e-3])
def test_double_flashes_are_told(after_s: float) -> None:
    seen, speed = taken(Run(rpm=sweep, double_share=0.15, double_after_s=after_s, missed_share=0.0), 9)
    # A first flash that fell into the read-out gap leaves its second one alone: at most one or two.
    assert np.mean(speed.double == seen.double) > 0.98
    assert rms_rel(seen, speed) < 3e-3


def test_unread_rotor_falls_back_on_the_times() -> None:
    some, some_speed = taken(Run(rpm=sweep, unread_share=0.3), 10)
    none, none_speed = taken(Run(rpm=steady(3070.0), unread_share=1.0, wander_share=5e-4), 10)
    assert rms_rel(some, some_speed) < 3e-3
    assert rms_rel(none, none_speed) < 1e-3


def test_misread_angles_do_not_pull() -> None:
    seen, speed = taken(Run(rpm=steady(3070.0), stray_share=0.03, wander_share=5e-4), 11)
    straight = np.abs(np.nan_to_num(seen.seen_deg - seen.true_advance_deg)) < 2
    assert np.sqrt(np.nanmean((speed.rpm / seen.true_rpm - 1)[straight] ** 2)) < 2e-3


def test_stall_gives_no_speed_beside_the_stop() -> None:
    def stall(t: np.ndarray) -> np.ndarray:
        return np.interp(t, [0, 5, 6, 8, 8.4, 20], [1500, 1500, 50, 1, 1400, 1400])

    seen, speed = taken(Run(rpm=stall, duration_s=11.0), 12)
    gap = int(np.argmax(np.diff(seen.time_s)))
    assert np.isnan(speed.rpm[[gap, gap + 1]]).all()
    assert any("paused" in sentence for sentence in speed.warnings)
    well_before = seen.time_s < 4.8
    assert np.nanmax(np.abs(speed.rpm / seen.true_rpm - 1)[well_before]) < 0.01


def test_spark_in_every_turn_of_a_four_stroke() -> None:
    """The crank is ahead and behind by turns; that is no change of speed."""
    seen, speed = taken(Run(rpm=steady(3070.0), sparks_per_rev=1.0, wander_share=5e-4), 13)
    assert rms_rel(seen, speed) < 1e-3


def test_sparks_per_rev_of_the_wrong_kind_is_reported() -> None:
    """A spark in every turn counted as one in two: the flashes say twice the speed that the marks' jitter shows."""
    _, speed = taken(Run(rpm=steady(3070.0), sparks_per_rev=1.0, time_sd_s=5e-6, ripple_share=0.0), 14, 0.5)
    assert any("half as fast" in sentence for sentence in speed.warnings)
    _, right = taken(Run(rpm=steady(3070.0), sparks_per_rev=1.0, time_sd_s=5e-6, ripple_share=0.0), 14, 1.0)
    assert right.warnings == ()


def test_flashes_on_every_other_turn_only_are_reported() -> None:
    """A spark in two turns counted as one in every turn: half the speed that the marks' jitter shows."""
    _, speed = taken(Run(rpm=steady(3070.0), time_sd_s=5e-6, ripple_share=0.0), 21, 1.0)
    assert any("twice as fast" in sentence and "sparks_per_rev" in sentence for sentence in speed.warnings)


def test_advance_that_alternates_from_flash_to_flash_is_reported() -> None:
    """Two lobes of a trigger cam, three degrees apart, each seen at every other flash."""
    run = Run(rpm=steady(3070.0), missed_share=0.0, jitter_deg=0.3)
    seen = simulate(run, np.random.default_rng(22))
    early = np.where(seen.spark % 2 == 0, 1.5, -1.5)
    told = FlashAngles(
        seen.time_s - early / (6 * 3070.0), seen.time_sd_s.copy(), seen.seen_deg + early, seen.seen_sd_deg.copy()
    )
    speed = crank_speed(told, 0.5, seen.windows_s)
    assert any("differs by 3.0 degrees from flash to flash in turn" in sentence for sentence in speed.warnings)
    assert rms_rel(seen, speed) < 3e-3  # sparks three degrees apart are no change of speed: 0.4 % of two turns


def test_flashes_that_hide_between_frames_are_an_open_question() -> None:
    """7200 rpm at 30 frames a second: two flashes a frame, one of them always in the read-out gap."""
    run = Run(rpm=steady(7200.0), frame_s=1 / 30, sight_s=0.0155, missed_share=0.0, wander_share=1e-5, time_sd_s=60e-6)
    _, speed = taken(run, 15)
    assert any("2 times as fast" in sentence for sentence in speed.warnings)


def test_no_false_alarms() -> None:
    for seed in range(6):
        _, speed = taken(Run(frame_s=1 / 60, sight_s=1 / 60), 100 + seed)
        assert speed.warnings == ()


def test_too_few_flashes_or_too_badly_timed() -> None:
    few = FlashAngles(np.arange(3) * 0.04, np.full(3, 1e-5), np.zeros(3), np.full(3, 0.1))
    with pytest.raises(CannotMeasure, match="3 flashes"):
        crank_speed(few, 0.5)
    vague = FlashAngles(np.arange(50) * 0.04, np.full(50, 5e-3), np.zeros(50), np.full(50, 0.1))
    with pytest.raises(CannotMeasure, match="of the time between flashes"):
        crank_speed(vague, 0.5)


def test_flash_of_unknown_time_takes_its_neighbours_speed() -> None:
    time_sd_s = np.full(40, 1e-5)
    time_sd_s[20] = np.inf
    speed = crank_speed(FlashAngles(np.arange(40) * 0.04, time_sd_s, np.full(40, 12.0), np.full(40, 0.1)), 0.5)
    assert speed.rpm[20] == pytest.approx(3000, rel=1e-3)
    assert np.isfinite(speed.rpm_sd[20])


def test_given_and_logged_speed() -> None:
    assert np.all(constant_speed(2500.0, 7).rpm == 2500.0)
    table = speed_from_table(np.array([0.0, 1.0, 2.0]), np.array([1000.0, 2000.0, 3000.0]), np.array([0.5, 1.5, 2.5]))
    assert table.rpm[:2] == pytest.approx([1500, 2500])
    assert np.isnan(table.rpm[2])
    assert "1 of 3 flashes" in table.warnings[0]
