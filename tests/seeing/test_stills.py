"""Kept frames with what each flash lit of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from timingcam.seeing.light import LitPicture
from timingcam.seeing.stills import _dark_rows, some_of

if TYPE_CHECKING:
    from seeing_journey import Journey


def test_each_lit_piece_of_a_kept_frame_is_a_picture(journey: Journey) -> None:
    kept = {frame.number for frame in journey.looked.kept}
    expected = sorted(
        (int(frame), int(flash))
        for frame, flash in zip(journey.flashes.piece_frame, journey.flashes.piece_of, strict=True)
        if int(frame) in kept
    )
    assert sorted((p.frame, p.flash) for p in journey.lit) == expected
    by_number = {frame.number: frame for frame in journey.looked.kept}
    for p in journey.lit:
        assert p.luma is by_number[p.frame].luma
        assert 0 <= p.first < p.last < journey.info.height


def test_rows_called_lit_are_bright(journey: Journey) -> None:
    """Every row lit in full has three quarters of its usual light at least; flashes differ by some percent."""
    light, best = journey.looked.light.whole(), _best(journey)
    usual = np.median(
        np.concatenate([light[p.frame, p.first : p.last + 1] / best[p.first : p.last + 1] for p in journey.lit])
    )
    for p in journey.lit:
        rows = slice(p.first, p.last + 1)
        assert np.all(journey.looked.light.whole()[p.frame, rows] > 0.75 * usual * _best(journey)[rows])


def _best(journey: Journey) -> np.ndarray:
    return np.percentile(journey.looked.light.whole(), 90, axis=0)


def test_the_place_s_own_light_is_known_or_does_not_matter(journey: Journey) -> None:
    """6 % of the flash's light in this scene: it matters, and is learnt from rows that no flash touched."""
    assert journey.light.ambient is not None
    dark = journey.light.ambient[journey.light.ambient.sum(axis=1) > 0].mean()
    lit = journey.looked.light.whole().max(axis=0).mean()
    # The strobe's light is a spot that falls off to a half within the picture, the place's is not, and the tone curve
    # is known to a tenth: a factor 3 about what the scene says.
    assert 1 / 3 < dark / (0.06 / 1.26 * lit) < 3


def test_so_many_pictures_as_show_every_row_some_times() -> None:
    def lit(n: int, rows: int) -> list[LitPicture]:
        return [LitPicture(np.zeros((2, 2), np.uint8), k, k, 0, rows - 1) for k in range(n)]

    frames = [one.frame for one in some_of(lit(90, 120), 480, 5.0)]
    assert len(frames) == 20 and frames[0] == 0 and frames[-1] == 89  # five times four bands, from all over the clip
    assert len(some_of(lit(90, 480), 480, 5.0)) == 5
    assert len(some_of(lit(90, 480), 480, 5.0, fewest=10)) == 10
    assert len(some_of(lit(90, 120), 480, 5.0, most=12)) == 12
    assert len(some_of(lit(3, 120), 480, 5.0, fewest=10)) == 3
    assert some_of([], 480, 5.0) == []


def test_a_frame_written_twice_shows_nothing_of_the_place_alone(journey: Journey) -> None:
    """Its flashes are not counted again, and their light is not the place's."""
    frames = [frame.number for frame in journey.looked.kept]
    bands = journey.bands.some(~np.isin(journey.bands.frame, frames))
    dark = _dark_rows(replace(bands, again=np.array(frames)))
    assert not any(dark[frame].any() for frame in frames)
