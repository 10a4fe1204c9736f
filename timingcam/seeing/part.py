"""A short part of a clip, as a clip of its own.

In:  a clip, how long the part shall be, a folder to put it in.
Out: `Part`: the part's own `ClipInfo`, and from when to when in the clip it is.
Not here: what it shows.

Nothing is coded again: the packets are copied, with their time stamps, so that what the part tells holds of the clip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from timingcam.errors import CannotUse
from timingcam.seeing.clip import ClipInfo, open_clip

# NUT keeps any codec's packets and any clock's stamps as they are (FFmpeg documentation, "Formats").
FORMAT, NAME = "nut", "part.nut"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a clip; `whole_s` is the clip's length by its head, None where that does not say."""

    name: str  # of the clip's file
    info: ClipInfo
    from_s: float  # from the clip's first frame, by the file's clock
    to_s: float
    whole_s: float | None


def cut_part(info: ClipInfo, folder: Path, long_s: float, *, middle: bool) -> Part:
    """Copy a part of a clip.

    Parameters
    ----------
    info : ClipInfo
        Of the clip.
    folder : Path
        Where to put the part.
    long_s : float
        How long it shall be, by the file's clock; it starts at a picture that is coded without others.
    middle : bool
        Whether to take it from the middle, or from the start.

    Returns
    -------
    Part
        Its `info` turns and mirrors as the clip's does.

    Raises
    ------
    CannotUse
        If the clip's packets cannot be copied.
    """
    import av
    import av.error

    path = folder / NAME
    try:
        with av.open(str(info.path.absolute()), metadata_errors="replace") as source:
            stream = next(s for s in source.streams.video if not s.disposition & 0x400)  # 0x400: attached picture
            whole_s = float(stream.duration * stream.time_base) if stream.duration and stream.time_base else None
            first_s = float((stream.start_time or 0) * (stream.time_base or 0))
            if middle and whole_s is not None and whole_s > long_s and stream.time_base:
                at = (first_s + (whole_s - long_s) / 2) / float(stream.time_base)
                source.seek(int(at), stream=stream, backward=True)
            with av.open(str(path), "w", format=FORMAT) as target:
                from_s, to_s = _copied(source, stream, target, long_s)
    except (av.error.FFmpegError, ValueError, StopIteration) as fault:
        raise CannotUse(
            found=f"{info.path.name!r}, of which no part can be copied ({fault})",
            expected="a video clip as the phone wrote it", do="measure it as a whole with timingcam measure",
        ) from fault  # fmt: skip
    part = open_clip(path)
    own = replace(part, orientation=info.orientation, rate_fps=info.rate_fps, capture_fps=info.capture_fps)
    return Part(info.path.name, own, max(0.0, from_s - first_s), to_s - first_s, whole_s)


def _copied(source: Any, stream: Any, target: Any, long_s: float) -> tuple[float, float]:
    """Copy packets until `long_s` is reached; the first and the last picture's time, seconds."""
    out = target.add_stream_from_template(stream)
    times: list[float] = []
    for packet in source.demux(stream):
        if packet.dts is None or packet.pts is None:
            continue
        time_s = float(packet.pts * packet.time_base)
        if times and time_s > min(times) + long_s:
            break
        times.append(time_s)
        packet.stream = out
        target.mux(packet)
    if not times:
        raise ValueError("no packet")
    return min(times), max(times)
