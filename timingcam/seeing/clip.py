"""A video file to its frames: luma planes with exact times, and how the picture is turned.

In:  a path.
Out: `ClipInfo`, and an iterator of `Frame`s in the order they were filmed.
Not here: what the frames show.

Frames come as the sensor's rows lie, top to bottom as they were stored; `Orientation` turns positions into the
picture that a person sees, and back. Luma stays as coded; `linear_light` gives the table that undoes the coding.
"""

from __future__ import annotations

import atexit
import hashlib
import math
from collections.abc import Iterator, Set
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from timingcam.errors import CannotUse
from timingcam.seeing.boxes import refuse_absurd_counts

MAX_PIXELS = 8192 * 4608  # our choice: 8K pictures are read, headers that claim more are not believed
DO_FILM = "give a video clip as the phone wrote it (MP4 or MOV)"
# Transfer characteristics (ITU-T H.273, table 3): 18 is hybrid log-gamma.
TRC_HLG = 18


@dataclass(frozen=True, slots=True)
class Orientation:
    """How the stored picture is turned (and mirrored) into the one that is shown.

    `quarter_turns` clockwise quarter turns, after a left-right flip of the stored picture where `mirrored`.
    """

    width: int
    height: int
    quarter_turns: int = 0
    mirrored: bool = False

    @property
    def shown_size(self) -> tuple[int, int]:
        """Width and height of the picture as shown."""
        return (self.width, self.height) if self.quarter_turns % 2 == 0 else (self.height, self.width)

    def matrix(self) -> np.ndarray:
        """Homogeneous 3 x 3 transform from stored to shown pixels."""
        w, h = self.width - 1.0, self.height - 1.0
        flip = np.array([[-1.0, 0.0, w], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) if self.mirrored else np.eye(3)
        turn = {
            0: np.eye(3),
            1: np.array([[0.0, -1.0, h], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]),
            2: np.array([[-1.0, 0.0, w], [0.0, -1.0, h], [0.0, 0.0, 1.0]]),
            3: np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, w], [0.0, 0.0, 1.0]]),
        }[self.quarter_turns % 4]
        return turn @ flip

    def to_shown(self, xy_px: np.ndarray) -> np.ndarray:
        """Stored pixel positions, shape (..., 2), to shown ones."""
        m = self.matrix()
        return np.asarray(xy_px, float) @ m[:2, :2].T + m[:2, 2]

    def to_stored(self, xy_px: np.ndarray) -> np.ndarray:
        """Shown pixel positions, shape (..., 2), to stored ones."""
        m = np.linalg.inv(self.matrix())
        return np.asarray(xy_px, float) @ m[:2, :2].T + m[:2, 2]

    def show(self, picture: np.ndarray) -> np.ndarray:
        """A stored picture as it is shown (a view, not a copy)."""
        if self.mirrored:
            picture = picture[:, ::-1]
        return np.rot90(picture, -self.quarter_turns % 4)


@dataclass(frozen=True, slots=True)
class ClipInfo:
    """What the container says of the clip."""

    path: Path
    codec: str
    orientation: Orientation
    rate_fps: float  # as the container states it; times come from the frames' own stamps
    capture_fps: float | None  # stated by the camera for slow motion
    bits: int
    full_range: bool
    hlg: bool
    has_sound: bool
    frames_stated: int  # by the container; 0 where it does not say

    @property
    def width(self) -> int:
        """Width of the stored picture, pixels."""
        return self.orientation.width

    @property
    def height(self) -> int:
        """Height of the stored picture: the number of sensor rows stored."""
        return self.orientation.height


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture: its number, the time of its stamp in seconds (as stored), and its luma, shape (height, width)."""

    number: int
    stamp_s: float
    luma: np.ndarray


def open_clip(path: str | Path) -> ClipInfo:
    """Read a clip's headers and its first frame.

    Raises
    ------
    CannotUse
        If it is not a video file that can be decoded.
    """
    path = Path(path)
    _refuse_non_files(path)
    av = _pyav()
    try:
        with av.open(str(path.absolute()), metadata_errors="replace") as container:
            stream = _video_stream(container, path)
            frame = next(container.decode(stream), None)
            if frame is None:
                raise CannotUse(found=f"no picture in {path.name!r}", expected="a clip of several seconds", do=DO_FILM)
            return _info(path, container, stream, frame)
    except (av.error.FFmpegError, ValueError, OverflowError) as fault:
        raise _undecodable(path, fault) from fault


def frames(info: ClipInfo) -> Iterator[Frame]:
    """Decode every frame's luma, in time order; see `pictures`."""
    for number, stamp_s, picture in pictures(info):
        yield Frame(number, stamp_s, luma_plane(picture))


def coloured(info: ClipInfo, wanted: Set[int]) -> Iterator[tuple[int, np.ndarray]]:
    """Decode some frames with their colours: number, and Y', Cb and Cr of each pixel, 8 bit, shape (3, height, width).

    Parameters and faults are those of `frames`; `wanted` are the frames' numbers.
    """
    # To the clip's end: a decoder that is left half way may not let go.
    for number, _, picture in pictures(info):
        if number in wanted:
            yield number, picture.to_ndarray(format="yuv444p")


def pictures(info: ClipInfo) -> Iterator[tuple[int, float, Any]]:
    """Decode every frame, in time order: its number, its stamp in seconds, and PyAV's frame, good until the next.

    Frames that repeat a stamp (written twice) or run backwards are left out: a picture without a time of its own
    says nothing about when its flash came.

    Raises
    ------
    CannotUse
        If nothing can be decoded. A clip cut off in the middle ends at its last whole frame.
    """
    av = _pyav()
    number, last = 0, -math.inf
    try:
        with av.open(str(info.path.absolute()), metadata_errors="replace") as container:
            stream = _video_stream(container, info.path)
            stream.thread_type = "AUTO"
            _decoding[id(stream)] = stream
            try:
                for picture in container.decode(stream):
                    if picture.pts is None or picture.time_base is None:
                        continue
                    stamp_s = float(picture.pts * Fraction(picture.time_base))
                    if stamp_s <= last or (picture.width, picture.height) != (info.width, info.height):
                        continue
                    last = stamp_s
                    yield number, stamp_s, picture
                    number += 1
            finally:
                _drain(stream)
                del _decoding[id(stream)]
    except (av.error.FFmpegError, ValueError, OverflowError) as fault:
        if number == 0:
            raise _undecodable(info.path, fault) from fault


# Streams that are being decoded: a program that ends meanwhile drains them while threads can still have the
# interpreter.
_decoding: dict[int, Any] = {}


def _drain(stream: Any) -> None:
    """Let the decoder's threads come to an end before it is closed.

    Where the caller stops early, pictures are still on their way through them. Each waits for the interpreter, which
    closing the decoder holds while it waits for them: the program would hang.
    """
    # At the end of the clip there is nothing left, and what a broken clip still holds is not wanted.
    with suppress(_pyav().error.FFmpegError):
        for _ in stream.codec_context.decode(None):
            pass


@atexit.register
def _drain_all() -> None:
    for stream in list(_decoding.values()):
        _drain(stream)


def luma_plane(picture: Any) -> np.ndarray:
    """The luma of a decoded PyAV frame, shape (height, width), uint8 or uint16, without colour conversion."""
    name = picture.format.name
    planar = name.startswith(("yuv", "yuvj", "nv12", "nv21", "nv16", "gray", "p010", "p016"))
    if not planar or name.endswith("be") or name.startswith("yuyv"):
        return picture.to_ndarray(format="gray")
    plane = picture.planes[0]
    wide = picture.format.components[0].bits > 8
    kind = np.dtype("<u2") if wide else np.dtype("u1")
    rows = np.frombuffer(plane, kind).reshape(-1, plane.line_size // kind.itemsize)
    luma = rows[: picture.height, : picture.width]
    if name.startswith("p01"):  # the ten bits lie in the upper end of the word
        luma = np.right_shift(luma, 6)
    return luma.copy()  # the decoder may use its memory again


def linear_light(info: ClipInfo) -> np.ndarray:
    """Table from coded luma to relative linear light, shape (2**bits,), 0 at black and 1 at white.

    References
    ----------
    .. [1] ITU-R BT.709-6, item 1.2 (camera curve, inverted); ITU-R BT.2100-2, table 5 (hybrid log-gamma).
       Phones add a tone curve of their own, unknown here, so light is known to about a tenth of itself.
    """
    bits = 10 if info.bits > 8 else 8
    scale = 2.0 ** (bits - 8)
    black, white = (0.0, 2.0**bits - 1) if info.full_range else (16.0 * scale, 235.0 * scale)
    v = np.clip((np.arange(2**bits) - black) / (white - black), 0.0, 1.15)
    if info.hlg:
        a, b, c = 0.17883277, 0.28466892, 0.55991073
        light = np.where(v <= 0.5, v**2 / 3.0, (np.exp((v - c) / a) + b) / 12.0)
    else:
        light = np.where(v < 0.081, v / 4.5, ((v + 0.099) / 1.099) ** (1 / 0.45))
    return light.astype(np.float32)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _refuse_non_files(path: Path) -> None:
    name = repr(path.name)
    if not path.exists():
        raise CannotUse(found=f"no file {name}", expected="a video clip", do="check the name and the folder")
    if not path.is_file():
        raise CannotUse(found=f"{name}, which is not a regular file", expected="a video clip", do=DO_FILM)
    try:
        with path.open("rb") as file:
            empty = file.read(1) == b""
        refuse_absurd_counts(path)
    except OSError as fault:
        raise CannotUse(
            found=f"{name}, which cannot be read ({fault.strerror})", expected="a readable file", do=DO_FILM
        ) from fault
    if empty:
        raise CannotUse(found=f"an empty file {name}", expected="a video clip", do=DO_FILM)


def _pyav() -> Any:
    import av
    import av.error
    import av.logging

    av.logging.set_level(av.logging.PANIC)
    return av


def _undecodable(path: Path, fault: Exception) -> CannotUse:
    reason = getattr(fault, "strerror", None) or str(fault).split(":")[0] or "no picture could be decoded"
    return CannotUse(found=f"{path.name!r}, which cannot be decoded ({reason})", expected="a video clip", do=DO_FILM)


def _video_stream(container: Any, path: Path) -> Any:
    streams = [s for s in container.streams.video if not (s.disposition & 0x400)]  # 0x400: attached picture
    if not streams:
        raise CannotUse(found=f"no video in {path.name!r}", expected="a clip with pictures", do=DO_FILM)
    stream = streams[0]
    context = stream.codec_context
    if container.format.name.endswith(("_pipe", "image2", "tty")) or container.format.name in ("png", "gif", "webp"):
        raise CannotUse(found=f"a picture or text, {path.name!r}", expected="a video clip", do=DO_FILM)
    if context is None:
        raise CannotUse(
            found=f"pictures in {path.name!r} in a coding that is unknown, or encrypted",
            expected="a clip that other programs can play too",
            do=DO_FILM,
        )
    if context.width < 16 or context.height < 16 or context.width * context.height > MAX_PIXELS:
        raise CannotUse(
            found=f"a picture size of {context.width} x {context.height} in {path.name!r}",
            expected="16 x 16 to 8192 x 4608",
            do=DO_FILM,
        )
    # Sizes stand in the pictures' own data too, which may claim more than the container's header does.
    context.options = {**context.options, "max_pixels": str(MAX_PIXELS)}
    return stream


def _info(path: Path, container: Any, stream: Any, frame: Any) -> ClipInfo:
    tags = {k.lower(): v for k, v in {**container.metadata, **stream.metadata}.items()}
    quarter_turns, mirrored = _display(frame)
    return ClipInfo(
        path=path,
        codec=stream.codec_context.name,
        orientation=Orientation(frame.width, frame.height, quarter_turns, mirrored),
        rate_fps=float(stream.average_rate or stream.guessed_rate or 0.0),
        capture_fps=_number(tags.get("com.android.capture.fps")),
        bits=frame.format.components[0].bits,
        full_range=int(getattr(frame, "color_range", 0) or 0) == 2 or frame.format.name.startswith("yuvj"),
        hlg=int(getattr(frame, "color_trc", 0) or 0) == TRC_HLG,
        has_sound=bool(container.streams.audio),
        frames_stated=max(0, int(stream.frames or 0)),
    )


def _number(text: str | None) -> float | None:
    try:
        value = float(text) if text is not None else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0 else None


def _display(frame: Any) -> tuple[int, bool]:
    """Clockwise quarter turns and mirroring from the container's display matrix (16.16 fixed point, a b u c d v x y
    w)."""
    data = frame.side_data.get("DISPLAYMATRIX") if hasattr(frame.side_data, "get") else None
    if data is None:
        return 0, False
    a, b, _, c, d = np.frombuffer(bytes(data), "<i4")[:5] / 65536.0
    mirrored = a * d - b * c < 0
    if mirrored:  # as a left-right flip first, then a turn
        a, b = -a, -b
    return round(math.degrees(math.atan2(b, a)) / 90.0) % 4, bool(mirrored)
