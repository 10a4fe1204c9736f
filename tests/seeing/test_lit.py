"""Which flashes lit a mark and which the index, against what the renderer knows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from timingcam.seeing.lit import marks_lit

if TYPE_CHECKING:
    from seeing_journey import Journey


def test_against_the_renderer(journey: Journey) -> None:
    mark, index = marks_lit(journey.flashes, journey.turns, journey.view, journey.marks)
    lit = mark & index
    covered = journey.true_covered[journey.truth_of()]
    read = np.isfinite(journey.turns.turn_deg)
    assert not (mark | index)[~read].any()
    # They differ where a band's edge lies within a few rows of the index or a mark's end: the renderer counts rows lit
    # by half and the middle of the nearest mark, this counts rows lit in full, near the mark's end.
    assert np.mean(lit[read] == covered[read]) > 0.9
    assert covered.any()


def test_rows_elsewhere_do_not_count(journey: Journey) -> None:
    """The same flashes, had they lit the foot of the picture only: the index is at the top."""
    height = journey.info.height
    below = replace(
        journey.flashes,
        piece_first=np.full_like(journey.flashes.piece_first, height // 2),
        piece_last=np.full_like(journey.flashes.piece_last, height - 1),
    )
    assert not np.any(marks_lit(below, journey.turns, journey.view, journey.marks))
    whole = replace(
        journey.flashes,
        piece_first=np.zeros_like(journey.flashes.piece_first),
        piece_last=np.full_like(journey.flashes.piece_last, height - 1),
    )
    read = np.isfinite(journey.turns.turn_deg)
    mark, index = marks_lit(whole, journey.turns, journey.view, journey.marks)
    assert mark[read].all() and index[read].all()


def test_a_mark_without_the_index(journey: Journey) -> None:
    """The same flashes, had they lit all but the index at the top: marks reach further in."""
    index = journey.marks.index
    tip = journey.view.pose.to_image(index.radius * np.array([[np.cos(a := np.radians(index.deg)), np.sin(a)]]))[0]
    ends = index.radius - max(mark.inner for mark in journey.marks.marks)
    first = int(tip[1] + 0.3 * ends * journey.view.pose.radius_px)
    height = journey.info.height
    most = replace(
        journey.flashes,
        piece_first=np.full_like(journey.flashes.piece_first, first),
        piece_last=np.full_like(journey.flashes.piece_last, height - 1),
    )
    mark, index_too = marks_lit(most, journey.turns, journey.view, journey.marks)
    assert mark.any() and not index_too.any()
