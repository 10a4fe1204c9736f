"""The film: that telephones can play it, that the usual one does not flash, and that it belongs to its clip."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
from made_clip import FPS, N_FRAMES, TONE_HZ, make_clip

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Measurement
from timingcam.seeing.clip import ClipInfo, Orientation
from timingcam.showing import film_light as light
from timingcam.showing.film import CARD_S, ENDING_S, Film, make_film, usual_slowness
from timingcam.showing.film_file import FRAMES_PER_S
from timingcam.showing.found import found_in

CLIP_S = N_FRAMES / FPS
# WCAG 2.2, 2.3.1 and "general flash and red flash thresholds": a flash is a pair of opposing changes in relative
# luminance of 10 % of the largest or more, where the darker of both is below 0.80; three within a second are allowed,
# and so is anything that covers less than a quarter of any ten degrees of view: 341 x 256 pixels at 1024 x 768.
GENERAL_FLASH, DARKER_BELOW, MOST_IN_A_SECOND = 0.10, 0.80, 3
VIEW_SHARE, FIELD_SHARE = 0.25, 1 / 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Measurement, Path]:
    path = tmp_path_factory.mktemp("clip") / "small.mp4"
    return make_clip(path), path


@pytest.fixture(scope="module")
def steady(made: tuple[Measurement, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Film]:
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    return path, make_film(*made, path)


@pytest.fixture(scope="module")
def flashing(made: tuple[Measurement, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Film]:
    path = tmp_path_factory.mktemp("film") / "flashing.mp4"
    return path, make_film(*made, path, flashing=True)


def luminance(path: Path) -> np.ndarray:
    """Relative luminance of every frame as a screen shows it, in places of 10 x 10 pixels."""
    found = []
    with av.open(str(path)) as film:
        for frame in film.decode(video=0):
            small = frame.reformat(width=256, height=144, format="rgb24", interpolation="AREA")
            y = light.LIGHT[small.to_ndarray()] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
            found.append(y.reshape(72, 2, 128, 2).mean(axis=(1, 3)))
    return np.array(found)


def flashes_in_a_second(y: np.ndarray) -> np.ndarray:
    """Most flashes within any second at each place: pairs of opposing changes, by WCAG's threshold."""
    n, *places = y.shape
    turns = np.zeros((n, *places), bool)
    high, low, rising = y[0].copy(), y[0].copy(), np.zeros(places, int)
    for k in range(1, n):
        now = y[k]
        high, low = np.maximum(high, now), np.minimum(low, now)
        up = (now - low >= GENERAL_FLASH) & (low < DARKER_BELOW) & (rising != 1)
        down = (high - now >= GENERAL_FLASH) & (now < DARKER_BELOW) & (rising != -1)
        turns[k] = up | down
        rising = np.where(up, 1, np.where(down, -1, rising))
        high, low = np.where(up | down, now, high), np.where(up | down, now, low)
        # While it goes on in its direction the extreme follows, so that the way back counts from there.
        high, low = (
            np.where(rising == 1, np.maximum(high, now), high),
            np.where(rising == -1, np.minimum(low, now), low),
        )
    counted = np.cumsum(np.concatenate([np.zeros((1, *places)), turns]), axis=0)
    window = min(FRAMES_PER_S, n)
    return (counted[window:] - counted[:-window]).max(axis=0) / 2.0


def worst_view(flashes: np.ndarray) -> float:
    """Largest share of any ten degrees of view that flashes more often than it may."""
    bad = (flashes > MOST_IN_A_SECOND).astype(float)
    h, w = (round(size * FIELD_SHARE) for size in bad.shape)
    views = np.lib.stride_tricks.sliding_window_view(bad, (h, w))
    return float(views.mean(axis=(2, 3)).max())


def test_the_usual_film_is_no_flash_by_wcag(steady: tuple[Path, Film]) -> None:
    y = luminance(steady[0])
    whole = y.mean(axis=(1, 2))
    # As a whole it never changes by a tenth at all, not even slowly; nor does any ten degrees of view flash.
    assert np.ptp(whole) < GENERAL_FLASH
    assert worst_view(flashes_in_a_second(y)) < VIEW_SHARE
    assert flashes_in_a_second(whole[:, None, None]).max() == 0


def test_the_flashing_one_would_be_found_out(flashing: tuple[Path, Film]) -> None:
    y = luminance(flashing[0])
    assert worst_view(flashes_in_a_second(y)) > VIEW_SHARE
    # Its warning stands still first.
    card = y[: round(CARD_S * FRAMES_PER_S) - 1].mean(axis=(1, 2))
    assert np.ptp(card) < 0.02


def test_telephones_play_it(steady: tuple[Path, Film]) -> None:
    path, film = steady
    said = subprocess.run(
        ["ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", str(path)],
        capture_output=True, check=True,
    )  # fmt: skip
    probe = json.loads(said.stdout)
    (video,) = (s for s in probe["streams"] if s["codec_type"] == "video")
    assert (video["codec_name"], video["pix_fmt"], video["profile"]) == ("h264", "yuv420p", "High")
    assert (video["width"], video["height"], video["avg_frame_rate"]) == (1280, 720, "30/1")
    # Level 4.1 is what telephones of the last ten years decode (common practice, no source).
    assert video["level"] <= 41
    assert video["color_space"] == "bt709"
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # the table of contents comes first: it plays while it loads
    # The last flash, just before the clip's end, is held for a fifth of a second.
    assert 0 <= float(video["duration"]) - film.slower * CLIP_S - ENDING_S <= 0.2


def test_it_is_slow_enough_to_see_each_flash(made: tuple[Measurement, Path]) -> None:
    measurement, _ = made
    between_s = np.diff(measurement.readings.time_s[measurement.readings.used]).min()
    assert usual_slowness(measurement) * between_s >= 1 / 8


def test_sound_is_slowed_at_its_own_pitch(steady: tuple[Path, Film]) -> None:
    path, film = steady
    assert film.slower == 2 and film.sound == "slowed, at its own pitch"
    with av.open(str(path)) as file:
        samples = np.concatenate([f.to_ndarray()[0] for f in file.decode(audio=0)])
    # A block of AAC at either end, and what the filter holds back (80 ms).
    assert len(samples) / 48_000 == pytest.approx(film.slower * CLIP_S, abs=0.15)
    middle = samples[24_000:-24_000]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    assert np.argmax(spectrum) * 48_000 / len(middle) == pytest.approx(TONE_HZ, rel=0.01)


def test_a_silent_clip_makes_a_silent_film(tmp_path: Path) -> None:
    silent = make_clip(tmp_path / "silent.mp4", sound=False)
    assert make_film(silent, tmp_path / "silent.mp4", tmp_path / "b.mp4", slower=1.0).sound == "none in the clip"


def test_marks_are_drawn_where_they_are(made: tuple[Measurement, Path]) -> None:
    measurement, _ = made
    from_rotor = light.framing(measurement)
    found = found_in(measurement.pictures, 6, from_rotor)
    centre = from_rotor @ [0, 0, 1]
    centre_px = centre[:2] / centre[2]
    ends = found.marks[0] - centre_px
    # The line lies along the mark's own direction, towards the centre, within the rim.
    angle = np.degrees(np.arctan2(ends[:, 1], ends[:, 0]))
    wanted = measurement.pictures.mark_deg[0] + measurement.pictures.rotor_deg[6]
    assert np.allclose((angle - wanted + 180) % 360 - 180, 0.0, atol=1e-6)
    rim_px = np.hypot(*(found.rim - centre_px).T)
    assert np.all(np.hypot(*ends.T) < rim_px.min())
    # The index's tip is where the clip's own index ends: 48 px from the top, in pixels of the film.
    scale = rim_px.mean() / 70.0
    assert found.index[1] == pytest.approx(centre_px + scale * np.array([0.0, -72.1]), abs=1e-6)


def test_a_flash_that_was_not_read_has_no_marks(made: tuple[Measurement, Path], tmp_path: Path) -> None:
    measurement, clip = made
    p = measurement.pictures
    turned, planes = p.rotor_deg.copy(), p.to_rotor.copy()
    turned[3], planes[4] = np.nan, np.nan
    unread = replace(measurement, pictures=replace(p, rotor_deg=turned, to_rotor=planes))
    film = make_film(unread, clip, tmp_path / "film.mp4", slower=4.5)
    assert film.sound.startswith("left out")  # as slow as this no engine can be told by its sound
    assert not np.any(np.isfinite(found_in(unread.pictures, 3, light.framing(unread)).marks))


def test_another_clip_is_refused(made: tuple[Measurement, Path], tmp_path: Path) -> None:
    measurement, _ = made
    other = tmp_path / "other.mp4"
    make_clip(other, sound=False)
    with pytest.raises(CannotUse, match="not the clip that this result was measured from"):
        make_film(measurement, other, tmp_path / "film.mp4")
    assert not (tmp_path / "film.mp4").exists()


def test_nothing_read_nothing_filmed(made: tuple[Measurement, Path], tmp_path: Path) -> None:
    measurement, clip = made
    p = measurement.pictures
    blind = replace(measurement, pictures=replace(p, to_rotor=np.full_like(p.to_rotor, np.nan)))
    with pytest.raises(CannotUse, match=r"flashes\.npz"):
        make_film(blind, clip, tmp_path / "film.mp4")


def upright(turns: int) -> ClipInfo:
    return ClipInfo(Path("clip.mp4"), "h264", Orientation(64, 48, turns), 60.0, None, 8, False, False, False, 0)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_rows_that_were_lit_are_the_sensors_own(turns: int) -> None:
    info = upright(turns)
    share = light.lit_share(light.Piece(0, 0, 10, 30), info)
    width, height = info.orientation.shown_size
    assert share.shape == (height, width)
    for row, lit in ((5, 0.0), (20, 1.0), (40, 0.0)):
        x, y = np.round(info.orientation.to_shown(np.array([32.0, row]))).astype(int)
        assert share[y, x] == lit


def test_a_flash_at_the_foot_of_a_frame_lights_the_next_ones_head(made: tuple[Measurement, Path]) -> None:
    measurement, _ = made
    p, height = measurement.pictures, 240
    first = p.row_first.copy()
    last = p.row_last.copy()
    first[0], last[0] = 200, height - 1
    # 100 µs a row, 28 ms open: a band of 280 rows, of which the frame's period of 333 rows leaves 146 and more for
    # the next.
    camera = replace(measurement.camera, line_time_s=1e-4, exposure_s=0.028)
    at_foot = replace(measurement, camera=camera, pictures=replace(p, row_first=first, row_last=last))
    pieces = [piece for piece in light.pieces_of(at_foot, height) if piece.flash == 0]
    assert [(piece.frame, piece.first, piece.last) for piece in pieces] == [(0, 200, 239), (1, 0, 146)]
