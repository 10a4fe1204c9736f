"""A frame as coded to the light that the flash alone added.

In:  coded luma, the table to linear light, the ambient picture.
Out: pictures of the flash's light, float32, square-rooted so that noise is about the same in bright and dark.
Not here: where the rotor is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.seeing.shift import Shift

AMBIENT_MATTERS = 0.02  # our choice: ambient light below this share of the flash's is left in


@dataclass(frozen=True, slots=True, eq=False)
class LitPicture:
    """One frame in which a flash lit rows `first` to `last` in full; `flash` is its number, `rate_hz` how fast flashes
    come about it, NaN where that does not matter. `lies` is where the place's own light puts it, of one of which no
    more than the lit rows were kept."""

    luma: np.ndarray
    frame: int
    flash: int
    first: int
    last: int
    rate_hz: float = float("nan")
    lies: Shift | None = None

    @property
    def rows(self) -> tuple[int, int]:
        """First and last row lit in full."""
        return self.first, self.last

    def smaller(self, by: int) -> LitPicture:
        """The same so many times smaller."""
        luma = shrunk(self.luma, by)
        # Rows at the foot may be of no row of the smaller picture.
        first = min(-(-self.first // by), len(luma) - 1)
        last, lies = max((self.last + 1) // by - 1, first), None if self.lies is None else self.lies.smaller(by)
        return replace(self, luma=luma, first=first, last=last, lies=lies)


@dataclass(frozen=True, slots=True, eq=False)
class FlashLight:
    """Turns coded frames into the flash's light.

    `root` is the table from code to the square root of linear light; `table` to linear light; `ambient` the picture of
    the place without flashes, linear, or None where it does not matter. `smear_deg_per_hz` is by how much a flash
    smears the rotor at one flash a second.
    """

    table: np.ndarray
    root: np.ndarray
    ambient: np.ndarray | None
    smear_deg_per_hz: float = 0.0

    def part(self, rows: tuple[int, int], columns: tuple[int, int]) -> FlashLight:
        """The same for a part of the picture, from the first to before the last of its rows and columns."""
        if self.ambient is None:
            return self
        return replace(self, ambient=self.ambient[slice(*rows), slice(*columns)])

    def smaller(self, by: int) -> FlashLight:
        """The same for pictures so many times smaller."""
        return self if self.ambient is None else replace(self, ambient=shrunk(self.ambient, by))

    def picture(self, luma: np.ndarray, rows: tuple[int, int]) -> np.ndarray:
        """Square root of the flash's light, shape of `luma`, float32; 0 outside of the rows from first to last."""
        first, last = rows
        out = np.zeros(luma.shape, np.float32)
        part = out[first : last + 1]
        if self.ambient is None:
            part[:] = looked_up(luma[first : last + 1], self.root)
            return out
        part[:] = looked_up(luma[first : last + 1], self.table)
        part -= self.ambient[first : last + 1]
        np.maximum(part, 0.0, out=part)
        np.sqrt(part, out=part)
        return out


def shrunk(picture: np.ndarray, by: int) -> np.ndarray:
    """A picture so many times smaller, of means; what is left over at the right and below is left out."""
    h, w = picture.shape[0] // by, picture.shape[1] // by
    return picture if by == 1 else cv2.resize(picture[: h * by, : w * by], (w, h), interpolation=cv2.INTER_AREA)


def looked_up(codes: np.ndarray, table: np.ndarray) -> np.ndarray:
    """A table's values for codes, in their shape."""
    return cv2.LUT(np.ascontiguousarray(codes), table) if codes.dtype == np.uint8 else table[codes]


def flash_light(table: np.ndarray, kept: list[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> FlashLight:
    """Learn the ambient picture.

    Parameters
    ----------
    table : ndarray, shape (n_codes,)
        From code to linear light.
    kept : list of (luma, dark, lit)
        Frames, with for each row whether no flash lit it, shape (h,), and whether one lit it in full.
    """
    root = np.sqrt(table).astype(np.float32)
    if not kept:
        return FlashLight(table, root, None)
    total = np.zeros(kept[0][0].shape, np.float32)
    count = np.zeros(kept[0][0].shape[0], np.float32)
    lit_sum = lit_n = 0.0
    for luma, dark, lit in kept:
        total[dark] += table[luma[dark]]
        count += dark
        if lit.any():
            lit_sum += float(table[luma[lit][:, ::8]].mean())
            lit_n += 1
    ambient = total / np.maximum(count, 1)[:, None]
    seen = count > 0
    if not seen.any() or lit_n == 0:
        return FlashLight(table, root, None)
    share = float(ambient[seen].mean()) / max(lit_sum / lit_n, 1e-9)
    if share < AMBIENT_MATTERS:
        return FlashLight(table, root, None)
    ambient[~seen] = 0.0
    return FlashLight(table, root, ambient)
