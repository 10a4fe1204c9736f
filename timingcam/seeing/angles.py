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

import cv2
import numpy as np
from scipy import fft

from timingcam.seeing.strips import Grid

TUKEY = 4.685  # 95 % efficiency for normal noise (Beaton & Tukey 1974, from memory)
COARSE_ANGLES = 512
SMEAR_SD_RAD2 = np.radians(1.5) ** 2  # wide: half the mean square of what a 500 µs flash smears at 6000 rpm is 4 deg²
NEARER_CELLS = 3000  # our choice
NEARER_COARSE = 2  # our choice: columns of the coarse search that it may be off by
MOST_STEPS = 20
SETTLED_RAD, UNSETTLED_RAD = 1e-5, np.radians(0.01)  # of a step of the angle: done; none to be found
MOST_CELLS = 8000  # our choice: more say next to nothing more of the angle
LEAST_CELLS = 150
LEAST_KNOWN = 0.01
# Our choice: a flash joins the map when it looks like it, shares a good part with it, and its angle is known.
FULL_OVERLAP, LEAST_OVERLAP, LEAST_MATCH, LOOSEST_SD_DEG = 0.5, 0.3, 0.35, 1.0
N_SECTORS = 24


@dataclass(frozen=True, slots=True, eq=False)
class RotorMap:
    """What turns, and how far each cell of a strip can be trusted.

    `light` shape (n_radii, n_angles): evened-out light on the rotor at turn 0. `known` how many flashes showed each
    cell, same shape. `still` what stands still in front of it or in its light, in the frame of the picture, to be taken
    from every strip; `variance` what is left unexplained there. `trust`, on the rotor, is near 1 where its pattern
    stands far out of the noise: video coding blurs fainter texture, or carries it over from the picture before, where
    the rotor stood elsewhere.
    """

    grid: Grid
    light: np.ndarray
    known: np.ndarray
    still: np.ndarray
    variance: np.ndarray
    trust: np.ndarray
    inflation: float  # of sds, since neighbouring cells share pixels and coding blocks
    centre_sd: float  # how far the rotor's centre may have moved against the shift, in rotor radii


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of the map that say most of the angle: rows, columns (n,), and the map's light and slopes there; and
    the whole map's series along the angle, coarsely, for the search over the full turn."""

    row: np.ndarray
    column: np.ndarray
    radius: np.ndarray
    light: np.ndarray
    along: np.ndarray  # d light / d angle, per radian
    bend: np.ndarray  # second derivative
    down: np.ndarray  # d light / d radius
    trust: np.ndarray
    series: tuple[np.ndarray, np.ndarray, np.ndarray]  # of light, its square, and where it is known, conjugated


@dataclass(frozen=True, slots=True)
class Turn:
    """How far the rotor had turned in one flash.

    `match` is the correlation of strip and map, at most 1; `rival` that of the best other angle. `centre` is how far
    the centre about which it turned lay from the pose's, x and y in rotor radii; `covariance` that of turn (radians)
    and centre together, shape (3, 3).
    """

    deg: float
    sd_deg: float
    match: float
    rival: float
    overlap: float  # share of what the flash showed that the map knows
    likeness: float  # correlation of all that both show, at most 1
    centre: tuple[float, float] = (0.0, 0.0)
    covariance: np.ndarray | None = None


def telling_cells(rotor: RotorMap) -> Cells:
    """Choose the cells by what they say of the angle: trusted slope, squared."""
    n = rotor.light.shape[1]
    order = np.arange(n // 2 + 1)
    spectrum = fft.rfft(rotor.light, axis=1)
    along = fft.irfft(spectrum * (1j * order).astype(np.complex64), n, axis=1)
    bend = fft.irfft(spectrum * -(order**2).astype(np.float32), n, axis=1)
    down = np.gradient(rotor.light, rotor.grid.radii, axis=0)
    telling = (rotor.trust * along**2 * (rotor.known > 0.5)).ravel()
    most = min(MOST_CELLS, int((telling > 0).sum()))
    chosen = np.sort(np.argpartition(telling, -most)[-most:]) if most else np.zeros(0, int)
    row, column = np.divmod(chosen, n)
    picked = [a[row, column].astype(float) for a in (rotor.light, along, bend, down, rotor.trust)]
    weight = (rotor.known > 0.5).astype(np.float32)
    coarse, there = _coarsely(rotor.light * weight), _coarsely(weight)
    series = [np.conj(fft.rfft(part, axis=1)) for part in (coarse, coarse**2, there)]
    light, along, bend, down, trust = picked
    return Cells(
        row, column, rotor.grid.radii[row], light, along, bend, down, trust, (series[0], series[1], series[2])
    )  # fmt: skip


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
    alike = turn.match > LEAST_MATCH and turn.likeness > LEAST_MATCH and turn.likeness > 1.25 * turn.rival
    return alike and turn.overlap > LEAST_OVERLAP and turn.sd_deg < LOOSEST_SD_DEG


def turned(strip: np.ndarray, deg: float) -> np.ndarray:
    """A strip turned clockwise by any angle, by its Fourier series along the angle."""
    n = strip.shape[1]
    phase = np.exp(-1j * np.arange(n // 2 + 1) * np.radians(deg)).astype(np.complex64)
    return fft.irfft(fft.rfft(strip, axis=1) * phase, n, axis=1).astype(np.float32)


def _coarsely(strip: np.ndarray) -> np.ndarray:
    """Means of neighbouring columns, COARSE_ANGLES of them or as many as there are."""
    n = min(COARSE_ANGLES, strip.shape[1])
    return cv2.resize(strip.astype(np.float32), (n, strip.shape[0]), interpolation=cv2.INTER_AREA)


def _coarse(cells: Cells, strip: np.ndarray, known: np.ndarray) -> Turn:
    """Best angle over the full turn by normalised correlation, less where map and flash share little."""
    b, k = _coarsely(strip), _coarsely(known)
    n = b.shape[1]
    fb, fb2, fk = (fft.rfft(x, axis=1) for x in (b, b**2, k))
    fa, fa2, fw = cells.series
    cross = fft.irfft((fa * fb).sum(axis=0), n)
    energy = fft.irfft((fa2 * fk).sum(axis=0), n) * fft.irfft((fw * fb2).sum(axis=0), n)
    score = cross / np.sqrt(np.maximum(energy, 1e-9 * float(np.max(energy)) + 1e-12))
    overlap = fft.irfft((fw * fk).sum(axis=0), n) / max(float(k.sum()), 1.0)
    # A sliver fits anything.
    score = score * np.sqrt(np.clip(overlap / FULL_OVERLAP, 0.0, 1.0))
    best = int(np.argmax(score))
    before, at, after = score[best - 1], score[best], score[(best + 1) % n]
    bend = before - 2 * at + after
    part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    away = np.abs((np.arange(n) - best + n // 2) % n - n // 2) > max(4, n // 60)
    deg = (best + float(np.clip(part, -0.5, 0.5))) * 360.0 / n
    deg = (deg + 180.0) % 360.0 - 180.0
    return Turn(deg, np.inf, float(at), float(score[away].max()), float(overlap[best]), float(at))


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """The map's telling cells laid on a strip, linear about where they are; arrays of shape (n,), columns (n, 5)."""

    columns: np.ndarray  # of turn, centre x and y, gain, smear
    light: np.ndarray  # of the strip
    full: np.ndarray  # the same, with what the centre's shift so far took out put back
    misfit: np.ndarray
    weight: np.ndarray
    column: np.ndarray  # of the map
    pattern: np.ndarray  # light of the map


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
    laid: _Laid
    for _ in range(MOST_STEPS):
        here = _laid(rotor, cells, seen, deg, other)
        if here is None:
            return None
        laid = here
        normal = laid.columns.T @ (laid.weight[:, None] * laid.columns) + 1e-12 * np.eye(5)
        step = np.linalg.solve(normal + prior, laid.columns.T @ (laid.weight * laid.full))
        deg += float(np.degrees(step[0]))
        other = step[1:]
        if abs(step[0]) < settled_rad:
            break
    if abs(step[0]) > max(UNSETTLED_RAD, settled_rad) or abs((deg - start.deg + 180) % 360 - 180) > 6.0:
        return None
    sector = (laid.column * N_SECTORS) // seen[0].shape[1]
    ratio = max(1.0, _disagreement(laid.columns[:, 0], laid.misfit, laid.weight, sector))
    # What is known beforehand does not get worse where sectors disagree.
    covariance = np.linalg.inv(normal / ratio**2 + prior)[:3, :3]
    sd = float(np.degrees(np.sqrt(covariance[0, 0])))
    match = _correlation(laid.light, laid.pattern, laid.weight)
    return replace(
        start, deg=(deg + 180) % 360 - 180, sd_deg=sd, match=match, centre=(float(other[0]), float(other[1])),
        covariance=covariance,
    )  # fmt: skip


def _laid(
    rotor: RotorMap, cells: Cells, seen: tuple[np.ndarray, np.ndarray], deg: float, other: np.ndarray
) -> _Laid | None:
    """Lay the cells on a strip; None where too few of them are known there."""
    strip, known = seen
    n, step_rad = strip.shape[1], np.radians(rotor.grid.step_deg)
    angle = cells.column * step_rad + np.radians(deg)
    # What a small shift of the centre does along the angle may be a mark's width, so it moves the cells; what it does
    # along the radius is told by the slope.
    angle += (np.cos(angle) * other[1] - np.sin(angle) * other[0]) / cells.radius
    nearest = np.rint(angle / step_rad).astype(int) % n
    ok = known[cells.row, nearest]
    if ok.sum() < LEAST_CELLS:
        return None
    row, nearest, angle = cells.row[ok], nearest[ok], angle[ok]
    along, down, radius, pattern = cells.along[ok], cells.down[ok], cells.radius[ok], cells.light[ok]
    light = _between(strip, row, angle / step_rad)
    gain = max(float(other[2]), 0.1)
    swing = np.stack([np.sin(angle), -np.cos(angle)], axis=1) * (along / radius * gain)[:, None]
    reach = np.stack([-np.cos(angle), -np.sin(angle)], axis=1) * (down * gain)[:, None]
    columns = np.column_stack([-along * gain, swing + reach, pattern, cells.bend[ok] * gain])
    full = light + swing @ other[:2]
    misfit = full - columns[:, 1:] @ other
    variance = rotor.variance[row, nearest]
    z = misfit / np.sqrt(variance)
    sigma = 1.4826 * float(np.median(np.abs(z))) + 1e-9
    # Neighbouring cells share pixels and coding blocks: so many count as one, or the priors would weigh nothing.
    weight = cells.trust[ok] * np.clip(1 - (z / (TUKEY * sigma)) ** 2, 0, None) ** 2
    weight /= variance * (sigma * rotor.inflation) ** 2
    return _Laid(columns, light, full, misfit, weight, cells.column[ok], pattern)


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


def _between(strip: np.ndarray, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """A strip's light between its columns, by cubic convolution along the angle.

    References
    ----------
    .. [1] Keys, IEEE Trans. ASSP 29(6), 1153-1160 (1981): the kernel with a = -1/2 (from memory).
    """
    n = strip.shape[1]
    low = np.floor(column).astype(int)
    t = column - low
    p0, p1, p2, p3 = (strip[row, (low + k) % n] for k in (-1, 0, 1, 2))
    return p1 + 0.5 * t * (p2 - p0 + t * (2 * p0 - 5 * p1 + 4 * p2 - p3 + t * (3 * (p1 - p2) + p3 - p0)))


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
