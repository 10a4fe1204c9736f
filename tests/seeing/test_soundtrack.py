"""A clip's sound on the clock of its pictures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import av
import numpy as np
import pytest

from timingcam.seeing.clip import ClipInfo, open_clip
from timingcam.seeing.soundtrack import LONGEST_S, RATE_HZ, Soundtrack, read_sound

if TYPE_CHECKING:
    from conftest import SmallClip

CLICKS_S = (0.5, 1.25, 2.0)


def made_clip(path: Path, *, first_picture: int = 0, sound_s: float = 2.5, rate: int = 44_100) -> ClipInfo:
    """25 grey frames a second from frame `first_picture` on, and stereo clicks at known times."""
    with av.open(str(path), "w") as file:
        video = file.add_stream("mpeg4", rate=25)
        video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
        sound = file.add_stream("pcm_s16le", rate=rate)
        sound.layout = "stereo"  # type: ignore[attr-defined]
        for n in range(60):
            picture = av.VideoFrame.from_ndarray(np.full((48, 64), 90, np.uint8), format="gray").reformat(
                format="yuv420p"
            )
            picture.pts = n + first_picture
            file.mux(video.encode(picture))
        file.mux(video.encode(None))
        wave = np.zeros((1, 2 * int(sound_s * rate)), np.int16)
        for click_s in CLICKS_S:
            at = int(click_s * rate)
            wave[0, 2 * at : 2 * at + 80] = 20_000
        piece = av.AudioFrame.from_ndarray(wave, format="s16", layout="stereo")
        piece.sample_rate, piece.pts = rate, 0
        file.mux(sound.encode(piece))
        file.mux(sound.encode(None))
    return open_clip(path)


def clicks_s(track: Soundtrack) -> np.ndarray:
    """Where clicks begin, by the clip's clock."""
    loud = np.abs(track.samples) > 0.2
    return np.flatnonzero(loud[1:] & ~loud[:-1]) / track.rate_hz + track.start_s


def test_clicks_are_where_they_were(tmp_path: Path) -> None:
    track = read_sound(made_clip(tmp_path / "clip.mov"))
    assert track is not None and track.rate_hz == RATE_HZ
    # Half a millisecond: four samples, which the filter of the change of rate smears a click over.
    assert clicks_s(track)[:3] == pytest.approx(CLICKS_S, abs=5e-4)


def test_by_the_first_picture_s_clock(tmp_path: Path) -> None:
    """Pictures that begin ten frames, 0.4 s, after the sound."""
    track = read_sound(made_clip(tmp_path / "clip.mkv", first_picture=10))
    assert track is not None and track.start_s == pytest.approx(-0.4, abs=2e-3)


def test_no_sound_none_of_slow_motion(tmp_path: Path) -> None:
    info = made_clip(tmp_path / "clip.mov")
    assert read_sound(info, stretch=0.125) is None
    assert read_sound(info, stretch=1.001) is not None
    assert read_sound(replace(info, has_sound=False)) is None


def test_a_file_that_is_no_clip_any_more_has_none(tmp_path: Path) -> None:
    info = made_clip(tmp_path / "clip.mov")
    info.path.write_bytes(b"\0" * 2000)
    assert read_sound(info) is None


def test_a_long_one_is_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("timingcam.seeing.soundtrack.LONGEST_S", 1.0)
    track = read_sound(made_clip(tmp_path / "clip.mov"))
    assert track is not None and len(track.samples) == RATE_HZ < LONGEST_S * RATE_HZ


def test_of_a_rendered_clip(small_clip: SmallClip) -> None:
    track = read_sound(open_clip(small_clip.path))
    assert track is not None
    # Coded in blocks of 1024 samples of 48 kHz; one more at the most.
    assert len(track.samples) / RATE_HZ == pytest.approx(4.0, abs=0.03) and abs(track.start_s) < 0.03
