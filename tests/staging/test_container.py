"""The finished file: stamps, rotation, sound, truth beside it; read back with PyAV and ffprobe."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess

import av
import numpy as np
import pytest
from click.testing import CliRunner

from timingcam.cli.render import render
from timingcam.errors import CannotUse
from timingcam.staging.container import display_matrix
from timingcam.staging.motion import crank_motion
from timingcam.staging.render import prepare, render_clip
from timingcam.staging.scene import read_scene
from timingcam.staging.sound import SAMPLES_PER_S, engine_sound

SMALL = "width = 320\nheight = 240\ndistance_mm = 750.0"


def stamps_of(path) -> list[float]:
    with av.open(str(path)) as file:
        return [float(frame.pts * frame.time_base) for frame in file.decode(video=0)]


def probed(path, entry: str) -> str:
    ask = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", entry, "-of", "csv=p=0", str(path)]
    return subprocess.run(ask, capture_output=True, text=True, check=True, timeout=30).stdout.strip()


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ('rounded_to = "exact"', lambda n: n / 30),
        ('rounded_to = "1 ms"', lambda n: np.round(n / 30, 3)),
        ('rounded_to = "1/600 s"', lambda n: np.round(n / 30 * 600) / 600),
        ("first_s = 0.5", lambda n: 0.5 + n / 30),
        ("stretched_to_fps = 10.0", lambda n: n / 10),
    ],
)
def test_stamps_come_back_exactly(staged, tmp_path, table, expected):
    scene = staged(camera=SMALL, run="duration_s = 0.3", tail=f"[camera.stamps]\n{table}\n")
    render_clip(scene, tmp_path / "clip.mp4")
    assert stamps_of(tmp_path / "clip.mp4") == pytest.approx(expected(np.arange(9)), abs=0.5 / 90000)


def test_dropped_and_doubled_frames(staged, tmp_path):
    tail = "[camera.stamps]\ndropped_share = 0.3\nduplicated_share = 0.2\n"
    scene = staged(camera=SMALL, run="duration_s = 1.0", light="ambient = 0.3", tail=tail)
    render_clip(scene, tmp_path / "clip.mp4")
    told = json.loads((tmp_path / "clip.truth.json").read_text())["frames_written"]
    assert stamps_of(tmp_path / "clip.mp4") == pytest.approx([one["stamp_s"] for one in told], abs=0.5 / 90000)
    assert len(told) < 30
    assert any(one["shows"] != round(one["stamp_s"] * 30) for one in told)


def test_capture_rate_is_in_the_file(staged, tmp_path):
    tail = "[camera.stamps]\nstretched_to_fps = 30.0\n"
    render_clip(staged(camera=SMALL + "\nfps = 120", run="duration_s = 0.1", tail=tail), tmp_path / "clip.mp4")
    with av.open(str(tmp_path / "clip.mp4")) as file:
        assert float(file.metadata["com.android.capture.fps"]) == 120


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
@pytest.mark.parametrize(("rotation", "told"), [(0, ""), (90, "-90"), (180, "-180"), (270, "90")])
def test_rotation_as_ffprobe_reads_it(staged, tmp_path, rotation, told):
    """ffprobe tells the turn anticlockwise; PyAV must agree with it."""
    render_clip(staged(camera=f"{SMALL}\nrotation = {rotation}", run="duration_s = 0.1"), tmp_path / "clip.mp4")
    assert probed(tmp_path / "clip.mp4", "stream_side_data=rotation").strip(",\n") == told
    with av.open(str(tmp_path / "clip.mp4")) as file:
        assert (next(file.decode(video=0)).rotation - int(told or 0)) % 360 == 0


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_display_matrix_carries_corners_into_the_picture(rotation, mirrored):
    a, b, _, c, d, _, x, y, _ = np.frombuffer(display_matrix(rotation, (640, 480), mirrored), ">i4") / 65536
    corners = {(a * p + c * q + x, b * p + d * q + y) for p in (0, 640) for q in (0, 480)}
    wide, high = (480, 640) if rotation in (90, 270) else (640, 480)
    assert corners == {(p, q) for p in (0, wide) for q in (0, high)}
    assert np.sign(a * d - b * c) == (-1 if mirrored else 1)
    # Published: 90° clockwise is a 0, b 1, c −1, d 0 (ISO/IEC 14496-12).
    assert rotation != 90 or mirrored or (a, b, c, d) == (0, 1, -1, 0)


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_hlg_is_tagged(staged, tmp_path):
    camera = f'{SMALL}\ncodec = "hevc"\nbits = 10\ntone = "hlg"'
    render_clip(staged(camera=camera, run="duration_s = 0.1"), tmp_path / "clip.mp4")
    assert "arib-std-b67" in probed(tmp_path / "clip.mp4", "stream=color_transfer")


def test_variable_frame_rate(staged, tmp_path):
    scene = staged(camera=SMALL + "\nfps_changes = [[0.2, 20.0]]", run="duration_s = 0.5")
    render_clip(scene, tmp_path / "clip.mp4")
    expected = [n / 30 for n in range(7)] + [0.2 + n / 20 for n in range(1, 6)]
    assert stamps_of(tmp_path / "clip.mp4") == pytest.approx(
        expected[: len(stamps_of(tmp_path / "clip.mp4"))], abs=1e-5
    )
    assert len(stamps_of(tmp_path / "clip.mp4")) >= 12


@pytest.mark.parametrize(("codec", "bits", "pixels"), [("h264", 8, "yuv420p"), ("hevc", 8, "yuv420p"), ("hevc", 10, "yuv420p10le")])  # fmt: skip  # noqa: E501
def test_what_is_decoded_is_what_was_rendered(staged, tmp_path, codec, bits, pixels):
    from timingcam.staging.render import frames

    camera = f'{SMALL}\ncodec = "{codec}"\nbits = {bits}\nnearly_lossless = true\nexposure_s = 0.03'
    scene = staged(camera=camera, run="duration_s = 0.2", light="ambient = 0.3")
    render_clip(scene, tmp_path / "clip.mp4")
    with av.open(str(tmp_path / "clip.mp4")) as file:
        assert file.streams.video[0].codec_context.pix_fmt == pixels
        read = [frame.to_ndarray()[:240] for frame in file.decode(video=0)]
    for got, made in zip(read, frames(scene), strict=True):
        # Constant rate factor 4 leaves about one grey level of 8 bits.
        assert np.abs(got.astype(float) - made.luma).mean() < 1.0 * (4 if bits == 10 else 1)


def test_sound_has_every_cylinders_pulses(staged):
    scene = staged(run="rpm = 1200\nduration_s = 2.0\nstart_deg = 0.0", tail="[sound]\nnoise = 0.0\n")
    sound = engine_sound(scene, crank_motion(scene))
    loud = np.abs(sound).reshape(-1, SAMPLES_PER_S // 1000).max(axis=1)
    starts = np.flatnonzero((loud[1:] > 0.25) & (loud[:-1] < 0.1) & (np.arange(loud.size - 1) > 0)) * 1e-3
    gaps = np.diff(starts)
    # 540° and then 180° at 1200 rpm: 75 ms and 25 ms, to the 1 ms of this count.
    assert sorted({round(gap * 1000 / 25) * 25 for gap in gaps}) == [25, 75]
    assert gaps[:6].sum() == pytest.approx(0.3, abs=0.003)


def test_truth_beside_the_clip(staged, tmp_path):
    scene = staged(camera=SMALL, strobe="missed_share = 0.3\ndelay_us = 60.0", run="duration_s = 1.0")
    (tmp_path / "out").mkdir()
    made = render_clip(scene, tmp_path / "out" / "clip.mp4")
    rows = list(csv.DictReader(made["truth_csv"].open()))
    shoot = prepare(scene)
    assert {row["missed"] for row in rows} == {"yes", "no"}
    for row in rows:
        assert float(row["advance_deg"]) - float(row["seen_deg"]) == pytest.approx(6 * 3000 * 60e-6, abs=2e-4)
        for band in row["rows"].split():
            frame, lit = band.split(":")
            first, last = map(int, lit.split("-"))
            opens = int(frame) / 30 + np.array([first, last]) * 20e-6
            # Half of the light comes before the flash's centre.
            assert opens[0] - 20e-6 < float(row["time_s"]) < opens[1] + 0.02 + 20e-6
            assert (opens <= float(row["time_s"]) + 1e-6).all()
    told = json.loads(made["truth_json"].read_text())
    assert told["at_time_0_as_shown"]["rotor_radius_px"] == pytest.approx(100, abs=0.1)
    assert told["camera"]["line_time_us"] == pytest.approx(20)
    again = read_scene(made["scene"])
    assert again.engine == scene.engine and again.camera == scene.camera
    assert len(shoot.flashes) >= len(rows)


def test_nothing_half_written_is_left(staged, tmp_path, monkeypatch):
    import timingcam.staging.render as journey

    def fails(*_args):
        raise RuntimeError("stopped")

    (tmp_path / "out").mkdir()
    monkeypatch.setattr(journey, "truth_json", fails)
    with pytest.raises(RuntimeError, match="stopped"):
        render_clip(staged(camera=SMALL, run="duration_s = 0.1"), tmp_path / "out" / "clip.mp4")
    assert list((tmp_path / "out").iterdir()) == []
    with pytest.raises(CannotUse):
        render_clip(staged(camera=SMALL, run="duration_s = 0.1"), tmp_path / "none" / "clip.mp4")
    monkeypatch.undo()
    with pytest.raises(CannotUse, match=r"\.mp4"):
        render_clip(staged(camera=SMALL, run="duration_s = 0.1"), tmp_path / "out" / "clip.txt")


def test_the_command(staged, tmp_path):
    scene = staged(camera=SMALL, run="duration_s = 0.1")
    (tmp_path / "scene.toml").write_text(scene.text, encoding="utf-8")
    answer = CliRunner().invoke(render, [str(tmp_path / "scene.toml"), "--out", str(tmp_path / "clip.mp4")])
    assert answer.exit_code == 0, answer.output
    assert "clip.truth.csv" in answer.output
    assert (tmp_path / "clip.scene.toml").exists()
