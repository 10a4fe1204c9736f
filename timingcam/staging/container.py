"""Frames, time stamps and sound into a video file.

In:  `Frame`s, `Stamps`, samples.
Out: an MP4 or MOV file.
Not here: what is in the frames.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av
import numpy as np

from timingcam.errors import CannotUse
from timingcam.staging.scene import Scene
from timingcam.staging.sound import SAMPLES_PER_S
from timingcam.staging.stamps import TICKS_PER_S, Stamps

if TYPE_CHECKING:
    from timingcam.staging.render import Frame

HLG_TRANSFER = 18  # ITU-T H.273, transfer characteristics: hybrid log-gamma
BITS_PER_PIXEL = 0.12  # our choice: a phone's 1080p at 60 fps comes to about 15 Mbit/s


def write_clip(scene: Scene, filmed: Iterator[Frame], stamps: Stamps, sound: np.ndarray | None, path: Path) -> None:
    """Encode a clip.

    Parameters
    ----------
    scene : Scene
    filmed : iterator of Frame
        All filmed frames in order.
    stamps : Stamps
    sound : ndarray or None
    path : Path

    Raises
    ------
    CannotUse
        If the file's ending is neither .mp4 nor .mov.
    """
    if path.suffix.lower() not in (".mp4", ".mov"):
        raise CannotUse(found=f"{path.name}", expected="a name that ends in .mp4 or .mov", do="rename the clip")
    options = {"movflags": "use_metadata_tags"}
    with av.open(str(path), "w", options=options) as file:
        rate = scene.camera.stamps.stretched_to_fps
        if rate is not None and scene.camera.stamps.capture_fps_written:
            file.metadata["com.android.capture.fps"] = f"{scene.camera.fps:.6f}"
        video = _video_stream(file, scene)
        audio = _audio_stream(file) if sound is not None and stamps.stretch == 1.0 else None
        _encode_video(file, video, filmed, stamps)
        if audio is not None and sound is not None:
            _encode_sound(file, audio, sound, int(stamps.ticks[0]))
    camera = scene.camera
    if camera.rotation or camera.mirrored == "metadata":
        matrix = display_matrix(camera.rotation, (camera.width, camera.height), camera.mirrored == "metadata")
        write_display_matrix(path, matrix, camera.width)


def _video_stream(file: Any, scene: Scene) -> Any:
    camera = scene.camera
    name = {"h264": "libx264", "hevc": "libx265"}[camera.codec]
    stream = file.add_stream(name, rate=Fraction(camera.stamps.stretched_to_fps or camera.fps).limit_denominator(1001))
    stream.width, stream.height = camera.width, camera.height
    stream.pix_fmt = "yuv420p" if camera.bits == 8 else "yuv420p10le"
    stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
    stream.time_base = Fraction(1, TICKS_PER_S)
    stream.codec_context.color_range = 1
    stream.codec_context.colorspace = 1
    stream.codec_context.color_primaries = 1
    stream.codec_context.color_trc = HLG_TRANSFER if camera.tone == "hlg" else 1
    options = {"preset": "veryfast" if camera.codec == "h264" else "ultrafast", "threads": "1"}
    if camera.codec == "hevc":
        options["x265-params"] = "log-level=error:pools=1:frame-threads=1"
        stream.codec_context.codec_tag = "hvc1"
    if camera.nearly_lossless:
        options["crf"] = "4"
    else:
        rate = camera.bit_rate_mbps
        stream.bit_rate = int(1e6 * rate if rate else BITS_PER_PIXEL * camera.width * camera.height * camera.fps)
    stream.options = options
    return stream


def _audio_stream(file: Any) -> Any:
    stream = file.add_stream("aac", rate=SAMPLES_PER_S)
    stream.layout = "mono"
    stream.bit_rate = 96000
    return stream


def _encode_video(file: Any, stream: Any, filmed: Iterator[Frame], stamps: Stamps) -> None:
    waiting: dict[int, list[int]] = {}
    for shows, tick in zip(stamps.shows, stamps.ticks, strict=True):
        waiting.setdefault(int(shows), []).append(int(tick))
    due: list[tuple[int, Any]] = []
    for number, frame in enumerate(filmed):
        for tick in waiting.get(number, []):
            due.append((tick, frame))
        due.sort(key=lambda item: item[0])
        while due:
            tick, shown = due.pop(0)
            file.mux(stream.encode(_video_frame(stream, shown, tick)))
    file.mux(stream.encode())


def _video_frame(stream: Any, shown: Frame, tick: int) -> Any:
    picture = av.VideoFrame(stream.width, stream.height, stream.pix_fmt)
    planes = (shown.luma, shown.chroma[..., 0], shown.chroma[..., 1])
    for plane, values in zip(picture.planes, planes, strict=True):
        room = np.frombuffer(memoryview(plane), values.dtype).reshape(
            values.shape[0], plane.line_size // values.itemsize
        )
        room[:, : values.shape[1]] = values
    picture.pts = tick
    picture.time_base = Fraction(1, TICKS_PER_S)
    picture.color_range = 1
    picture.colorspace = 1
    return picture


def _encode_sound(file: Any, stream: Any, sound: np.ndarray, first_tick: int) -> None:
    offset = round(first_tick * SAMPLES_PER_S / TICKS_PER_S)
    block = 1024
    for start in range(0, sound.size, block):
        piece = np.ascontiguousarray(sound[None, start : start + block])
        frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
        frame.sample_rate = SAMPLES_PER_S
        frame.pts = start + offset
        frame.time_base = Fraction(1, SAMPLES_PER_S)
        file.mux(stream.encode(frame))
    file.mux(stream.encode())


def display_matrix(clockwise_deg: int, size: tuple[int, int], mirrored: bool) -> bytes:
    """The matrix that shows a stored picture turned clockwise, and then perhaps mirrored left to right.

    Parameters
    ----------
    clockwise_deg : int
        0, 90, 180 or 270.
    size : (int, int)
        Width and height of the stored picture.
    mirrored : bool

    Returns
    -------
    bytes
        36, as in a track header.

    References
    ----------
    ISO/IEC 14496-12, track header box: nine big-endian 32-bit numbers a b u c d v x y w, u v w in 2.30, the rest in
    16.16; x' = a·x + c·y + x0, y' = b·x + d·y + y0.
    """
    width, height = size
    a, b, c, d, x, y = {
        0: (1, 0, 0, 1, 0, 0),
        90: (0, 1, -1, 0, height, 0),
        180: (-1, 0, 0, -1, width, height),
        270: (0, -1, 1, 0, 0, width),
    }[clockwise_deg]
    if mirrored:
        a, c, x = -a, -c, (height if clockwise_deg in (90, 270) else width) - x
    one = 1 << 16
    return struct.pack(">9i", a * one, b * one, 0, c * one, d * one, 0, x * one, y * one, 1 << 30)


def write_display_matrix(path: Path, matrix: bytes, width: int) -> None:
    """Put a display matrix into the header of the video track, the one that is `width` wide, of a finished file."""
    data = bytearray(path.read_bytes())
    at = data.find(b"tkhd")
    while at >= 0:
        # A header of version 0 has 4 bytes of flags and 36 of times, numbers and reserved ones before the matrix.
        start = at + 4 + (40 if data[at + 4] == 0 else 52)
        if struct.unpack(">I", data[start + 36 : start + 40])[0] == width << 16:
            data[start : start + 36] = matrix
            path.write_bytes(bytes(data))
            return
        at = data.find(b"tkhd", at + 4)
    raise ValueError(f"no video track header in {path.name}")
