"""Frame stamps to the sensor's own clock.

In:  the stamps of all frames, seconds, and the stretch between the file's clock and real time.
Out: `FrameClock`: the time at which each frame's first row began its exposure, up to one constant.
Not here: rows and flashes.

Stamps are the file's account of a very regular sensor: rounded to the container's clock, now and then jittered, with
frames dropped. Where they fit a regular clock up to such noise, the regular clock is the better account; where they do
not (a rate that varies), the stamps stand as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Our choice: a sensor's period drifts by well under 1e-4; jitter and rounding of stamps reach 2 ms in files seen.
MAX_JITTER_S = 2.5e-3
# Our choice: steps so much alike are those of a rate that was set; ones that wander may be the file's alone.
PLAIN_STEPS_S = 1e-4
# Our choice: nine in ten steps are like the one before. Of normal noise those nine tenths have 0.79 of the rms (the
# normal law cut off at 1.645 sds), and second differences of independent stamps six times their variance.
CHANGED_NOW_AND_THEN, LEFT_OF_NORMAL, BEND_VARIANCE = 0.9, 0.79, 6.0


@dataclass(frozen=True, slots=True, eq=False)
class FrameClock:
    """Times of all frames, from the first one.

    `time_s` shape (n_frames,); `jitter_s` the rms by which the stamps differ from one period's; `regular` whether that
    explains them; `period_s` that period, or the median step; `time_sd_s` the doubt of single times, where they are the
    stamps.
    """

    time_s: np.ndarray
    period_s: float
    jitter_s: float
    regular: bool
    time_sd_s: float = 0.0

    def __post_init__(self) -> None:
        if self.time_s.ndim != 1 or np.any(np.diff(self.time_s) <= 0):
            raise ValueError("frame times must rise")
        self.time_s.flags.writeable = False


def frame_clock(stamp_s: np.ndarray, stretch: float = 1.0) -> FrameClock:
    """The sensor's clock behind the stamps.

    Parameters
    ----------
    stamp_s : ndarray, shape (n_frames,)
        Stamps as stored, rising.
    stretch : float
        Real seconds to one second of the file: below 1 where slow motion is stored stretched.

    Returns
    -------
    FrameClock

    Notes
    -----
    Frame numbers are counted from the steps (a dropped frame is a step of two periods); then time is a parabola of
    the number (a period that drifts with the sensor's warmth), fitted with the outliers left out.
    """
    stamp_s = (np.asarray(stamp_s, float) - stamp_s[0]) * stretch
    if len(stamp_s) < 8:
        period = float(np.median(np.diff(stamp_s))) if len(stamp_s) > 1 else 0.0
        return FrameClock(stamp_s, period, 0.0, False)
    number, period_s = _count(stamp_s)
    fit = np.polynomial.Polynomial.fit(number, stamp_s, 2 if len(stamp_s) > 60 else 1)
    residual = stamp_s - fit(number)
    good = np.abs(residual) < 4 * max(1.4826 * float(np.median(np.abs(residual))), 1e-7)
    if good.sum() > 0.5 * len(good):
        fit = np.polynomial.Polynomial.fit(number[good], stamp_s[good], fit.degree())
        residual = stamp_s - fit(number)
    jitter_s = float(np.sqrt(np.mean(residual**2)))
    time_s = fit(number)
    limit = min(MAX_JITTER_S, 0.12 * period_s)
    regular = bool(np.percentile(np.abs(residual), 95) < 2 * limit and jitter_s < limit and np.all(np.diff(time_s) > 0))
    if not regular:
        own_s = _step_to_step_s(stamp_s)
        return FrameClock(stamp_s, period_s, jitter_s, False, own_s if own_s < PLAIN_STEPS_S else jitter_s)
    return FrameClock(time_s - (fit(number[0])), period_s, jitter_s, True)


def _step_to_step_s(stamp_s: np.ndarray) -> float:
    """The stamps' own jitter, by how much steps differ from the ones before: a rate that is changed now and then, as
    phones do when light fails, leaves most steps alike."""
    bends = np.sort(np.abs(np.diff(stamp_s, 2)))
    kept = bends[: max(1, round(CHANGED_NOW_AND_THEN * len(bends)))]
    return float(np.sqrt(np.mean(kept**2) / BEND_VARIANCE)) / LEFT_OF_NORMAL


def _count(stamp_s: np.ndarray) -> tuple[np.ndarray, float]:
    """Frame numbers with the dropped ones counted, and the period.

    Each number is the one nearest to where the fit so far puts it, so that jitter does not add up.
    """
    period = float(np.median(np.diff(stamp_s)))
    for _ in range(3):
        number = np.zeros(len(stamp_s))
        offset = 0.0
        for i in range(1, len(stamp_s)):
            guess = (stamp_s[i] - offset) / period
            number[i] = max(number[i - 1] + 1, round(guess))
            offset += 0.2 * (stamp_s[i] - offset - number[i] * period)  # follows a slow drift
        period = float(np.polyfit(number, stamp_s, 1)[0])
    return number, period
