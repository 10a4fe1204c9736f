"""Little video files for the tests of reading: written with PyAV, frame by frame, with stamps as wanted."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

TICKS = 90_000


def write_frames(
    path: Path, lumas: list[np.ndarray], ticks: list[int], *, codec: str = "libx264", pix_fmt: str = "yuv420p",
    metadata: dict[str, str] | None = None, options: dict[str, Any] | None = None,
) -> Path:  # fmt: skip
    """Write luma planes, shape (height, width), with time stamps in 1/90 000 s."""
    wide = pix_fmt.endswith("10le")
    with av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as file:
        file.metadata.update(metadata or {})
        stream: Any = file.add_stream(codec, rate=30)
        stream.height, stream.width = lumas[0].shape
        stream.pix_fmt = pix_fmt
        stream.codec_context.time_base = stream.time_base = Fraction(1, TICKS)
        stream.options = options or {"crf": "4", "preset": "veryfast"}
        for luma, tick in zip(lumas, ticks, strict=True):
            picture = av.VideoFrame(stream.width, stream.height, pix_fmt)
            for plane, values in zip(picture.planes, (luma, None, None), strict=True):
                kind = np.dtype("<u2") if wide else np.dtype("u1")
                room = np.frombuffer(memoryview(plane), kind).reshape(plane.height, -1)
                room[:] = 512 if wide else 128
                if values is not None:
                    room[:, : stream.width] = values
            picture.pts, picture.time_base = tick, Fraction(1, TICKS)
            file.mux(stream.encode(picture))
        file.mux(stream.encode(None))
    return path


def gradients(n: int, shape: tuple[int, int] = (48, 64)) -> list[np.ndarray]:
    """Pictures that differ from one another: a ramp down and along, brighter from frame to frame."""
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]]
    return [np.clip(30 + 2 * rows + columns + 5 * k, 16, 235).astype(np.uint8) for k in range(n)]
