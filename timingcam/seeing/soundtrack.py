"""A clip's sound, on the clock of its pictures.

In:  the clip, and the stretch between the file's clock and real time.
Out: `Soundtrack`, one channel; None where the clip has no sound that can be used.
Not here: what the engine's note says (`reckoning/sound.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np

from timingcam.seeing.clip import ClipInfo

RATE_HZ = 8000  # our choice: firing harmonics worth having lie below 1 kHz
STRETCHED = 0.01  # our choice: rates as filmed and as stored that are meant to be alike differ by less
LONGEST_S = 120.0  # our choice: what bounds the memory; a longer clip is held against its first two minutes


@dataclass(frozen=True, slots=True, eq=False)
class Soundtrack:
    """One channel of sound, shape (n_samples,), read-only; its first sample comes `start_s` after the first frame."""

    samples: np.ndarray
    rate_hz: float
    start_s: float

    def __post_init__(self) -> None:
        if self.samples.ndim != 1:
            raise ValueError(f"one channel of sound, found shape {self.samples.shape}")
        self.samples.flags.writeable = False


def read_sound(info: ClipInfo, stretch: float = 1.0) -> Soundtrack | None:
    """Decode a clip's sound.

    Parameters
    ----------
    info : ClipInfo
        The clip.
    stretch : float
        Real seconds to one second of the file. Where it is not 1, nobody can tell whether the sound was stretched along
        with the pictures, and none is given.

    Returns
    -------
    Soundtrack or None
        None where there is none, or none that can be decoded: sound is a second witness, and a clip may do without.
    """
    if not info.has_sound or abs(stretch - 1.0) > STRETCHED:
        return None
    path = str(info.path.absolute())
    try:
        with av.open(path, metadata_errors="replace") as container:
            first = next(container.decode(video=0), None)
            first_frame_s = _time_s(first)
        with av.open(path, metadata_errors="replace") as container:
            pieces, first_s = _decoded(container)
    except (av.error.FFmpegError, ValueError):
        return None
    if not pieces or first_s is None or first_frame_s is None:
        return None
    samples = np.concatenate(pieces)[: int(LONGEST_S * RATE_HZ)]
    return Soundtrack(samples.astype(np.float32), RATE_HZ, first_s - first_frame_s)


def _decoded(container: Any) -> tuple[list[np.ndarray], float | None]:
    """All pieces of the first sound stream as one channel, and the time of the first sample, seconds."""
    resampler = av.AudioResampler(format="fltp", layout="mono", rate=RATE_HZ)
    pieces: list[np.ndarray] = []
    first_s: float | None = None
    n = 0
    for frame in container.decode(audio=0):
        if first_s is None:
            first_s = _time_s(frame)
        for part in resampler.resample(frame):
            pieces.append(part.to_ndarray()[0])
            n += pieces[-1].size
        if n > LONGEST_S * RATE_HZ:
            return pieces, first_s
    pieces += [part.to_ndarray()[0] for part in resampler.resample(None)] if n else []
    return pieces, first_s


def _time_s(frame: Any) -> float | None:
    if frame is None or frame.pts is None or frame.time_base is None:
        return None
    return float(frame.pts * Fraction(frame.time_base))
