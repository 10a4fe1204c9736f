"""A film's pictures and sound into a file that telephones play.

In:  pictures in order with the time until which each is shown; the clip's sound, slowed.
Out: an MP4 file: H.264, 4:2:0, an even number of frames a second, its table of contents in front, sound as AAC.
Not here: what is in the pictures.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import av.filter
import numpy as np

FRAMES_PER_S = 30
SAMPLES_PER_S = 48_000
LEAST_TEMPO = 0.5  # of FFmpeg's atempo filter; slower is several of them in a row
BT_709 = 1  # ITU-T H.273: colour primaries, transfer and matrix of HD video


class FilmFile:
    """A film being written; use it with `with`."""

    def __init__(self, path: Path, size: tuple[int, int], sound: Iterator[Any] | None) -> None:
        self._file = av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"})
        stream = self._file.add_stream("libx264", rate=FRAMES_PER_S)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.options = {"preset": "veryfast", "crf": "20", "profile": "high", "g": str(2 * FRAMES_PER_S)}
        context = stream.codec_context
        context.time_base = stream.time_base = Fraction(1, FRAMES_PER_S)
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = BT_709
        self._video: Any = stream
        self._sound = sound
        self._audio: Any = None
        if sound is not None:
            self._audio = self._file.add_stream("aac", rate=SAMPLES_PER_S, layout="mono")
            self._audio.bit_rate = 96_000
        self._frames = 0

    def __enter__(self) -> FilmFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        if kind is None:
            self._file.mux(self._video.encode())
            if self._audio is not None:
                self._file.mux(self._audio.encode())
        self._file.close()

    @property
    def seconds(self) -> float:
        """How long the film is so far."""
        return self._frames / FRAMES_PER_S

    def show(self, picture: np.ndarray, until_s: float) -> None:
        """Show a picture until a time of the film: not at all where that is past already.

        Parameters
        ----------
        picture : ndarray, shape (h, w, 3), uint8
            Red, green, blue.
        until_s : float
        """
        last = round(until_s * FRAMES_PER_S)
        if last <= self._frames:
            return
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
        frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
        frame.colorspace = BT_709
        for number in range(self._frames, last):
            frame.pts, frame.time_base = number, Fraction(1, FRAMES_PER_S)
            self._file.mux(self._video.encode(frame))
        self._frames = last
        self._play_until(self.seconds)

    def _play_until(self, until_s: float) -> None:
        # Sound goes in beside its pictures: a telephone does not look for it at the other end of the file.
        while self._sound is not None:
            piece = next(self._sound, None)
            if piece is None:
                self._sound = None
                return
            self._file.mux(self._audio.encode(piece))
            if piece.pts * float(piece.time_base) >= until_s:
                return


def slowed_sound(path: Path, slower: float) -> Iterator[Any]:
    """The clip's sound, as many times slower, at its own pitch.

    Parameters
    ----------
    path : Path
        A clip that has sound.
    slower : float
        1 or more.

    Yields
    ------
    av.AudioFrame
        48 000 samples a second, one channel, counted from the clip's first picture.
    """
    with av.open(str(path.absolute()), metadata_errors="replace") as clip:
        video, audio = clip.streams.video[0], clip.streams.audio[0]
        late = _start_s(audio) - _start_s(video)
        _, source, sink = _graph(audio, slower)  # the graph must live as long as its ends
        position = max(round(late * slower * SAMPLES_PER_S), 0)
        for frame in clip.decode(audio):
            frame.pts = None
            source.push(frame)
            for piece in _pulled(sink):
                position = _dated(piece, position)
                yield piece
        source.push(None)
        for piece in _pulled(sink):
            position = _dated(piece, position)
            yield piece


def _start_s(stream: Any) -> float:
    return float((stream.start_time or 0) * (stream.time_base or 0))


def _graph(audio: Any, slower: float) -> tuple[Any, Any, Any]:
    graph = av.filter.Graph()
    nodes = [graph.add_abuffer(template=audio)]
    rest = 1.0 / slower
    while rest < 1.0 - 1e-9:
        step = max(rest, LEAST_TEMPO)
        nodes.append(graph.add("atempo", f"{step:.6f}"))
        rest /= step
    nodes.append(graph.add("aformat", f"sample_fmts=fltp:sample_rates={SAMPLES_PER_S}:channel_layouts=mono"))
    nodes.append(graph.add("abuffersink"))
    graph.link_nodes(*nodes).configure()
    return graph, nodes[0], nodes[-1]


def _pulled(sink: Any) -> Iterator[Any]:
    while True:
        try:
            yield sink.pull()
        except (av.error.BlockingIOError, av.error.EOFError):
            return


def _dated(piece: Any, position: int) -> int:
    """Give a piece its place, and the next one's."""
    piece.pts, piece.time_base, piece.sample_rate = position, Fraction(1, SAMPLES_PER_S), SAMPLES_PER_S
    return position + int(piece.samples)
