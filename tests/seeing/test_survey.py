"""One look through a clip: all stamps, all rows' light, and lit frames from all over it within a bound of memory."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from small_files import TICKS, gradients, write_frames

from timingcam.errors import CannotMeasure
from timingcam.seeing.clip import linear_light, open_clip
from timingcam.seeing.survey import LIT_SHARE, MOST_KEPT, survey

if TYPE_CHECKING:
    from seeing_journey import Journey


def test_stamps_and_light_of_every_frame(tmp_path: Path) -> None:
    ticks = [3000 * k + (5 if k % 3 else 0) for k in range(20)]
    clip = open_clip(write_frames(tmp_path / "a.mp4", gradients(20), ticks))
    table = linear_light(clip)
    told: list[int] = []
    looked = survey(clip, table, told.append)
    assert looked.stamp_s == pytest.approx([tick / TICKS for tick in ticks], abs=1e-9)
    assert looked.light.shape == (20, 48)
    # Each picture is five codes brighter than the one before; coding is good to about one.
    assert np.all(np.diff(looked.light.whole().mean(axis=1)) > 0)
    assert told == list(range(1, 21))


def test_kept_frames_are_lit_and_from_all_over(journey: Journey) -> None:
    kept = [frame.number for frame in journey.looked.kept]
    assert kept == sorted(set(kept))
    assert 10 <= len(kept) <= MOST_KEPT
    n = len(journey.looked.stamp_s)
    # No gap of a fifth of the clip.
    assert np.diff([0, *kept, n]).max() < 0.2 * n
    over = np.percentile(journey.looked.light.whole() - journey.looked.light.whole().min(axis=0), 90, axis=1)
    # The first frames are kept as nobody knows yet how bright a lit one is.
    assert np.all(over[[k for k in kept if k > 30]] > 0.9 * LIT_SHARE * over.max())


def test_too_short(tmp_path: Path) -> None:
    clip = open_clip(write_frames(tmp_path / "a.mp4", gradients(7), [3000 * k for k in range(7)]))
    with pytest.raises(CannotMeasure) as refusal:
        survey(clip, linear_light(clip))
    assert refusal.value.found == "7 frames"
