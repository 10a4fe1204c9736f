"""Every flash's turn, against what the renderer's marks show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

if TYPE_CHECKING:
    from seeing_journey import Journey


def turn_errors(journey: Journey) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the turns read, one common zero aside, and their stated sds."""
    # Anticlockwise: more advance means that the rotor has turned less that way, so it stands further clockwise.
    true = journey.true_seen_deg[journey.truth_of()]
    read = np.isfinite(journey.turns.turn_deg)
    error = (journey.turns.turn_deg - true)[read]
    return (error - np.median(error) + 180) % 360 - 180, journey.turns.turn_sd_deg[read]


def test_turns_follow_the_marks(journey: Journey) -> None:
    error, _ = turn_errors(journey)
    # Where the marks are lit. 0.4 degrees are a pixel at this rim of 144 px, and the clip is coded to 1.7 Mbit/s: half
    # a pixel.
    lit = journey.true_covered[journey.truth_of()][np.isfinite(journey.turns.turn_deg)]
    assert np.sqrt(np.mean(error[lit] ** 2)) < 0.2
    assert np.isfinite(journey.turns.turn_deg).mean() > 0.9


def test_stated_sds(journey: Journey) -> None:
    error, sd = turn_errors(journey)
    pull = np.sqrt(np.mean((error / sd) ** 2))
    # Coding carries over from frame to frame, which no cell's noise shows: a factor 3 at most, and no boast of 4 less.
    assert 0.25 < pull < 3.0


def test_what_could_not_be_read_says_why(journey: Journey) -> None:
    for turn, reason in zip(journey.turns.turn_deg, journey.turns.reason, strict=True):
        assert np.isfinite(turn) == (reason == "")


def test_crops_show_the_rotor_where_it_is(journey: Journey) -> None:
    turns, pose = journey.turns, journey.view.pose
    assert 1 < len(turns.crops) <= 2 * 48
    assert np.all(np.diff(turns.crop_of) >= 0)
    size = turns.crops.shape[1] * turns.crop_scale
    for flash, crop, origin in zip(turns.crop_of, turns.crops, turns.crop_origin_px, strict=True):
        assert crop.shape[0] == crop.shape[1] and crop.dtype == np.uint8
        centre = turns.shift[flash][:2, :2] @ pose.centre_px + turns.shift[flash][:2, 2]
        assert origin + size / 2 == pytest.approx(centre, abs=2 * turns.crop_scale)
