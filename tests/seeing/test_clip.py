"""Reading a clip: which way up, how bright, at what times; and files that are none."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from small_files import TICKS, gradients, write_frames

from timingcam.errors import CannotUse
from timingcam.seeing.clip import ClipInfo, Orientation, frames, linear_light, open_clip, sha256_of
from timingcam.staging.container import display_matrix, write_display_matrix

orientations = st.builds(
    Orientation,
    width=st.integers(2, 4000),
    height=st.integers(2, 4000),
    quarter_turns=st.integers(0, 3),
    mirrored=st.booleans(),
)
# Sums of numbers up to 4000: rounding of doubles is far below a millionth of a pixel.
EXACT_PX = 1e-6


@given(orientations, st.floats(-100, 5000), st.floats(-100, 5000))
def test_shown_and_stored_are_each_others_inverse(orientation: Orientation, x: float, y: float) -> None:
    there = orientation.to_shown(np.array([x, y]))
    assert orientation.to_stored(there) == pytest.approx([x, y], abs=EXACT_PX)


@given(orientations)
def test_corners_stay_corners_and_a_mirror_changes_the_sense(orientation: Orientation) -> None:
    w, h = orientation.width - 1, orientation.height - 1
    shown_w, shown_h = orientation.shown_size
    corners = orientation.to_shown(np.array([[0, 0], [w, 0], [0, h], [w, h]], float))
    assert {tuple(c) for c in corners.round(6).tolist()} == {
        (float(x), float(y)) for x in (0, shown_w - 1) for y in (0, shown_h - 1)
    }
    assert np.linalg.det(orientation.matrix()[:2, :2]) == pytest.approx(-1 if orientation.mirrored else 1)


@given(
    st.builds(Orientation, st.just(7), st.just(5), st.integers(0, 3), st.booleans()),
    st.integers(0, 6),
    st.integers(0, 4),
)
def test_positions_go_where_the_picture_goes(orientation: Orientation, column: int, row: int) -> None:
    stored = np.zeros((5, 7))
    stored[row, column] = 1.0
    shown = orientation.show(stored)
    assert shown.shape == orientation.shown_size[::-1]
    x, y = orientation.to_shown(np.array([column, row], float)).round().astype(int)
    assert shown[y, x] == 1.0


def test_a_quarter_turn_is_clockwise() -> None:
    """Turned clockwise, the stored top-left corner becomes the top-right one (formats: after the container's turn)."""
    assert Orientation(640, 480, 1).to_shown(np.array([0.0, 0.0])) == pytest.approx([479, 0])
    assert Orientation(640, 480, 3).to_shown(np.array([0.0, 0.0])) == pytest.approx([0, 639])


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turned_deg", [0, 90, 180, 270])
def test_the_display_matrix_in_the_file(tmp_path: Path, turned_deg: int, mirrored: bool) -> None:
    """The matrix of ISO/IEC 14496-12 itself, applied to corners, is what the orientation read must do."""
    path = write_frames(tmp_path / "a.mp4", gradients(2), [0, 3000])
    matrix = display_matrix(turned_deg, (64, 48), mirrored)
    if turned_deg or mirrored:
        write_display_matrix(path, matrix, 64)
    orientation = open_clip(path).orientation
    a, b, _, c, d, _, x, y, _ = np.frombuffer(matrix, ">i4") / 65536
    for p, q in ((0, 0), (63, 0), (0, 47), (20, 11)):
        # The container's matrix moves pixel corners: a pixel's centre lies half a pixel inside.
        expected = a * (p + 0.5) + c * (q + 0.5) + x - 0.5, b * (p + 0.5) + d * (q + 0.5) + y - 0.5
        assert orientation.to_shown(np.array([p, q], float)) == pytest.approx(expected, abs=EXACT_PX)


def info(bits: int = 8, *, full_range: bool = False, hlg: bool = False) -> ClipInfo:
    return ClipInfo(Path("x"), "h264", Orientation(64, 48), 30.0, None, bits, full_range, hlg, False, 0)


@pytest.mark.parametrize("hlg", [False, True])
@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize("bits", [8, 10])
def test_light_runs_from_black_to_white_and_never_falls(bits: int, full_range: bool, hlg: bool) -> None:
    table = linear_light(info(bits, full_range=full_range, hlg=hlg))
    scale = 2 ** (bits - 8)
    black, white = (0, 2**bits - 1) if full_range else (16 * scale, 235 * scale)
    assert len(table) == 2**bits
    assert table[black] == 0
    # HLG's curve is given to 8 decimals, so white is 1 to about that.
    assert table[white] == pytest.approx(1.0, abs=1e-6)
    assert np.all(np.diff(table) >= 0)


def test_light_of_mid_grey() -> None:
    """ITU-R BT.709-6, item 1.2: V = 1.099·L^0.45 − 0.099. L = 0.18 gives V = 0.409: code 16 + 219·0.409 = 105.5."""
    table = linear_light(info())
    assert table[105] < 0.18 < table[106]
    # ITU-R BT.2100-2, table 5: signal 0.5 is a twelfth of full light; 10 bits: 64 + 876/2 = 502.
    assert linear_light(info(10, hlg=True))[502] == pytest.approx(1 / 12, rel=1e-6)


def test_frames_come_with_their_own_stamps_and_luma(tmp_path: Path) -> None:
    lumas = gradients(8)
    # The fourth is missing, so that a count of frames would be no clock.
    ticks = [900 + 3000 * k for k in (0, 1, 2, 4, 5, 6, 7, 8)]
    clip = open_clip(write_frames(tmp_path / "a.mp4", lumas, ticks))
    assert (clip.width, clip.height, clip.bits, clip.hlg, clip.has_sound) == (64, 48, 8, False, False)
    read = list(frames(clip))
    assert [frame.number for frame in read] == list(range(8))
    assert [frame.stamp_s for frame in read] == pytest.approx([tick / TICKS for tick in ticks], abs=1e-9)
    for frame, luma in zip(read, lumas, strict=True):
        # Constant rate factor 4: about a grey level.
        assert np.abs(frame.luma.astype(int) - luma).mean() < 1.0


def test_ten_bits(tmp_path: Path) -> None:
    lumas = [(luma.astype(np.uint16) << 2) + 1 for luma in gradients(3)]
    path = write_frames(
        tmp_path / "a.mp4", lumas, [0, 3000, 6000], codec="libx265", pix_fmt="yuv420p10le",
        options={"x265-params": "log-level=error:crf=4:pools=1", "preset": "ultrafast"},
    )  # fmt: skip
    clip = open_clip(path)
    assert clip.bits == 10
    read = list(frames(clip))
    assert read[0].luma.dtype == np.uint16
    for frame, luma in zip(read, lumas, strict=True):
        assert np.abs(frame.luma.astype(int) - luma).mean() < 4.0  # a grey level of eight bits


@pytest.mark.parametrize(("text", "rate"), [("240.000000", 240.0), ("fast", None), ("-3", None), ("nan", None)])
def test_capture_rate(tmp_path: Path, text: str, rate: float | None) -> None:
    path = write_frames(tmp_path / "a.mp4", gradients(2), [0, 3000], metadata={"com.android.capture.fps": text})
    assert open_clip(path).capture_fps == rate


def test_a_clip_cut_off_ends_at_its_last_whole_frame(tmp_path: Path) -> None:
    """Fragmented, as a stream or a crashed recorder leaves it: the pictures up to the break still count."""
    rng = np.random.default_rng(1)
    lumas = [rng.integers(16, 235, (48, 64)).astype(np.uint8) for _ in range(30)]
    path = write_frames(tmp_path / "a.mkv", lumas, [3000 * k for k in range(30)])
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert 3 < len(list(frames(open_clip(path)))) < 30


def broken(kind: str, folder: Path) -> Path:
    path = folder / "clip.mp4"
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("time_s,rpm\n" * 100)
    elif kind == "noise":
        path.write_bytes(np.random.default_rng(2).bytes(5000))
    elif kind == "half":
        whole = write_frames(path, gradients(20), [3000 * k for k in range(20)]).read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
    elif kind == "folder":
        path.mkdir()
    elif kind == "tiny":
        write_frames(path, [np.full((8, 8), 90, np.uint8)] * 2, [0, 3000])
    return path


@pytest.mark.parametrize("kind", ["missing", "empty", "text", "noise", "half", "folder", "tiny"])
def test_what_is_no_clip_is_refused_by_name(kind: str, tmp_path: Path) -> None:
    with pytest.raises(CannotUse) as refusal:
        open_clip(broken(kind, tmp_path))
    assert "clip.mp4" in refusal.value.found or "8 x 8" in refusal.value.found


def test_sha256(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    assert sha256_of(tmp_path / "a") == hashlib.sha256(b"abc").hexdigest()


@pytest.mark.parametrize("left", ["g.close()", "del g", "kept.append(g)"])
def test_a_clip_left_in_the_middle_does_not_hang(left: str) -> None:
    """In a process of its own, which ends with a clip still open where the last is kept."""
    sample = Path(__file__).parents[2] / "sample_media" / "left-sweep.mp4"
    program = f"""
from timingcam.seeing.clip import frames, open_clip
kept = []
info = open_clip({str(sample)!r})
for k in range(12):
    g = frames(info)
    for _ in range(1 + k % 5):
        next(g)
    {left}
g = frames(info)
next(g)
"""
    # A second or two of work; whoever hangs does so for ever.
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
