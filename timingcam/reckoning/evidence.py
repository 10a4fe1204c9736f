"""What the flashes say against the count of sparks: half and double speed, flashes out of turn, uncertain gaps.

In:  the train of flashes, the turns counted and the course fitted.
Out: sentences for a person.
Not here: the count itself (`sparks.py`).
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.smoothing import Course
from timingcam.reckoning.sparks import Counted, Train, in_sight, wrapped

# Our choice: a contradiction is reported when chance would make it once in 16,000 clips.
REPORT_SIGMA = 4.0
ALTERNATE_DEG = 0.5  # our choice: below it, alternate flashes may differ by the exhaust's rhythm alone
STRAY_SHARE = 0.02  # our choice: a few flashes out of turn are interference, more are another cylinder's
HIDDEN_SHARE = 0.25  # our choice: of the further flashes that a higher speed needs, at most so many in plain sight


def contradictions(
    train: Train, counted: Counted, course: Course, sparks_per_rev: float, windows_s: np.ndarray | None
) -> tuple[str, ...]:
    """Everything that the flashes leave open or speak against.

    Parameters
    ----------
    train, counted, course : Train, Counted, Course
        The flashes, their turns, the fitted course.
    sparks_per_rev : float
        Of the engine file.
    windows_s : ndarray, shape (n, 2), or None
        When the camera could see a flash.

    Returns
    -------
    tuple of str
        Empty where all is well.
    """
    found = [
        _uncertain_gaps(counted),
        _out_of_turn(counted),
        _alternating(train, counted),
        _speed_from_jitter(train, counted, course),
        _hidden_flashes(train, counted, sparks_per_rev, windows_s),
    ]
    return tuple(sentence for sentence in found if sentence)


def _uncertain_gaps(counted: Counted) -> str:
    loose = int(np.count_nonzero(~counted.certain))
    if not loose:
        return ""
    return (
        f"{_times(loose)} the strobe paused for so long, or so unevenly, that the sparks in between cannot be counted; "
        "speed on either side was taken from the flashes there."
    )


def _times(n: int) -> str:
    return {1: "Once", 2: "Twice"}.get(n, f"{n} times")


def _out_of_turn(counted: Counted) -> str:
    n, strays = len(counted.stray), int(np.count_nonzero(counted.stray))
    if strays <= STRAY_SHARE * n:
        return ""
    return (
        f"{strays} of {n} flashes came between the sparks that the engine file gives: the strobe may follow another "
        "cylinder or a spark in every turn; check its lead and `sparks_per_rev`."
    )


def _alternating(train: Train, counted: Counted) -> str:
    """Advance seen on alternate sparks differs: two sparks, two cylinders or a lopsided trigger cam."""
    single = counted.certain[:-1] & counted.certain[1:] & (np.diff(counted.spark)[:-1] == 1)
    single &= np.diff(counted.spark)[1:] == 1
    middle = np.flatnonzero(single) + 1
    if len(middle) < 30:
        return ""
    bend = wrapped(train.seen_deg[middle] - train.seen_deg[middle - 1])
    bend = (bend - wrapped(train.seen_deg[middle + 1] - train.seen_deg[middle])) / 2.0
    signed = np.where(counted.spark[middle] % 2 == 0, bend, -bend)
    # Second differences of independent angles are correlated with their neighbours: 3 of 4 terms, hence the factor.
    sd = 1.4826 * float(np.median(np.abs(signed - np.median(signed)))) * np.sqrt(3.0 / len(middle))
    split = float(np.mean(signed)) if sd == 0 else float(np.median(signed))
    if abs(split) < max(REPORT_SIGMA * sd, ALTERNATE_DEG):
        return ""
    return (
        f"The advance differs by {abs(split):.1f} degrees from flash to flash in turn: the strobe may fire on two "
        "sparks of different timing, so check its lead and `sparks_per_rev` in the engine file."
    )


def _speed_from_jitter(train: Train, counted: Counted, course: Course) -> str:
    """A late spark shows the rotor late by 6·rpm·Δt: compare that with the count's speed."""
    ratio, sd = jitter_speed_ratio(train, counted, course)
    if not np.isfinite(ratio) or abs(ratio - 1.0) < REPORT_SIGMA * sd:
        return ""
    for factor, word in ((2.0, "half"), (0.5, "twice")):
        if abs(ratio - factor) < min(REPORT_SIGMA * sd, 0.3 * factor):
            return (
                f"The marks move between flashes as if the engine turned {word} as fast as the flashes say: check "
                "`sparks_per_rev` in the engine file and whether the strobe leaves out sparks regularly."
            )
    return ""


def jitter_speed_ratio(train: Train, counted: Counted, course: Course) -> tuple[float, float]:
    """Counted speed over the speed that jitter shows, and its sd; (nan, inf) where there is too little jitter.

    A spark that comes Δt late is seen 6·rpm·Δt later, at whatever rpm the engine really has. The regression of the
    time's deviation from its neighbours on the angle's gives that rpm without any count of sparks.
    """
    nearby = counted.certain[:-1] & counted.certain[1:]
    k = np.flatnonzero(nearby) + 1
    if len(k) < 60:
        return float("nan"), float("inf")
    t = train.time_s
    share = (t[k] - t[k - 1]) / (t[k + 1] - t[k - 1])
    seen = wrapped(train.seen_deg[k] - train.seen_deg[k - 1])
    seen = seen - share * wrapped(train.seen_deg[k + 1] - train.seen_deg[k - 1])
    crank = counted.crank_deg[k] - (1 - share) * counted.crank_deg[k - 1] - share * counted.crank_deg[k + 1]
    # What was counted less what the times say: −6·rpm·Δt of the flash at the counted rpm, as `seen` is at the real one.
    counted_deg = crank + seen
    noise = train.seen_sd_deg[k] ** 2 + (1 - share) ** 2 * train.seen_sd_deg[k - 1] ** 2
    noise = noise + share**2 * train.seen_sd_deg[k + 1] ** 2
    return _attenuated_slope(seen, counted_deg, noise)


def _attenuated_slope(x: np.ndarray, y: np.ndarray, x_noise_var: np.ndarray) -> tuple[float, float]:
    sound = np.abs(x - np.median(x)) < 6 * 1.4826 * np.median(np.abs(x - np.median(x))) + 1e-12
    sound &= np.abs(y - np.median(y)) < 6 * 1.4826 * np.median(np.abs(y - np.median(y))) + 1e-12
    x, y, noise = x[sound] - x[sound].mean(), y[sound] - y[sound].mean(), x_noise_var[sound]
    jitter_var = float(np.mean(x**2 - noise))
    if len(x) < 60 or jitter_var < 3.0 * float(np.mean(noise)):
        return float("nan"), float("inf")
    slope = float(np.mean(x * y)) / jitter_var
    residual = y - slope * x
    # Neighbouring differences share flashes: twice the naive variance covers it.
    return slope, float(np.sqrt(2.0 * np.mean(residual**2 * x**2) / len(x)) / jitter_var)


def _hidden_flashes(train: Train, counted: Counted, sparks_per_rev: float, windows_s: np.ndarray | None) -> str:
    if windows_s is None:
        return ""
    period = np.diff(counted.spark)
    for factor in (2, 3):
        times = []
        for k in np.flatnonzero(period > 0):
            parts = np.arange(1, factor * period[k])
            # Multiples of the factor are sparks of the count itself, whether seen or missed.
            parts = parts[parts % factor != 0] / (factor * period[k])
            times.append(train.time_s[k] + parts * (train.time_s[k + 1] - train.time_s[k]))
        further = np.concatenate(times) if times else np.empty(0)
        if len(further) and np.mean(in_sight(further, windows_s)) < HIDDEN_SHARE:
            return (
                f"The engine could as well turn {factor} times as fast: the flashes in between would all have fallen "
                "while the camera was not looking. Change the speed a little while filming, or give it with --rpm."
            )
    return ""
