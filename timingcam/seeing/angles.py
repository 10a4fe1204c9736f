"""Strips to angles: how far the rotor had turned in each flash.

In:  evened-out strips of flashes; `RotorMap`, what turns.
Out: `Turn`, the angle of one flash against the map, with its uncertainty.
Not here: how the map comes about (`rotor_map.py`); which line on it is which mark (`marks.py`).

Everything on the rotor turns together, so every bolt, scratch and letter carries the angle. The angle is that at which
the map, turned, explains the strip best by robust least squares on the light, with a small shift of the centre left
free. Angles are degrees, growing clockwise as the camera sees it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from timingcam.seeing.cells import COARSE_ANGLES, Cells, FlatStrip, Laid, RotorMap, coarsely, lay_cells

SMEAR_SD_RAD2 = np.radians(1.5) ** 2  # wide: half the mean square of what a 500 µs flash smears at 6000 rpm is 4 deg²
NEARER_CELLS = 3000  # our choice
NEARER_COARSE = 2  # our choice: columns of the coarse search that it may be off by
MOST_STEPS = 20
SETTLED_RAD, UNSETTLED_RAD = 1e-5, np.radians(0.01)  # of a step of the angle: done; none to be found
LEAST_KNOWN = 0.01
# Our choice: a flash joins the map when it looks like it, shares a good part with it, and its angle is known.
FULL_OVERLAP, LEAST_OVERLAP, LEAST_MATCH, LOOSEST_SD_DEG = 0.5, 0.3, 0.35, 1.0
# Of the noise's variance: the best of COARSE_ANGLES angles explains as much of noise alone in one flash of 10,000
# (chi-square of one degree of freedom at 1e-4 / 512).
LEAST_EXPLAINED = 27.0
NOTHING_LIKE_IT = 4.0  # our choice: times as alike as the best other angle; by chance there would be others near it
# Our choice, of squares: a six-pole rotor's own angle mostly came to 2 and more, a wrong one to 1.2; and what noise
# leaves of any picture.
LESS_UNLIKE, NOISE_UNLIKE = 1.75, 0.02
N_SECTORS = 24


@dataclass(frozen=True, slots=True)
class Turn:
    """How far the rotor had turned in one flash.

    `match` is the correlation of strip and map, at most 1; `rival` that of the best other angle. `explained` is how
    much of what the strip shows the map's pattern explains, in variances of the noise: bland metal is alike at any
    angle, and matches by chance; infinite where it was not fitted. `centre` is how far the centre about which it turned
    lay from the pose's, x and y in rotor radii; `covariance` that of turn (radians) and centre together, shape (3, 3).
    """

    deg: float
    sd_deg: float
    match: float
    rival: float
    overlap: float  # share of what the flash showed that the map knows
    likeness: float  # correlation of all that both show, at most 1
    centre: tuple[float, float] = (0.0, 0.0)
    covariance: np.ndarray | None = None
    explained: float = np.inf


def read_turn(
    rotor: RotorMap,
    cells: Cells,
    strip: np.ndarray,
    known: np.ndarray,
    near: Turn | None = None,
    settled_rad: float = SETTLED_RAD,
) -> Turn | None:
    """Angle of one strip against the map.

    Parameters
    ----------
    rotor : RotorMap
    cells : Cells
        From `telling_cells` of that map.
    strip, known : ndarray, shape (n_radii, n_angles)
        Evened out, and where it is known.
    near : Turn, optional
        What was found before: look only within a few degrees of it.
    settled_rad : float
        The step of the angle at which the fit is done.

    Returns
    -------
    Turn or None
        None where too little of the rotor is lit.
    """
    if known.mean() < LEAST_KNOWN * (rotor.known > 0.5).mean():
        return None
    strip = (strip - rotor.still) * known
    start = _coarse(cells, strip, known) if near is None else near
    return _fine(rotor, cells, (strip, known), start, settled_rad)


def fits(turn: Turn) -> bool:
    """Whether a flash is surely the map's rotor at that angle."""
    # Poles, spokes or bolts look nearly alike at several angles: there the best leaves clearly less unlike.
    nearly = 1 - turn.rival**2 > LESS_UNLIKE * max(1 - turn.likeness**2, NOISE_UNLIKE)
    apart = turn.likeness > 1.25 * turn.rival or nearly
    alike = turn.match > LEAST_MATCH and turn.likeness > LEAST_MATCH and apart
    told = turn.explained > LEAST_EXPLAINED or turn.likeness > NOTHING_LIKE_IT * turn.rival
    return alike and told and turn.overlap > LEAST_OVERLAP and turn.sd_deg < LOOSEST_SD_DEG


def turned(strip: np.ndarray, deg: float) -> np.ndarray:
    """A strip turned clockwise by any angle, by its Fourier series along the angle."""
    n = strip.shape[1]
    phase = np.exp(-1j * np.arange(n // 2 + 1) * np.radians(deg)).astype(np.complex64)
    return fft.irfft(fft.rfft(strip, axis=1) * phase, n, axis=1).astype(np.float32)


def _coarse(cells: Cells, strip: np.ndarray, known: np.ndarray) -> Turn:
    """Best angle over the full turn by normalised correlation, less where map and flash share little."""
    b, k = coarsely(strip), coarsely(known)
    n = b.shape[1]
    fb, fb2, fk = (fft.rfft(x, axis=1) for x in (b, b**2, k))
    fa, fa2, fw = cells.series
    cross = fft.irfft((fa * fb).sum(axis=0), n)
    energy = fft.irfft((fa2 * fk).sum(axis=0), n) * fft.irfft((fw * fb2).sum(axis=0), n)
    score = cross / np.sqrt(np.maximum(energy, 1e-9 * float(np.max(energy)) + 1e-12))
    overlap = fft.irfft((fw * fk).sum(axis=0), n) / max(float(k.sum()), 1.0)
    # A sliver fits anything.
    score = score * np.sqrt(np.clip(overlap / FULL_OVERLAP, 0.0, 1.0))
    can = None
    if cells.between_deg is not None:
        can = _between(np.arange(n) * 360.0 / n, *cells.between_deg)
    best = int(np.argmax(score if can is None or not cells.surely else np.where(can, score, -1.0)))
    before, at, after = score[best - 1], score[best], score[(best + 1) % n]
    bend = before - 2 * at + after
    part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    away = np.abs((np.arange(n) - best + n // 2) % n - n // 2) > max(4, n // 60)
    if can is not None and (away & can).any():  # a rotor that turned by less than that has its rivals anywhere
        away &= can | ~can[best]
    deg = (best + float(np.clip(part, -0.5, 0.5))) * 360.0 / n
    deg = (deg + 180.0) % 360.0 - 180.0
    return Turn(deg, np.inf, float(at), float(score[away].max()), float(overlap[best]), float(at))


def _between(degs: np.ndarray, least: float, most: float) -> np.ndarray:
    return (degs - least) % 360.0 <= most - least


def _fine(
    rotor: RotorMap, cells: Cells, seen: tuple[np.ndarray, np.ndarray], start: Turn, settled_rad: float
) -> Turn | None:
    """Gauss-Newton on the angle, a shift of the centre (with its prior), the contrast, and how far the flash smeared
    it.

    A flash of some length smears the faster rotor more. That is the pattern's second derivative along the angle, even
    where the angle's slope is odd, so it takes nothing from the angle.
    """
    prior = np.diag([0.0, 1 / rotor.centre_sd**2, 1 / rotor.centre_sd**2, 0.0, 1 / SMEAR_SD_RAD2**2])
    deg, other = _nearer(rotor, cells, seen, start.deg), np.array([0.0, 0.0, 1.0, 0.0])  # centre x, y; gain; smear
    strip = FlatStrip.of(*seen)
    laid: Laid | None = None
    for _ in range(MOST_STEPS):
        laid = lay_cells(rotor, cells, strip, (deg, other), laid)
        if laid is None:
            return None
        heavy = laid.columns * laid.weight
        normal = heavy @ laid.columns.T + 1e-12 * np.eye(5)
        step = np.linalg.solve(normal + prior, heavy @ laid.full)
        deg += float(np.degrees(step[0]))
        other = step[1:]
        if abs(step[0]) < settled_rad:
            break
    if laid is None or abs(step[0]) > max(UNSETTLED_RAD, settled_rad) or abs((deg - start.deg + 180) % 360 - 180) > 6.0:
        return None
    sector = (laid.cells.column * N_SECTORS) // seen[0].shape[1]
    ratio = max(1.0, _disagreement(laid.columns[0], laid.misfit, laid.weight, sector))
    # What is known beforehand does not get worse where sectors disagree.
    covariance = np.linalg.inv(normal / ratio**2 + prior)[:3, :3]
    sd = float(np.degrees(np.sqrt(covariance[0, 0])))
    match = _correlation(laid.light, laid.cells.light, laid.weight)
    return replace(
        start, deg=(deg + 180) % 360 - 180, sd_deg=sd, match=match, centre=(float(other[0]), float(other[1])),
        covariance=covariance, explained=float(other[2] ** 2 * (laid.weight * laid.cells.light**2).sum()),
    )  # fmt: skip


def _nearer(rotor: RotorMap, cells: Cells, seen: tuple[np.ndarray, np.ndarray], deg: float) -> float:
    """The angle, to a column of the strip, at which the telling cells correlate best, near the one given.

    A mark is narrower than what the coarse search may be off by. From there its light has no slope towards where the
    mark is, and a robust fit takes it for an outlier.
    """
    strip, known = seen
    n = strip.shape[1]
    reach = int(np.ceil(NEARER_COARSE * n / min(COARSE_ANGLES, n)))
    shifts = round(np.radians(deg) / np.radians(rotor.grid.step_deg)) + np.arange(-reach, reach + 1)
    # A part of the cells tells a column from the next.
    every = max(1, len(cells.row) // NEARER_CELLS)
    row, pattern, trust = cells.row[::every], cells.light[::every], cells.trust[::every]
    at = row * n + (cells.column[::every] + shifts[:, None]) % n
    weight = trust * known.ravel()[at]
    light = strip.ravel()[at]
    energy = (weight * light**2).sum(axis=1) * (weight @ pattern**2)
    score = (weight * light) @ pattern / np.sqrt(np.maximum(energy, 1e-24))
    best = int(np.argmax(score))
    return deg if best == reach else float(shifts[best] * rotor.grid.step_deg)


def _disagreement(slope: np.ndarray, misfit: np.ndarray, weight: np.ndarray, sector: np.ndarray) -> float:
    """How much more than their own noise the angles of single sectors differ: the ratio that makes the sd honest.

    References
    ----------
    .. [1] Birge, Phys. Rev. 40, 207 (1932): the ratio of outer to inner uncertainty (from memory).
    """
    power = np.bincount(sector, weight * slope * slope, N_SECTORS)
    pull = np.bincount(sector, weight * slope * misfit, N_SECTORS)
    heavy = power > 0.01 * power.sum()
    if heavy.sum() < 2:
        return 1.0
    each, share = pull[heavy] / power[heavy], power[heavy]
    mean = float((share * each).sum() / share.sum())
    return float(np.sqrt((share * (each - mean) ** 2).sum() / (heavy.sum() - 1)))


def _correlation(a: np.ndarray, b: np.ndarray, weight: np.ndarray) -> float:
    return float((weight * a * b).sum() / np.sqrt(max(float((weight * a * a).sum() * (weight * b * b).sum()), 1e-24)))
