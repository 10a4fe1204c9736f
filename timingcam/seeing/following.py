"""The rotor's turn in every frame, followed from one frame to the next.

In:  the clip, the view, pictures that it was found from.
Out: `Track`.
Not here: fine reading, and the shutter's skew (`slow.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn
from timingcam.seeing.clip import ClipInfo, Frame, frames
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.light import FlashLight
from timingcam.seeing.register import register
from timingcam.seeing.shift import Shift
from timingcam.seeing.skew import Skew, coarse_grid, skewed
from timingcam.seeing.steady import reader_of, whole_picture
from timingcam.seeing.strips import Sampler, even_out, make_sampler, unwrap
from timingcam.seeing.view import CENTRE_SD, View

MIN_MATCH = 0.45  # our choice: below this the frame hardly looks like the rotor
LOST_SHARE = 0.75  # our choice: of the usual match; what matches less may have locked on to a wrong angle
SPEED_FRAMES = 3  # to either side, for the speed of turning
DO_SLOW = (
    "film square-on in even, bright light with the whole rotor, the index and the marks in view, the phone held still "
    "or on a stand, and turn the engine slowly by hand"
)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The rotor's turn in every frame, arrays of shape (n_frames,): unwrapped degrees, clockwise in the picture.

    NaN where it could not be read. `speed_deg_s` is its slope. `shifts` lays the reference picture on each frame, None
    where it could not be laid.
    """

    time_s: np.ndarray
    turn_deg: np.ndarray
    sd_deg: np.ndarray
    speed_deg_s: np.ndarray
    shifts: tuple[Shift | None, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A kept picture with its shift."""

    number: int
    picture: np.ndarray
    shift: Shift


def laid_pictures(view: View, light: FlashLight, kept: Iterable[Frame]) -> list[Laid]:
    result = []
    for frame in kept:
        picture = whole_picture(light, frame.luma)
        shift = register(view.reference, picture, (0, picture.shape[0] - 1))
        if shift is not None:
            result.append(Laid(frame.number, picture, shift))
    return result


def strip_of(sampler: Sampler, picture: np.ndarray, shift: Shift, skew: Skew) -> tuple[np.ndarray, np.ndarray]:
    strip, known = unwrap(skewed(sampler, shift, skew), picture, shift, (0, picture.shape[0] - 1))
    return even_out(strip, known, sampler.grid)


class Follower:
    """Reads the turn of one frame after another on a coarse map, each near to where the ones before lead."""

    def __init__(self, view: View, light: FlashLight, pictures: list[Laid]) -> None:
        self.view, self.light = view, light
        grid = coarse_grid(view.rotor.grid)
        self.sampler = make_sampler(grid, view.pose)
        self.still = Skew(0.0, 0.0)
        strips = [strip_of(self.sampler, p.picture, p.shift, self.still) for p in pictures]
        self.reader = reader_of(grid, [s for s, _ in strips], [k for _, k in strips], CENTRE_SD)
        self.shift: Shift | None = None
        self.last: Turn | None = None
        self.usual_match = 1.0

    def read(self, frame: Frame, near_deg: float | None) -> tuple[Turn | None, Shift | None]:
        """The turn, and where the frame lies."""
        picture = whole_picture(self.light, frame.luma)
        rows = (0, picture.shape[0] - 1)
        shift = register(self.view.reference, picture, rows, self.shift)
        if shift is None and self.shift is not None:
            shift = register(self.view.reference, picture, rows)
        self.shift = shift
        if shift is None:
            return None, None
        strip, known = strip_of(self.sampler, picture, shift, self.still)
        near = None if near_deg is None or self.last is None else replace(self.last, deg=near_deg)
        turn = None if near is None else self.reader.turn(strip, known, near)
        if turn is None or turn.match < LOST_SHARE * self.usual_match:
            turn = self.reader.turn(strip, known)
        if turn is None or turn.match < MIN_MATCH:
            return None, shift
        self.usual_match += 0.1 * (turn.match - self.usual_match)
        self.last = turn
        return turn, shift


def track_of(follower: Follower, info: ClipInfo, clock: FrameClock, progress: Callable[[int], None] | None) -> Track:
    n = len(clock.time_s)
    turn, sd = np.full(n, np.nan), np.full(n, np.nan)
    shifts: list[Shift | None] = [None] * n
    for frame in frames(info):
        i = frame.number
        if i >= n:
            break
        led = _led_to(clock.time_s, turn, i)
        found, shifts[i] = follower.read(frame, None if led is None else (led + 180) % 360 - 180)
        if found is not None:
            turn[i] = found.deg if led is None else led + (found.deg - led + 180) % 360 - 180
            sd[i] = found.sd_deg
        if progress is not None:
            progress(i + 1)
    if np.isfinite(turn).mean() < 0.5:
        raise CannotMeasure(
            found=f"a rotor that can be read in {np.isfinite(turn).mean():.0%} of the frames",
            expected="at least half", do=DO_SLOW,
        )  # fmt: skip
    return Track(clock.time_s, turn, sd, speeds(clock.time_s, turn), tuple(shifts))


def _led_to(time_s: np.ndarray, turn: np.ndarray, i: int) -> float | None:
    """Where the last few turns lead to at frame i."""
    back = np.flatnonzero(np.isfinite(turn[max(0, i - 8) : i])) + max(0, i - 8)
    if len(back) == 0:
        earlier = np.flatnonzero(np.isfinite(turn[:i]))
        return float(turn[earlier[-1]]) if len(earlier) else None
    last = back[-1]
    if len(back) < 3:
        return float(turn[last])
    # The last two steps: a hand may stop within a few frames.
    slope = (turn[last] - turn[back[-3]]) / (time_s[last] - time_s[back[-3]])
    return float(turn[last] + slope * (time_s[i] - time_s[last]))


def speeds(time_s: np.ndarray, turn_deg: np.ndarray, reach: int = SPEED_FRAMES) -> np.ndarray:
    """Slope of a straight line through each value and its neighbours, NaN left out, degrees a second."""
    result = np.full(len(time_s), np.nan)
    for i in range(len(time_s)):
        near = slice(max(0, i - reach), i + reach + 1)
        t, y = time_s[near], turn_deg[near]
        good = np.isfinite(y)
        if good.sum() >= 3:
            t, y = t[good] - t[good].mean(), y[good] - y[good].mean()
            result[i] = float((t * y).sum() / (t * t).sum())
    return result
