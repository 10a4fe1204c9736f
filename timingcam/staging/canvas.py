"""Drawing on metal: shapes as signed distances in millimetres, grain and stains as noise.

In:  shapes, colours, where they go.
Out: `Sheet`: luma, two colour differences and cover, on a rectangular or polar raster finer than the camera's.
Not here: what a rotor or a housing looks like (`rotor_look.py`, `stator_look.py`).

Everything is linear light. Colour is kept as differences from luma (blue − luma, red − luma), at half the raster, as
the encoder will keep it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from timingcam.staging.scene_tables import Colour

LUMA = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709, weights of linear red, green, blue
PREFILTER_IMAGE_PX = 0.55  # our choice: a pixel's box and a good lens together, as a Gaussian
POLAR_PAD = 8
NAMED_COLOURS: dict[str, Colour] = {
    "white": (0.86, 0.86, 0.82),
    "yellow": (0.84, 0.62, 0.06),
    "red": (0.62, 0.05, 0.04),
    "orange": (0.80, 0.27, 0.03),
    "green": (0.10, 0.45, 0.12),
    "blue": (0.06, 0.16, 0.55),
    "pink": (0.80, 0.30, 0.38),
    "black": (0.02, 0.02, 0.02),
}


@dataclass(frozen=True, eq=False)
class Sheet:
    """A drawn surface at one height, ready to be looked up by the camera.

    On a rectangular sheet column c, row r is at x = left_mm + c/px_per_mm, y = top_mm + r/px_per_mm. On a polar one
    column c is at clock angle 360·(c − POLAR_PAD)/n_around degrees, row r at radius r/px_per_mm.
    """

    luma: np.ndarray  # (rows, columns), times cover
    chroma: np.ndarray  # (rows/2, columns/2, 2), times cover
    cover: np.ndarray  # (rows, columns), 0 to 1
    cover_half: np.ndarray
    px_per_mm: float
    left_mm: float = 0.0
    top_mm: float = 0.0
    height_mm: float = 0.0
    n_around: int = 0


@dataclass(eq=False)
class Canvas:
    """A sheet while it is being drawn on."""

    columns: int
    rows: int
    px_per_mm: float
    left_mm: float = 0.0
    top_mm: float = 0.0
    polar: bool = False
    drum: bool = False  # rectangular, but its left side joins its right
    luma: np.ndarray = field(init=False)
    blue: np.ndarray = field(init=False)
    red: np.ndarray = field(init=False)
    cover: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.luma = np.zeros((self.rows, self.columns), np.float32)
        self.blue, self.red = np.zeros_like(self.luma), np.zeros_like(self.luma)
        self.cover = np.ones_like(self.luma)

    def near(self, x_mm: float, y_mm: float, reach_mm: float) -> tuple[np.ndarray, ...]:
        """Row and column numbers (as np.ix_ gives them) of the raster within reach of a point."""
        if not self.polar:
            c0, c1 = ((x_mm + d - self.left_mm) * self.px_per_mm for d in (-reach_mm, reach_mm))
            r0, r1 = ((y_mm + d - self.top_mm) * self.px_per_mm for d in (-reach_mm, reach_mm))
            columns = np.arange(max(0, int(c0)), min(self.columns, int(c1) + 2))
            return np.ix_(np.arange(max(0, int(r0)), min(self.rows, int(r1) + 2)), columns)
        radius = math.hypot(x_mm, y_mm)
        r0, r1 = max(0, int((radius - reach_mm) * self.px_per_mm)), int((radius + reach_mm) * self.px_per_mm) + 2
        rows = np.arange(r0, min(self.rows, r1))
        if radius <= reach_mm:
            return np.ix_(rows, np.arange(self.columns))
        middle = math.atan2(x_mm, -y_mm) / (2 * math.pi) * self.columns
        wide = min(math.asin(reach_mm / radius) / (2 * math.pi) * self.columns + 1, self.columns / 2 - 1)
        return np.ix_(rows, np.arange(math.floor(middle - wide), math.ceil(middle + wide) + 1) % self.columns)

    def everywhere(self) -> tuple[np.ndarray, ...]:
        """All rows and columns."""
        return np.ix_(np.arange(self.rows), np.arange(self.columns))

    def place(self, at: tuple[np.ndarray, ...]) -> tuple[np.ndarray, np.ndarray]:
        """Engine coordinates x, y of raster points, mm (they broadcast against one another)."""
        rows, columns = at
        if not self.polar:
            return (
                (self.left_mm + columns / self.px_per_mm).astype(np.float32),
                (self.top_mm + rows / self.px_per_mm).astype(np.float32),
            )
        angle = columns * (2 * math.pi / self.columns)
        radius = rows / self.px_per_mm
        return (radius * np.sin(angle)).astype(np.float32), (-radius * np.cos(angle)).astype(np.float32)

    def edge(self, distance_mm: np.ndarray) -> np.ndarray:
        """Cover from a signed distance (negative inside), with an edge one raster point wide."""
        return np.clip(0.5 - distance_mm * self.px_per_mm, 0, 1).astype(np.float32)

    def lay(self, at: tuple[np.ndarray, ...], cover: np.ndarray | float, colour: Colour | float) -> None:
        """Put a colour (or a grey) over what is there."""
        where = _as_slices(at)
        for plane, value in zip((self.luma, self.blue, self.red), _differences(colour), strict=True):
            plane[where] += cover * (np.float32(value) - plane[where])

    def shade(self, at: tuple[np.ndarray, ...], factor: np.ndarray) -> None:
        """Multiply what is there."""
        where = _as_slices(at)
        for plane in (self.luma, self.blue, self.red):
            plane[where] *= factor

    def finished(self, image_px_per_mm: float, height_mm: float = 0.0) -> Sheet:
        """Prefilter for a camera that sees so many pixels a millimetre, halve the colour, pad a polar sheet round."""
        sigma = PREFILTER_IMAGE_PX * self.px_per_mm / image_px_per_mm
        planes = [plane * self.cover for plane in (self.luma, self.blue, self.red)] + [self.cover]
        round_about = self.polar or self.drum
        if round_about:
            pad = max(POLAR_PAD, math.ceil(4 * sigma / 2) * 2)
            planes = [np.concatenate([p[:, -pad:], p, p[:, :pad]], axis=1) for p in planes]
        planes = [cv2.GaussianBlur(p, (0, 0), sigma) for p in planes]
        if round_about and pad > POLAR_PAD:
            cut = pad - POLAR_PAD
            planes = [p[:, cut:-cut] for p in planes]
        half = [cv2.resize(p, (p.shape[1] // 2, p.shape[0] // 2), interpolation=cv2.INTER_AREA) for p in planes]
        return Sheet(
            luma=np.ascontiguousarray(planes[0]),
            chroma=np.ascontiguousarray(np.stack(half[1:3], axis=-1)),
            cover=np.ascontiguousarray(planes[3]),
            cover_half=half[3],
            px_per_mm=self.px_per_mm,
            left_mm=self.left_mm,
            top_mm=self.top_mm,
            height_mm=height_mm,
            n_around=self.columns if round_about else 0,
        )


def _as_slices(at: tuple[np.ndarray, ...]) -> tuple[np.ndarray | slice, ...]:
    """The same rows and columns as slices where they run on without a gap: several times quicker in numpy."""
    spans = [
        (int(numbers.flat[0]), int(numbers.flat[-1]), numbers.size) if numbers.size else (0, -1, 0) for numbers in at
    ]
    if any(last - first + 1 != size for first, last, size in spans):
        return at
    return tuple(slice(first, last + 1) for first, last, _ in spans)


def _differences(colour: Colour | float) -> tuple[float, float, float]:
    if isinstance(colour, int | float):
        return float(colour), 0.0, 0.0
    grey = sum(weight * part for weight, part in zip(LUMA, colour, strict=True))
    return grey, colour[2] - grey, colour[0] - grey


def lit_rim(
    distance_mm: np.ndarray, outward: tuple[np.ndarray, np.ndarray], light: tuple[float, float], size: float
) -> np.ndarray:
    """Factor for the bevel just inside an outline: bright where it faces the lamp, dark where it turns away.

    Parameters
    ----------
    distance_mm : ndarray
        From the outline, negative inside.
    outward : (ndarray, ndarray)
        The outline's outward direction, a unit vector, x and y.
    light : (float, float)
        Unit vector towards the lamp.
    size : float
        Width of the bevel, mm.
    """
    facing = outward[0] * np.float32(light[0]) + outward[1] * np.float32(light[1])
    return 1 + (0.75 * facing + 0.1) * np.exp(-(((distance_mm + size) / size) ** 2))


def bar(x: np.ndarray, y: np.ndarray, a: tuple[float, float], b: tuple[float, float], width_mm: float) -> np.ndarray:
    """Signed distance to a square-ended bar from a to b, mm."""
    length = math.hypot(b[0] - a[0], b[1] - a[1])
    ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    along = (x - a[0]) * ux + (y - a[1]) * uy
    across = -(x - a[0]) * uy + (y - a[1]) * ux
    past, out = np.abs(along - length / 2) - length / 2, np.abs(across) - width_mm / 2
    return np.minimum(np.maximum(past, out), 0) + np.hypot(np.maximum(past, 0), np.maximum(out, 0))


def disc(x: np.ndarray, y: np.ndarray, at: tuple[float, float], radius_mm: float) -> np.ndarray:
    """Signed distance to a disc, mm."""
    return np.hypot(x - at[0], y - at[1]) - radius_mm


def polygon(x: np.ndarray, y: np.ndarray, corners: list[tuple[float, float]]) -> np.ndarray:
    """Signed distance to a convex polygon with corners clockwise on the picture (a bound outside its corners), mm."""
    worst: np.ndarray | None = None
    for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
        length = math.hypot(bx - ax, by - ay)
        side = ((by - ay) * (x - ax) - (bx - ax) * (y - ay)) / length
        worst = side if worst is None else np.maximum(worst, side)
    assert worst is not None
    return worst


def hexagon(
    x: np.ndarray, y: np.ndarray, at: tuple[float, float], across_mm: float, turned_deg: float = 0.0
) -> np.ndarray:
    """Signed distance to a hexagon of a width across its flats, mm."""
    sides = [math.radians(turned_deg + 60 * k) for k in range(6)]
    out = [(x - at[0]) * math.cos(s) + (y - at[1]) * math.sin(s) for s in sides]
    return np.maximum.reduce(np.broadcast_arrays(*out)) - across_mm / 2


def grain(x: np.ndarray, y: np.ndarray, size_mm: float, rng: np.random.Generator, octaves: int = 4) -> np.ndarray:
    """Cloudy noise of unit sd over points of the engine's plane; `size_mm` is its coarsest grain."""
    x, y = np.broadcast_arrays(x, y)
    total, power = np.zeros(x.shape, np.float32), 0.0
    for octave in range(octaves):
        tile = rng.standard_normal((256, 256)).astype(np.float32)
        turn, scale = rng.uniform(0, math.pi), 2.0**octave / size_mm
        along, across = np.float32(math.cos(turn) * scale), np.float32(math.sin(turn) * scale)
        u = x * along + y * across + np.float32(rng.uniform(0, 256))
        v = y * along - x * across + np.float32(rng.uniform(0, 256))
        noise = cv2.remap(tile, u, v, cv2.INTER_LINEAR, None, cv2.BORDER_WRAP)
        total += noise * np.float32(0.6**octave)
        power += 0.6 ** (2 * octave) * 0.45  # linear interpolation keeps about 0.45 of white noise's variance
    return total / np.float32(math.sqrt(power))


def rough_line(at: np.ndarray, size: float, rng: np.random.Generator, octaves: int = 5) -> np.ndarray:
    """Noise of about unit sd along one coordinate; `size` is its coarsest grain."""
    low, high = float(np.min(at)), float(np.max(at))
    total, power = np.zeros(at.shape, np.float32), 0.0
    for octave in range(octaves):
        step = size / 2.4**octave
        knots = np.arange(low - step, high + 2 * step, step)
        total += np.interp(at, knots, rng.standard_normal(knots.size)).astype(np.float32) * 0.75**octave
        power += 0.75 ** (2 * octave) * 0.67
    return total / np.float32(math.sqrt(power))
