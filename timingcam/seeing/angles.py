"""Strips to angles: the rotor's map, and how far the rotor had turned in each flash.

In:  evened-out strips of many flashes.
Out: `RotorMap`, what turns; `Turn`, the angle of one flash against it, with its uncertainty.
Not here: which line on the map is which mark (`marks.py`).

Everything on the rotor turns together, so every bolt, scratch and letter carries the angle. The angle is that at which
the map, turned, explains the strip best by robust least squares on the light, with a small shift of the centre left
free. Angles are degrees, growing clockwise as the camera sees it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import fft

from timingcam.seeing.strips import Grid, pattern_trust

TUKEY = 4.685  # 95 % efficiency for normal noise (Beaton & Tukey 1974, from memory)
COARSE_ANGLES = 512
SMEAR_SD_RAD2 = np.radians(1.5) ** 2  # wide: half the mean square of what a 500 µs flash smears at 6000 rpm is 4 deg²
MOST_CELLS = 8000  # our choice: more say next to nothing more of the angle
LEAST_CELLS = 150
LEAST_KNOWN = 0.01
# Our choice: a flash joins the map when it looks like it, shares a good part with it, and its angle is known.
FULL_OVERLAP, LEAST_OVERLAP, LEAST_MATCH, LOOSEST_SD_DEG = 0.5, 0.3, 0.35, 1.0
N_SECTORS = 24
MAP_ROUNDS = 5  # our choice: the map changes by less than its noise after three


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
    """The cells of the map that say most of the angle: rows, columns (n,), and the map's light and slopes there."""

    row: np.ndarray
    column: np.ndarray
    radius: np.ndarray
    light: np.ndarray
    along: np.ndarray  # d light / d angle, per radian
    bend: np.ndarray  # second derivative
    down: np.ndarray  # d light / d radius
    trust: np.ndarray


@dataclass(frozen=True, slots=True)
class Turn:
    """How far the rotor had turned in one flash.

    `match` is the correlation of strip and map, at most 1; `rival` that of the best other angle.
    """

    deg: float
    sd_deg: float
    match: float
    rival: float
    overlap: float  # share of what the flash showed that the map knows
    likeness: float  # correlation of all that both show, at most 1


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
    return Cells(row, column, rotor.grid.radii[row], *picked)


def read_turn(
    rotor: RotorMap, cells: Cells, strip: np.ndarray, known: np.ndarray, near: Turn | None = None
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

    Returns
    -------
    Turn or None
        None where too little of the rotor is lit.
    """
    if known.mean() < LEAST_KNOWN:
        return None
    strip = (strip - rotor.still) * known
    start = _coarse(rotor, strip, known) if near is None else near
    return _fine(rotor, cells, (strip, known), start)


def build_map(grid: Grid, strips: list[np.ndarray], knowns: list[np.ndarray], centre_sd: float) -> RotorMap:
    """Build the map from the strips of many flashes, from the one that is most like the others outwards.

    Parameters
    ----------
    grid : Grid
    strips, knowns : lists of ndarray, shape (n_radii, n_angles)
    centre_sd : float
        See `RotorMap`.
    """
    first = int(np.argmax([k.sum() for k in knowns]))
    shape = strips[0].shape
    rotor = RotorMap(
        grid, strips[first].astype(np.float32), knowns[first].astype(np.float32), np.zeros(shape, np.float32),
        np.full(shape, 1.0, np.float32), np.full(shape, 1.0, np.float32), 1.0, centre_sd,
    )  # fmt: skip
    turns: list[Turn | None] = [None] * len(strips)
    for round_number in range(MAP_ROUNDS):
        cells = telling_cells(rotor)
        for i, (strip, known) in enumerate(zip(strips, knowns, strict=True)):
            near = turns[i] if round_number > 2 else None
            turns[i] = read_turn(rotor, cells, strip, known, near)
        rotor = _rebuilt(rotor, strips, knowns, turns)
    return replace(rotor, inflation=_inflation(rotor, strips, knowns, turns))


def _inflation(rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> float:
    """How much wider sds are than if cells were independent, the median over some flashes."""
    ratios = []
    for strip, known, turn in list(zip(strips, knowns, turns, strict=True))[:12]:
        if turn is not None and fits(turn):
            misfit = (strip - rotor.still) * known - turned(rotor.light, turn.deg)
            ratios.append(_neighbours(misfit[known], known))
    return float(np.median(ratios)) if ratios else 1.0


def fits(turn: Turn) -> bool:
    """Whether a flash is surely the map's rotor at that angle."""
    alike = turn.match > LEAST_MATCH and turn.likeness > LEAST_MATCH and turn.likeness > 1.25 * turn.rival
    return alike and turn.overlap > LEAST_OVERLAP and turn.sd_deg < LOOSEST_SD_DEG


def _rebuilt(rotor: RotorMap, strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> RotorMap:
    good = [i for i, t in enumerate(turns) if t is not None and fits(t)]
    if not good:
        return rotor
    degs = np.array([turns[i].deg for i in good])  # type: ignore[union-attr]
    total = np.zeros_like(rotor.light)
    count = np.zeros_like(rotor.light)
    for i, deg in zip(good, degs, strict=True):
        known = knowns[i].astype(np.float32)
        total += turned((strips[i] - rotor.still) * known, -deg)
        count += np.clip(turned(known, -deg), 0.0, 1.0)
    light = np.where(count > 0.5, total / np.maximum(count, 0.5), 0.0).astype(np.float32)
    still, variance = _left_over(light, [(strips[i], knowns[i]) for i in good], degs)
    noise = float(np.median(variance[count > 0])) if (count > 0).any() else 1.0
    trust = pattern_trust(light, noise)
    return RotorMap(
        rotor.grid, light, count.astype(np.float32), still, variance, trust, rotor.inflation, rotor.centre_sd
    )


def _left_over(
    light: np.ndarray, seen: list[tuple[np.ndarray, np.ndarray]], degs: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What the map leaves unexplained in the frame of the picture: its mean, and its variance."""
    total, squares, count = (np.zeros_like(light) for _ in range(3))
    for (strip, known), deg in zip(seen, degs, strict=True):
        residual = (strip - turned(light, deg)) * known
        total += residual
        squares += residual**2
        count += known
    mean = total / np.maximum(count, 1)
    # Only where the rotor turned by several degrees can what stands still be told from what turns.
    spread = float(np.percentile(degs, 95) - np.percentile(degs, 5))
    still = mean * min(1.0, max(0.0, (spread - 2.0) / 4.0)) * (count > 5)
    variance = squares / np.maximum(count, 1) - 2 * mean * still + still**2
    return still.astype(np.float32), _softened(variance, count)


def _softened(variance: np.ndarray, count: np.ndarray) -> np.ndarray:
    """A variance smoothed over neighbours, and nowhere far below its median, since few flashes may agree by chance."""
    variance = cv2.GaussianBlur(np.maximum(variance, 0).astype(np.float32), (0, 0), 1.5)
    floor = float(np.median(variance[count > 0])) if (count > 0).any() else 1.0
    return np.maximum(variance, 0.25 * floor + 1e-9).astype(np.float32)


def turned(strip: np.ndarray, deg: float) -> np.ndarray:
    """A strip turned clockwise by any angle, by its Fourier series along the angle."""
    n = strip.shape[1]
    phase = np.exp(-1j * np.arange(n // 2 + 1) * np.radians(deg)).astype(np.complex64)
    return fft.irfft(fft.rfft(strip, axis=1) * phase, n, axis=1).astype(np.float32)


def _coarse(rotor: RotorMap, strip: np.ndarray, known: np.ndarray) -> Turn:
    """Best angle over the full turn by normalised correlation, less where map and flash share little."""
    fine = strip.shape[1]
    n = min(COARSE_ANGLES, fine)

    def small(a: np.ndarray) -> np.ndarray:
        return a.astype(np.float32).reshape(a.shape[0], n, fine // n).mean(axis=2)

    weight = (rotor.known > 0.5).astype(np.float32)
    a, b, k, w = small(rotor.light * weight), small(strip), small(known), small(weight)
    fa, fb, fk, fw = (fft.rfft(x, axis=1) for x in (a, b, k, w))
    fa2, fb2 = fft.rfft(a**2, axis=1), fft.rfft(b**2, axis=1)
    cross = fft.irfft((np.conj(fa) * fb).sum(axis=0), n)
    energy = fft.irfft((np.conj(fa2) * fk).sum(axis=0), n) * fft.irfft((np.conj(fw) * fb2).sum(axis=0), n)
    score = cross / np.sqrt(np.maximum(energy, 1e-9 * float(np.max(energy)) + 1e-12))
    overlap = fft.irfft((np.conj(fw) * fk).sum(axis=0), n) / max(float(k.sum()), 1.0)
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


def _fine(rotor: RotorMap, cells: Cells, seen: tuple[np.ndarray, np.ndarray], start: Turn) -> Turn | None:
    """Gauss-Newton on the angle, a shift of the centre (with its prior), the contrast, and how far the flash smeared
    it.

    A flash of some length smears the faster rotor more. That is the pattern's second derivative along the angle, even
    where the angle's slope is odd, so it takes nothing from the angle.
    """
    strip, known = seen
    n, step_rad = strip.shape[1], np.radians(rotor.grid.step_deg)
    prior = np.diag([0.0, 1 / rotor.centre_sd**2, 1 / rotor.centre_sd**2, 0.0, 1 / SMEAR_SD_RAD2**2])
    deg, other = start.deg, np.zeros(4)  # centre x, y; gain beyond 1; smear
    other[2] = 1.0
    for _ in range(6):
        column = cells.column + np.radians(deg) / step_rad
        nearest = np.rint(column).astype(int) % n
        ok = known[cells.row, nearest]
        if ok.sum() < LEAST_CELLS:
            return None
        light = _between(strip, cells.row[ok], column[ok])
        angle = column[ok] * step_rad
        along, down, radius = cells.along[ok], cells.down[ok], cells.radius[ok]
        dx = np.sin(angle) * along / radius - np.cos(angle) * down
        dy = -np.cos(angle) * along / radius - np.sin(angle) * down
        gain = max(float(other[2]), 0.1)
        columns = np.stack([-along * gain, dx * gain, dy * gain, cells.light[ok], cells.bend[ok] * gain], axis=1)
        misfit = light - columns[:, 1:] @ other
        variance = rotor.variance[cells.row[ok], nearest[ok]]
        z = misfit / np.sqrt(variance)
        sigma = 1.4826 * float(np.median(np.abs(z))) + 1e-9
        weight = cells.trust[ok] * np.clip(1 - (z / (TUKEY * sigma)) ** 2, 0, None) ** 2 / (variance * sigma**2)
        normal = columns.T @ (weight[:, None] * columns) + 1e-12 * np.eye(5)
        step = np.linalg.solve(normal + prior, columns.T @ (weight * light))
        deg += float(np.degrees(step[0]))
        other = step[1:]
        if abs(step[0]) < 1e-6:
            break
    if abs((deg - start.deg + 180) % 360 - 180) > 6.0:
        return None
    sd = float(np.degrees(np.sqrt(np.linalg.inv(normal + prior)[0, 0])))
    sector = (cells.column[ok] * N_SECTORS) // n
    sd *= max(rotor.inflation, _disagreement(columns[:, 0], misfit, weight, sector))
    match = _correlation(light, cells.light[ok], weight)
    return replace(start, deg=(deg + 180) % 360 - 180, sd_deg=sd, match=match)


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


def _neighbours(misfit: np.ndarray, cell: np.ndarray) -> float:
    """How much more an sd is than if cells were independent: neighbouring cells share pixels and coding blocks."""
    full = np.zeros(cell.shape)
    full[cell] = np.clip(misfit, *np.percentile(misfit, [2, 98]))
    power = float((full**2).sum()) + 1e-12
    along = sum(max(0.0, float((full[:, :-k] * full[:, k:]).sum()) / power) for k in range(1, 6))
    down = sum(max(0.0, float((full[:-k] * full[k:]).sum()) / power) for k in range(1, 4))
    return float(np.sqrt((1 + 2 * along) * (1 + 2 * down)))


def _correlation(a: np.ndarray, b: np.ndarray, weight: np.ndarray) -> float:
    return float((weight * a * b).sum() / np.sqrt(max(float((weight * a * a).sum() * (weight * b * b).sum()), 1e-24)))
