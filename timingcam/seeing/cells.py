"""The cells of a rotor's map that tell its angle, and how they lie on one flash's strip.

In:  `RotorMap`, what turns; a flash's strip, evened out.
Out: `Cells`, `Laid`: light, slopes and weights of the cells there, linear about where they lie.
Not here: the angle (`angles.py`), how the map comes about (`rotor_map.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
from scipy import fft

from timingcam.seeing.medians import median
from timingcam.seeing.strips import Grid

TUKEY = 4.685  # 95 % efficiency for normal noise (Beaton & Tukey 1974, from memory)
COARSE_ANGLES = 512
MOST_CELLS = 8000  # our choice: more say next to nothing more of the angle
USUAL_SHARE = 0.5  # our choice: of the map; of flashes that show less, as many cells more, or few would be seen in each
LEAST_CELLS = 150
NOT_OF_CELLS = ("series", "between_deg", "surely")
# Flashes that must have shown what a flash is read by: what one alone showed lies where that flash put it, right or
# wrong, and it would be read there again.
OWN_AND_ANOTHER = 2


@dataclass(frozen=True, slots=True, eq=False)
class RotorMap:
    """What turns, and how far each cell of a strip can be trusted.

    `light` shape (n_radii, n_angles): evened-out light on the rotor at turn 0. `known` how many flashes showed each
    cell, same shape. `still` what stands still in front of it or in its light, in the frame of the picture, to be taken
    from every strip; `variance` what is left unexplained there. `trust`, on the rotor, is near 1 where its pattern
    stands far out of the noise: video coding blurs fainter texture, or carries it over from the picture before, where
    the rotor stood elsewhere. `between_deg`, `surely`: as of `Cells`. `smear_deg` is what its strips were smeared
    to.
    """

    grid: Grid
    light: np.ndarray
    known: np.ndarray
    still: np.ndarray
    variance: np.ndarray
    trust: np.ndarray
    inflation: float  # of sds, since neighbouring cells share pixels and coding blocks
    centre_sd: float  # how far the rotor's centre may have moved against the shift, in rotor radii
    between_deg: tuple[float, float] | None = None
    surely: bool = False
    share: float = 1.0  # of it that a flash mostly shows
    smear_deg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of the map that say most of the angle: rows, columns (n,), and the map's light and slopes there; and
    the whole map's series along the angle, coarsely, for the search over the full turn.

    `between_deg`: the least and the most that the rotor can have turned, where that is known: what looks as much alike
    beyond is no rival. Alone, two marks that look the same and pass through a small opening say nothing else. `surely`:
    it is not looked for beyond.
    """

    row: np.ndarray
    column: np.ndarray
    radius: np.ndarray
    light: np.ndarray
    along: np.ndarray  # d light / d angle, per radian
    bend: np.ndarray  # second derivative
    down: np.ndarray  # d light / d radius
    trust: np.ndarray
    series: tuple[np.ndarray, np.ndarray, np.ndarray]  # of light, its square, and where it is known, conjugated
    between_deg: tuple[float, float] | None = None
    surely: bool = False

    def some(self, which: np.ndarray) -> Cells:
        """Some of them."""
        of_cells = (f.name for f in fields(self) if f.name not in NOT_OF_CELLS)
        return replace(self, **{name: getattr(self, name)[which] for name in of_cells})


def telling_cells(rotor: RotorMap, shown_by: int = 1) -> Cells:
    """Choose the cells by what they say of the angle, trusted slope, squared, of those that so many flashes showed."""
    n = rotor.light.shape[1]
    known = rotor.known > shown_by - 0.5
    order = np.arange(n // 2 + 1)
    spectrum = fft.rfft(rotor.light, axis=1)
    along = fft.irfft(spectrum * (1j * order).astype(np.complex64), n, axis=1)
    bend = fft.irfft(spectrum * -(order**2).astype(np.float32), n, axis=1)
    down = np.gradient(rotor.light, rotor.grid.radii, axis=0)
    telling = (rotor.trust * along**2 * known).ravel()
    most = min(round(MOST_CELLS * max(1.0, USUAL_SHARE / rotor.share)), int((telling > 0).sum()))
    chosen = np.sort(np.argpartition(telling, -most)[-most:]) if most else np.zeros(0, int)
    row, column = np.divmod(chosen, n)
    picked = [a[row, column].astype(float) for a in (rotor.light, along, bend, down, rotor.trust)]
    weight = known.astype(np.float32)
    coarse, there = coarsely(rotor.light * weight), coarsely(weight)
    series = [np.conj(fft.rfft(part, axis=1)) for part in (coarse, coarse**2, there)]
    light, along, bend, down, trust = picked
    return Cells(
        row, column, rotor.grid.radii[row], light, along, bend, down, trust, (series[0], series[1], series[2]),
        rotor.between_deg, rotor.surely,
    )  # fmt: skip


def coarsely(strip: np.ndarray) -> np.ndarray:
    """Means of neighbouring columns, COARSE_ANGLES of them or as many as there are."""
    n = min(COARSE_ANGLES, strip.shape[1])
    return cv2.resize(strip.astype(np.float32), (n, strip.shape[0]), interpolation=cv2.INTER_AREA)


@dataclass(frozen=True, slots=True, eq=False)
class FlatStrip:
    """A strip to lay the cells on, flat; `ring`, its light, goes on around by one column before and two after."""

    known: np.ndarray
    n_angles: int
    ring: np.ndarray
    ring_row: int  # cells of a row of the ring

    @staticmethod
    def of(strip: np.ndarray, known: np.ndarray) -> FlatStrip:
        """Of a strip and where it is known, shape (n_radii, n_angles)."""
        ring = np.concatenate([strip[:, -1:], strip, strip[:, :2]], axis=1)
        return FlatStrip(known.ravel(), strip.shape[1], ring.ravel(), ring.shape[1])

    def between(self, row: np.ndarray, column: np.ndarray) -> np.ndarray:
        """The light between columns, by cubic convolution along the angle.

        References
        ----------
        .. [1] Keys, IEEE Trans. ASSP 29(6), 1153-1160 (1981): the kernel with a = -1/2 (from memory).
        """
        low = np.floor(column)
        t = column - low
        at = row * self.ring_row + low.astype(np.intp) % self.n_angles
        p0, p1, p2, p3 = (self.ring.take(at + k) for k in range(4))
        return p1 + 0.5 * t * (p2 - p0 + t * (2 * p0 - 5 * p1 + 4 * p2 - p3 + t * (3 * (p1 - p2) + p3 - p0)))


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """The map's telling cells laid on a strip, linear about where they are; arrays of shape (n,), columns (5, n)."""

    columns: np.ndarray  # of turn, centre x and y, gain, smear
    light: np.ndarray  # of the strip
    full: np.ndarray  # the same, with what the centre's shift so far took out put back
    misfit: np.ndarray
    weight: np.ndarray
    which: np.ndarray  # of the cells are known there
    cells: Cells  # they


def lay_cells(
    rotor: RotorMap, cells: Cells, strip: FlatStrip, how: tuple[float, np.ndarray], before: Laid | None
) -> Laid | None:
    """Lay the cells on a strip; None where too few of them are known there.

    `how` they lie: the turn, degrees, and centre x and y, gain and smear. `before`: as they were laid the last time.
    """
    deg, other = how
    n, step_rad = strip.n_angles, np.radians(rotor.grid.step_deg)
    # What a small shift of the centre does along the angle may be a mark's width, so it moves the cells; what it does
    # along the radius is told by the slope.
    column = _columns(cells, deg, other, step_rad)
    at = cells.row * n + np.rint(column).astype(np.intp) % n
    ok = strip.known.take(at)
    if np.count_nonzero(ok) < LEAST_CELLS:
        return None
    if not ok.all():
        column, at = column[ok], at[ok]
        same = before is not None and np.array_equal(ok, before.which)
        cells = before.cells if before is not None and same else cells.some(ok)
    angle = column * step_rad
    c, s = np.cos(angle), np.sin(angle)
    light = strip.between(cells.row, column)
    gain = max(float(other[2]), 0.1)
    lever, reach = cells.along / cells.radius * gain, cells.down * gain
    columns = np.empty((5, len(light)))
    np.multiply(cells.along, -gain, out=columns[0])
    swing_x, swing_y = s * lever, -c * lever
    np.subtract(swing_x, c * reach, out=columns[1])
    np.subtract(swing_y, s * reach, out=columns[2])
    columns[3] = cells.light
    np.multiply(cells.bend, gain, out=columns[4])
    full = light + other[0] * swing_x + other[1] * swing_y
    misfit = full - other @ columns[1:]
    variance = rotor.variance.ravel().take(at)
    z = np.abs(misfit) / np.sqrt(variance)
    sigma = 1.4826 * median(z) + 1e-9
    # Neighbouring cells share pixels and coding blocks: so many count as one, or the priors would weigh nothing.
    weight = cells.trust * np.maximum(1 - (z / (TUKEY * sigma)) ** 2, 0.0) ** 2
    weight /= variance * (sigma * rotor.inflation) ** 2
    return Laid(columns, light, full, misfit, weight, ok, cells)


def _columns(cells: Cells, deg: float, other: np.ndarray, step_rad: float) -> np.ndarray:
    """The column of the strip, and a fraction, in which each cell lies."""
    angle = cells.column * step_rad + np.radians(deg)
    if other[0] != 0 or other[1] != 0:
        angle += (np.cos(angle) * other[1] - np.sin(angle) * other[0]) / cells.radius
    return angle / step_rad
