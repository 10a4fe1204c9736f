"""Clips that light a few rows with each flash: told apart from others, and more of their flashes kept."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from small_files import TICKS, gradients, write_frames

from timingcam.seeing.clip import frames, open_clip
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.place import by_the_place
from timingcam.seeing.shift import no_shift
from timingcam.seeing.slices import EACH_ROW_SHOWN, MOST_BYTES, in_slices, with_more_slices

if TYPE_CHECKING:
    from timingcam.seeing.clip import ClipInfo

H, W, N = 48, 64, 40
TABLE = np.linspace(0.0, 1.0, 256).astype(np.float32)
DARK = FlashLight(TABLE, np.sqrt(TABLE), None)


def told(rows: int) -> SimpleNamespace:
    """As `Flashes`: one in each frame, `rows` high, further down from frame to frame."""
    first = np.arange(N) * 3 % (H - rows)
    return SimpleNamespace(
        piece_first=first, piece_last=first + rows - 1, piece_frame=np.arange(N), piece_of=np.arange(N),
        rate_hz=lambda: np.linspace(10.0, 40.0, N),
    )  # fmt: skip


@pytest.fixture
def clip(tmp_path: Path) -> ClipInfo:
    return open_clip(write_frames(tmp_path / "a.mp4", gradients(N), [k * TICKS // 30 for k in range(N)]))


def kept(clip: ClipInfo, flashes: SimpleNamespace, every: int) -> list[LitPicture]:
    """Those of some frames, whole."""
    return [
        LitPicture(frame.luma, frame.number, frame.number, int(flashes.piece_first[k]), int(flashes.piece_last[k]))
        for k, frame in enumerate(frames(clip)) if k % every == 0
    ]  # fmt: skip


def test_what_slices_are() -> None:
    assert in_slices(told(H // 4 - 1), H)  # type: ignore[arg-type]
    assert not in_slices(told(H // 4), H)  # type: ignore[arg-type]
    nothing = replace_pieces(told(5), 0)
    assert not in_slices(nothing, H)  # type: ignore[arg-type]


def replace_pieces(flashes: SimpleNamespace, n: int) -> SimpleNamespace:
    cut = {name: getattr(flashes, name)[:n] for name in ("piece_first", "piece_last", "piece_frame", "piece_of")}
    return SimpleNamespace(**{**vars(flashes), **cut})


def test_more_flashes_are_kept_of_slices_and_of_no_other_clip(clip: ClipInfo) -> None:
    flashes = told(8)
    lit = kept(clip, flashes, every=4)
    more = with_more_slices(clip, flashes, DARK, lit)  # type: ignore[arg-type]
    assert more[: len(lit)] == lit
    # As many as show each row so many times, of those that there are; each once.
    assert len(more) == min(N, EACH_ROW_SHOWN * H // 8)
    assert len({one.flash for one in more}) == len(more)
    whole = {frame.number: frame.luma for frame in frames(clip)}
    for one in more[len(lit) :]:
        rows = slice(one.first, one.last + 1)
        assert np.array_equal(one.luma[rows], whole[one.frame][rows])
        assert not np.delete(one.luma, np.arange(one.first, one.last + 1), axis=0).any()
        assert one.rate_hz == flashes.rate_hz()[one.flash]
    tall = told(H // 2)
    of_others = kept(clip, tall, every=4)
    assert with_more_slices(clip, tall, DARK, of_others) is of_others  # type: ignore[arg-type]


def test_they_take_no_more_room_than_the_frames_kept_whole(clip: ClipInfo, monkeypatch: pytest.MonkeyPatch) -> None:
    flashes = told(8)
    lit = kept(clip, flashes, every=8)
    monkeypatch.setattr("timingcam.seeing.slices.MOST_BYTES", 8 * W * 9.5)
    assert len(with_more_slices(clip, flashes, DARK, lit)) == 9  # type: ignore[arg-type]
    assert MOST_BYTES <= 64e6


def test_where_a_picture_lies_is_told_before_its_other_rows_are_let_go_of(clip: ClipInfo) -> None:
    flashes = told(8)
    picture = kept(clip, flashes, every=N)[0]
    lies = replace(no_shift(np.array([W / 2, H / 2])), params=np.array([1.5, -0.5, 0.0, 0.0]))
    light = FlashLight(TABLE, np.sqrt(TABLE), np.full((H, W), 0.2, np.float32))
    stack = by_the_place(light, [replace(picture, lies=lies)])
    assert stack.shifts == [lies]
    half = replace(picture, lies=lies).smaller(2).lies
    assert half is not None and half.params[:2] == pytest.approx([0.75, -0.25])


def test_a_picture_that_lies_nowhere_by_the_place_is_left_out(clip: ClipInfo, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the black rows that are left of it anything can be made later."""
    flashes = told(8)
    lit = kept(clip, flashes, every=8)
    light = FlashLight(TABLE, np.sqrt(TABLE), np.full((H, W), 0.2, np.float32))
    placed = no_shift(np.array([W / 2, H / 2]))
    by_luma = {frame.luma.tobytes(): frame.number for frame in frames(clip)}
    monkeypatch.setattr(
        "timingcam.seeing.slices.place_of",
        lambda _, __, luma, ___: placed if by_luma[luma.tobytes()] % 2 else None,
    )
    more = with_more_slices(clip, flashes, light, lit)[len(lit) :]  # type: ignore[arg-type]
    assert more and all(one.frame % 2 and one.lies is placed for one in more)
