"""How high the index stands over the rotor's plane, from a hand's swaying.

In:  of some flashes the rotor's turn past the index, and how obliquely the index was looked at; the speed and the
     advance at every flash.
Out: the height and its standard uncertainty, where the hand swayed enough to tell it.
Not here: what is seen (`seeing/swaying.py`).

Single pictures show the rotor against the index by nothing else, and follow the lens by the index's height: so many
degrees for each degree by which the line of sight moved. The readings are of pictures laid on what stands still, at
several heights, and follow the lens by less, or the other way. In the difference of the two at one flash the spark's
own scatter is gone, and it tells one height less the other, well. How the readings themselves follow the lens is seen
beside what the speed makes of the advance, and as well as the scatter of all flashes lets it.

An error of one picture's pose comes with an error of its turn, and least squares would take that for a height. But a
hand sways slowly, and the neighbours in time say from where the lens looked with errors of their own.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import BSpline

from timingcam.engine import Engine
from timingcam.reckoning.assemble import Height, index_height
from timingcam.reckoning.budget import INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM
from timingcam.reckoning.tacho import FlashAngles
from timingcam.seeing.circle import wrap
from timingcam.seeing.marks import sense_of
from timingcam.seeing.pose import FOCAL_LOG_SD
from timingcam.seeing.swaying import Swaying

FEWEST = 40  # flashes, our choice: the speed takes up to a third of their numbers
FLASHES_A_PIECE, MOST_PIECES = 12, 10  # our choice: of the curve of advance against speed
LEAST_RANGE = 0.1  # our choice: of the speed; within less a straight line does
OUTLIER_SDS = 4.0
# Of the neighbours' part in where the lens was; with less, an estimate by instruments strays far and its stated doubt
# does not tell (Staiger & Stock, Econometrica 65, 557 (1997), from memory).
LEAST_F = 10.0
BLOCK_S = 1.0  # our choice: a hand's sway and an advancer's lag last so long
UNLIKELY_SDS = 3.0  # our choice: an index that far from the usual is rather something else


def told_by_swaying(
    swaying: Swaying, time_s: np.ndarray, rpm: np.ndarray, behind_deg: np.ndarray
) -> tuple[float, float] | None:
    """Height of the index in rim radii, and its standard uncertainty.

    Parameters
    ----------
    swaying : Swaying
    time_s, rpm, behind_deg : ndarray, shape (n_flashes,)
        Of all flashes of the clip; the last is how far clockwise of the rotor's zero the index seems, by the readings,
        up to a constant.

    Returns
    -------
    (float, float) or None
        None where flashes are few, or the lens moved too little.

    References
    ----------
    .. [1] Angrist & Krueger, Journal of the American Statistical Association 87, 328 (1992): instruments where one
       sample has what is to be explained, another what explains it (from memory).
    .. [2] Newey & West, Econometrica 55, 703 (1987): errors that hang together over a time (from memory; here by
       blocks of it).
    """
    alone_deg = _near(swaying.past_deg + behind_deg[swaying.flash])
    some = np.isfinite(alone_deg)
    if np.count_nonzero(some) < FEWEST:
        return None
    flash = swaying.flash[some]
    own, apart_deg = np.full((2, len(time_s)), np.nan)
    own[flash], apart_deg[flash] = swaying.parallax_deg[some], -alone_deg[some]
    by_others = _by_others(time_s, flash, own[flash])
    every = np.isfinite(by_others) & np.isfinite(rpm) & np.isfinite(behind_deg)
    both = every & np.isfinite(apart_deg)
    level = np.ones((np.count_nonzero(both), 1))
    more = _answer(time_s[both], level, by_others[both], own[both], apart_deg[both])
    behind = np.degrees(np.unwrap(np.radians(behind_deg[every])))
    laid = _answer(time_s[every], _waves(rpm[every]), by_others[every], own[every], behind)
    if more is None or laid is None:
        return None
    return more[0] + laid[0], math.hypot(more[1], laid[1])


def _by_others(time_s: np.ndarray, flash: np.ndarray, parallax_deg: np.ndarray) -> np.ndarray:
    """The parallax at all flashes between those that tell it, in time order: of these too by their neighbours only;
    NaN beyond."""
    at_s = time_s[flash]
    every = np.interp(time_s, at_s, parallax_deg, left=np.nan, right=np.nan)
    share = (at_s[1:-1] - at_s[:-2]) / (at_s[2:] - at_s[:-2])
    every[flash[1:-1]] = parallax_deg[:-2] + (parallax_deg[2:] - parallax_deg[:-2]) * share
    every[flash[[0, -1]]] = np.nan
    return every


def _near(deg: np.ndarray) -> np.ndarray:
    """Angles about their middle; NaN for those far off it."""
    there = deg[np.isfinite(deg)]
    if not len(there):
        return deg
    off = np.asarray(wrap(deg - np.degrees(np.angle(np.exp(1j * np.radians(there)).mean()))))
    off = off - np.nanmedian(off)
    return np.where(np.abs(off) < OUTLIER_SDS * 1.4826 * np.nanmedian(np.abs(off)), off, np.nan)


def _answer(
    t: np.ndarray, waves: np.ndarray, by_others: np.ndarray, own: np.ndarray, seen: np.ndarray
) -> tuple[float, float] | None:
    """How `seen` answers to the parallax beside what `waves` explain, and its sd.

    `by_others`, the parallax by the neighbours, is the instrument; `own` is NaN where no picture was looked at alone.
    """
    for _ in range(3):
        left = seen - _fitted(waves, seen)
        keep = np.abs(left) < OUTLIER_SDS * 1.4826 * np.median(np.abs(left)) + 1e-9
        t, waves, by_others, own, seen = t[keep], waves[keep], by_others[keep], own[keep], seen[keep]
    alone = np.isfinite(own)
    if np.count_nonzero(alone) < FEWEST:
        return None
    z, x = (values[alone] - _fitted(waves[alone], values[alone]) for values in (by_others, own))
    follows = float(z @ x) / max(float(z @ z), 1e-12)
    free = len(z) - waves.shape[1] - 1
    told = follows**2 * float(z @ z) / max(float(np.sum((x - follows * z) ** 2)) / free, 1e-12)
    if told < LEAST_F or follows <= 0:
        return None
    z, y = (values - _fitted(waves, values) for values in (by_others, seen))
    answer = float(z @ y) / float(z @ z)
    pulls = z * (y - answer * z)
    together = np.bincount(((t - t[0]) / BLOCK_S).astype(int), pulls)
    variance = max(float(together @ together), float(pulls @ pulls)) * len(t) / (len(t) - waves.shape[1] - 1)
    own_sd = math.sqrt(variance) / float(z @ z)
    height = answer / follows
    return height, math.hypot(own_sd, height / math.sqrt(told) * follows) / follows


def _waves(speed: np.ndarray) -> np.ndarray:
    """What an advance that follows the speed may be made of, (n, k): cubic splines with as many flashes in each
    piece."""
    low, high = float(speed.min()), float(speed.max())
    if high - low < LEAST_RANGE * high:
        return np.stack([np.ones_like(speed), (speed - speed.mean()) / high], axis=1)
    pieces = int(np.clip(len(speed) // FLASHES_A_PIECE, 1, MOST_PIECES))
    inner = np.unique(np.quantile(speed, np.linspace(0, 1, pieces + 1)))  # a speed that was held may be several of them
    inner = inner[(inner > low) & (inner < high)]
    knots = np.concatenate([[low] * 4, inner, [high] * 4])
    return np.asarray(BSpline.design_matrix(speed, knots, 3).toarray())


def _fitted(waves: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.asarray(waves @ np.linalg.lstsq(waves, values, rcond=None)[0])


def risen(swaying: Swaying | None, angles: FlashAngles, rpm: np.ndarray, engine: Engine) -> Height:
    """The index's height: as the engine file gives it; else as the hand's swaying tells it, held together with what is
    usual; else the usual.

    Parameters
    ----------
    swaying : Swaying, optional
    angles : FlashAngles
    rpm : ndarray, shape (n_flashes,)
    engine : Engine
    """
    usual = index_height(engine)
    if swaying is None or usual.source == "file":
        return usual
    told = told_by_swaying(swaying, angles.time_s, rpm, sense_of(engine) * angles.seen_deg)
    if told is None:
        return usual
    radius_mm = engine.rotor.rim_diameter_mm / 2
    height_mm = told[0] * radius_mm
    # A lens taken for longer than it is makes the sway look smaller, and the height larger.
    sd_mm = math.hypot(told[1] * radius_mm, FOCAL_LOG_SD * height_mm)
    # No better than what is usual says too little; far from that, something else than the index's height is seen.
    off_sds = abs(height_mm - INDEX_ABOVE_MM) / math.hypot(sd_mm, INDEX_ABOVE_SD_MM)
    if sd_mm > INDEX_ABOVE_SD_MM or off_sds > UNLIKELY_SDS:
        return usual
    weight, usual_weight = sd_mm**-2, INDEX_ABOVE_SD_MM**-2
    both_mm = (weight * height_mm + usual_weight * INDEX_ABOVE_MM) / (weight + usual_weight)
    return Height(both_mm, (weight + usual_weight) ** -0.5, "clip")
