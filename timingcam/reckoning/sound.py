"""The engine's note to crank speed.

In:  the clip's sound, and at which engine angles the cylinders fire.
Out: `SoundSpeed`, rpm with its sd and how far to trust it, ten times a second.
Not here: reading the sound from the clip (`clip.py`); speed from flashes (`tacho.py`).

What repeats every engine cycle has its power at multiples of the cycle's frequency: at all of them for a single, at
even ones for an even twin, at all but every fourth of two for a 180/540 twin. For every speed that the engine could
have, and every rate at which it could be changing, the power there is held against the power in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from timingcam.errors import CannotMeasure
from timingcam.reckoning.result import freeze, same_length
from timingcam.seeing.side_by_side import side_by_side

RATE_HZ = 4000  # what is kept of the sound: firing harmonics worth having lie below 1 kHz
WINDOW_S, HOP_S = 0.6, 0.1  # our choice: five cycles at an idle of 1000 rpm; ten speeds a second
PADDED = 8192
SLOWEST_RPM, FASTEST_RPM = 500.0, 12_000.0
GRID_STEP = 0.003  # of the logarithm of speed: a third of the width of a harmonic
TOP_HZ, MOST_HARMONICS, FEWEST_HARMONICS = 900.0, 16, 4
# Share of its speed by which an engine speeds up in a second: 3000 rpm/s at 2500 rpm is 1.2.
CHIRPS = np.array([-1.4, -1.0, -0.7, -0.45, -0.25, -0.1, 0.0, 0.1, 0.25, 0.45, 0.7, 1.0, 1.4])
STRONG, WEAK = 0.5, 0.2  # of the firing pattern's weight of a harmonic: where power must be, where it must not
FARTHEST = 50  # grid steps that the speed may move in one hop: 1.5 of itself a second
CHANGE_COST = 40.0  # of the logarithm of speed moving otherwise than its chirp says, a hop
ORDER_RPM, ORDER_WINDOW_S = 3000.0, 0.4  # our choice: ten cycles of a four-stroke
CLEAR = 1.35  # our choice: contrast in nepers at which a note begins to stand out of noise
RIVAL = 0.5  # our choice: what is left besides the note, in parts of the note's own contrast
AGREE_REL = 0.04  # our choice: a sweep's rough speed is no further off
TRUSTED_SHARE = 0.65  # our choice: of the clip that must be trusted before the whole is
LEAST_REL_SD = 1e-3  # our choice: the clock of a phone's sound and the steps of the grid


@dataclass(frozen=True, slots=True, eq=False)
class SoundSpeed:
    """Speed by the engine's note; arrays of shape (n_frames,), read-only."""

    time_s: np.ndarray  # middle of each window, from the sound's first sample
    rpm: np.ndarray
    rpm_sd: np.ndarray
    trust: np.ndarray  # 0 to 1; below 0.5 it proves nothing

    def __post_init__(self) -> None:
        columns = (self.time_s, self.rpm, self.rpm_sd, self.trust)
        same_length("sound", columns)
        freeze(*columns)

    @property
    def trusted(self) -> bool:
        """Whether most of the clip's sound may be believed."""
        return bool(np.mean(self.trust >= 0.5) > TRUSTED_SHARE)


def speed_from_sound(samples: np.ndarray, rate: float, firing_deg: tuple[float, ...], strokes: int) -> SoundSpeed:
    """Crank speed from sound.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel, any scale.
    rate : float
        Samples a second.
    firing_deg : tuple of float
        Engine angle of each cylinder's firing top dead centre, of the engine file.
    strokes : int
        2 or 4.

    Returns
    -------
    SoundSpeed

    Raises
    ------
    CannotMeasure
        If there is less than a second of sound, or only silence.

    References
    ----------
    .. [1] Képesi & Weruaga, Speech Communication 48 (2006) 474–492: spectra of harmonic sounds along a chirp.
    """
    sound = _kept(samples, rate)
    combs = _Combs.of(harmonic_weights(firing_deg, strokes), strokes)
    middles = np.arange(WINDOW_S / 2, len(sound) / RATE_HZ - WINDOW_S / 2, HOP_S)
    # Of each moment only the best chirp's contrast is kept: all of them take room that grows with the clip.
    best = np.empty((len(middles), len(combs.rpm)), dtype=np.float32)
    chirp = np.empty(best.shape, dtype=np.uint8)

    def best_at(middle: float) -> tuple[np.ndarray, np.ndarray]:
        each = np.stack([combs.contrast(_log_spectrum(sound, middle, float(one))) for one in CHIRPS])
        return each.max(axis=0), each.argmax(axis=0)

    for i, (highest, which) in enumerate(side_by_side(best_at, middles.tolist())):
        best[i], chirp[i] = highest, which
    path, chirps = _track(best, chirp)
    rival = np.empty(len(middles))
    for i, (middle, k) in enumerate(zip(middles, path, strict=True)):
        at_path = _log_spectrum(sound, float(middle), float(CHIRPS[chirps[i]]))
        best[i], rival[i] = combs.contrast(at_path), combs.rival(at_path, int(k))
    rough, clear = _peaks(best, path, combs.rpm)
    rpm, sd = _smoothed(_by_orders(sound, middles, rough, combs))
    return SoundSpeed(middles, rpm, sd, _trust(clear, rival, rough, rpm))


def harmonic_weights(firing_deg: tuple[float, ...], strokes: int) -> np.ndarray:
    """How much of its pulses' power an engine puts into each harmonic of its cycle, 1 at most; index is the harmonic.

    Parameters
    ----------
    firing_deg : tuple of float
        Engine angles of the firings within one cycle.
    strokes : int
        2 or 4.
    """
    harmonic = np.arange(4 * MOST_HARMONICS + 1)
    phase = 2 * math.pi * np.outer(harmonic, np.asarray(firing_deg) / (180.0 * strokes))
    return np.abs(np.exp(1j * phase).mean(axis=1))


def _kept(samples: np.ndarray, rate: float) -> np.ndarray:
    sound = np.asarray(samples, dtype=float)
    if len(sound) < rate * (WINDOW_S + 2 * HOP_S) or np.ptp(sound) == 0:
        raise CannotMeasure(
            found=f"{len(sound) / rate:.1f} s of sound"
            + (", all of it silent" if len(sound) and not np.ptp(sound) else ""),
            expected="at least a second of the engine's note",
            do="film with sound, or give the speed with --rpm",
        )
    # Loaded where it is used: it takes 30 MB and a third of a second.
    from scipy.signal import resample_poly

    common = math.gcd(RATE_HZ, round(rate))
    return resample_poly(sound - sound.mean(), RATE_HZ // common, round(rate) // common)


def _log_spectrum(sound: np.ndarray, middle_s: float, chirp: float) -> np.ndarray:
    """Logarithm of power over frequency, of the window as if its speed had not changed, its broad shape taken off."""
    half = WINDOW_S / 2
    even = np.linspace(-half, half, int(WINDOW_S * RATE_HZ))
    # Equal steps of phase rather than of time: phase/frequency = t + chirp·t²/2, turned round.
    at = even.copy() if chirp == 0 else (np.sqrt(np.maximum(1 + 2 * chirp * even, 0.05)) - 1) / chirp
    at += middle_s
    # Between the samples on either side: to write down the times of all of them would take longer than the rest.
    first, last = max(int(at[0] * RATE_HZ) - 1, 0), int(at[-1] * RATE_HZ) + 3
    near = sound[first:last]
    return _whitened(np.interp(at, np.arange(first, first + len(near)) / RATE_HZ, near))


def _whitened(window: np.ndarray) -> np.ndarray:
    taken = window * np.hanning(len(window))
    power = np.abs(np.fft.rfft(taken, PADDED)[: int(TOP_HZ * 1.1 / RATE_HZ * PADDED)]) ** 2
    log_power = np.log(power + 1e-6 * power.mean())
    return log_power - median_filter(log_power, size=201, mode="nearest")


@dataclass(frozen=True, slots=True, eq=False)
class _Combs:
    """Where to look in a spectrum for every speed of the grid."""

    rpm: np.ndarray
    peaks: np.ndarray  # (n_rpm, n) indices
    peak_weight: np.ndarray  # (n_rpm, n), rows sum to 1
    valleys: np.ndarray
    valley_weight: np.ndarray
    cycle_hz: np.ndarray

    @staticmethod
    def of(weights: np.ndarray, strokes: int) -> _Combs:
        rpm = np.exp(np.arange(math.log(SLOWEST_RPM), math.log(FASTEST_RPM), GRID_STEP))
        cycle_hz = rpm / 60.0 * 2.0 / strokes
        harmonic = np.arange(1, len(weights))
        strong = harmonic[weights[1:] > STRONG][:MOST_HARMONICS].astype(float)
        absent = harmonic[weights[1:] < WEAK].astype(float)
        between = np.concatenate([absent[absent < strong[-1]], np.unique(np.concatenate([strong - 0.5, strong + 0.5]))])
        # Half-way marks next to a harmonic that is present lie in its skirts where the cycle is slow: all the same for
        # every candidate, so they do no harm.
        peaks, peak_weight = _places(cycle_hz, strong)
        valleys, valley_weight = _places(cycle_hz, between)
        return _Combs(rpm, peaks, peak_weight, valleys, valley_weight, cycle_hz)

    def contrast(self, log_power: np.ndarray) -> np.ndarray:
        """Mean at the peaks less mean in the valleys, for every speed."""
        at_peaks = np.sum(log_power[self.peaks] * self.peak_weight, axis=1)
        return at_peaks - np.sum(log_power[self.valleys] * self.valley_weight, axis=1)

    def rival(self, log_power: np.ndarray, found: int) -> float:
        """Best contrast that is left when everything at multiples of the found cycle has been taken away."""
        hz = np.arange(len(log_power)) * RATE_HZ / PADDED
        cycle = self.cycle_hz[found]
        off = np.abs(hz - cycle * np.rint(hz / cycle))
        # The main lobe of a Hann window reaches two bins of its length either way.
        left = np.where(off < min(2.0 / WINDOW_S, cycle / 2.0), 0.0, log_power)
        return float(self.contrast(left).max())


def _places(cycle_hz: np.ndarray, multiples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    hz = np.outer(cycle_hz, multiples)
    inside = (hz < TOP_HZ) | (np.arange(len(multiples)) < FEWEST_HARMONICS)[None, :]
    weight = inside / np.sqrt(multiples)[None, :]
    index = np.minimum(np.rint(hz / RATE_HZ * PADDED).astype(int), int(TOP_HZ * 1.1 / RATE_HZ * PADDED) - 1)
    return index, weight / weight.sum(axis=1, keepdims=True)


def _track(best: np.ndarray, chirp: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed and chirp, as indices, of the clearest course whose speeds agree with its chirps, from the best contrast of
    every speed at every moment and the chirp that has it, both (n_moments, n_rpm)."""
    moves = np.arange(-FARTHEST, FARTHEST + 1)
    total, came_from = best[0].astype(float), np.zeros(best.shape, dtype=np.int16)
    for i in range(1, len(best)):
        options = np.full((len(moves), best.shape[1]), -np.inf)
        for k, move in enumerate(moves):
            here = slice(max(move, 0), best.shape[1] + min(move, 0))
            there = slice(max(-move, 0), best.shape[1] + min(-move, 0))
            expected = 0.5 * (CHIRPS[chirp[i - 1, there]] + CHIRPS[chirp[i, here]]) * HOP_S
            options[k, here] = total[there] - CHANGE_COST * np.abs(move * GRID_STEP - expected)
        came_from[i] = np.arange(best.shape[1]) - moves[options.argmax(axis=0)]
        total = options.max(axis=0) + best[i]
    path = np.empty(len(best), dtype=int)
    path[-1] = int(total.argmax())
    for i in range(len(best) - 1, 0, -1):
        path[i - 1] = came_from[i, path[i]]
    return path, chirp[np.arange(len(best)), path]


def _peaks(contrast: np.ndarray, path: np.ndarray, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed between the grid's steps by a parabola through the contrast's top, and that top; `contrast` (n_moments,
    n_rpm) at the path's own chirps."""
    frame = np.arange(len(path))
    at = np.clip(path, 2, len(grid) - 3)
    near = np.stack([contrast[frame, at + k] for k in range(-2, 3)]).astype(float)
    bend = (2 * near[0] - near[1] - 2 * near[2] - near[3] + 2 * near[4]) / 7.0
    slope = (-2 * near[0] - near[1] + near[3] + 2 * near[4]) / 10.0
    step = np.where(bend < 0, np.clip(-slope / np.minimum(bend, -1e-9), -2, 2), 0.0)
    return grid[at] * np.exp(step * GRID_STEP), near.max(axis=0)


def _smoothed(rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Parabola through five neighbours each, and the sd of its middle.

    References
    ----------
    .. [1] Savitzky & Golay, Anal. Chem. 36 (1964) 1627: weights −3 12 17 12 −3, 35ths.
    """
    log = np.log(rpm)
    if len(log) < 5:
        return rpm, 0.01 * rpm
    middle = (-3 * log[:-4] + 12 * log[1:-3] + 17 * log[2:-2] + 12 * log[3:-1] - 3 * log[4:]) / 35.0
    off = log[2:-2] - middle
    local = np.array([np.median(np.abs(off[max(i - 5, 0) : i + 6])) for i in range(len(off))])
    local = np.concatenate([[local[0]] * 2, local, [local[-1]] * 2])
    smooth = np.exp(np.concatenate([log[:2], middle, log[-2:]]))
    # The residual holds 18 of 35 parts of the variance, the middle the other 17; windows overlap, so that neighbours
    # err together, which the residual does not show: hence twice.
    return smooth, smooth * np.hypot(2.0 * 1.4826 * local, LEAST_REL_SD)


def _by_orders(sound: np.ndarray, middles: np.ndarray, rough: np.ndarray, combs: _Combs) -> np.ndarray:
    """Speed once more, on the sound played so that the rough speed stands still at `ORDER_RPM`."""
    rpm = rough
    near = slice(*np.searchsorted(combs.rpm, ORDER_RPM * np.array([0.94, 1.06])))
    grid = combs.rpm[near]
    for _ in range(2):
        t = np.arange(len(sound)) / RATE_HZ
        log_rpm = np.interp(t, middles, median_filter(np.log(rpm), size=3, mode="nearest"))
        played = np.concatenate([[0.0], np.cumsum(np.exp(log_rpm[1:]) / ORDER_RPM / RATE_HZ)])
        contrast = np.empty((len(middles), len(grid)))
        for i, middle in enumerate(np.interp(middles, t, played)):
            u = middle + np.linspace(-ORDER_WINDOW_S / 2, ORDER_WINDOW_S / 2, int(ORDER_WINDOW_S * RATE_HZ))
            contrast[i] = combs.contrast(_whitened(np.interp(np.interp(u, played, t), t, sound)))[near]
        ratio = _peaks(contrast, contrast.argmax(axis=1), grid)[0] / ORDER_RPM
        rpm = ratio * np.exp(np.interp(middles, t, log_rpm))
    return rpm


def _trust(clear: np.ndarray, rival: np.ndarray, rough: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Nought where the note does not stand out, where another does too, or where two ways of reading it disagree."""
    stands_out = np.clip((clear - CLEAR) / CLEAR + 0.5, 0.0, 1.0)
    alone = np.clip(0.5 + (RIVAL - rival / np.maximum(clear, 1e-6)) / RIVAL, 0.0, 1.0)
    agree = np.where(np.abs(np.log(rpm / rough)) < AGREE_REL, 1.0, 0.0)
    return median_filter(np.minimum(np.minimum(stands_out, alone), agree), size=5, mode="nearest")
