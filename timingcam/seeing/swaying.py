"""How a hand's swaying moves the index against the rotor: for an index whose height nobody told.

In:  the clip, its flashes, the view, every flash's turn, marks and index.
Out: `Swaying`: of some flashes, how far the rotor had turned past the index as that one picture shows it, and from
     where the lens looked.
Not here: the height (`reckoning/index_rise.py`).

A lens that moves sees what stands off the rotor's plane move against it. What stands still about a rotor stands at
several heights too and moves as well, so nothing but the rotor itself and the index are looked at here: the rotor's map
is laid on every picture by itself, which tells from where it was taken, and the index is found in that picture alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from timingcam.seeing.cells import OWN_AND_ANOTHER, Cells, telling_cells
from timingcam.seeing.circle import wrap
from timingcam.seeing.clip import ClipInfo
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight
from timingcam.seeing.marks import Index, Marks
from timingcam.seeing.pose import LEAN_SD_RAD, Pose
from timingcam.seeing.readout import FlashTurns, lit_frames
from timingcam.seeing.shift import moved_by
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.slices import in_slices
from timingcam.seeing.smear import smeared_to
from timingcam.seeing.strips import Grid, Sampler, even_out, unwrap_by
from timingcam.seeing.view import View

MOST_FLASHES = 400  # our choice: more time than they are worth
LEAST_ROWS = 0.3  # our choice, of the picture: a narrow band shows one side of a rotor, which tells no tilt
STEPS = 6
STEP = np.array([0.003, 0.003, 0.003, 0.02, 0.02])  # for the derivatives; effects of about a pixel
LONGEST = 0.1  # our choice: of one step, rim radii and radians
FARTHEST_RAD = 0.25  # our choice: no hand leans by more between two flashes of a clip and its middle
REACH_SDS = 5.0  # our choice, of the cells' misfit: what is further off is none of the rotor (Tukey's weight)
SMALL = 0.01  # rim radii: for the derivative by height
# Our choice: what of the index to look at, rim radii, and how far to either side, in its widths and degrees at least;
# how far a swaying hand makes an index of 5 mm seem to go; and how much alike it must look.
LONG, WIDTHS, LEAST_WIDE_DEG, SEARCH_DEG, LEAST_ALIKE = 0.14, 3.0, 6.0, 4.0, 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Swaying:
    """Of some flashes, shape (n,): which; how far the rotor had turned past the index, clockwise, degrees; and how much
    further clockwise an index appears for each rim radius that it stands over the rotor's plane, degrees."""

    flash: np.ndarray
    past_deg: np.ndarray
    parallax_deg: np.ndarray


def swaying_of(
    clip: tuple[ClipInfo, FlashLight],
    flashes: Flashes,
    view: View,
    turns: FlashTurns,
    marks: Marks,
    progress: Callable[[int], None] | None = None,
) -> Swaying | None:
    """Look at the rotor and the index in single pictures.

    Parameters
    ----------
    clip : (ClipInfo, FlashLight)
    flashes : Flashes
    view : View
    turns : FlashTurns
        By what stands still: where to begin.
    marks : Marks
    progress : callable, optional
        Told the number of frames seen so far.

    Returns
    -------
    Swaying or None
        None where the rotor is not seen as a whole, or in slices: then no picture tells from where it was taken.
    """
    info, light = clip
    if view.part is not None or not isinstance(view.pose, Pose) or in_slices(flashes, info.height):
        return None
    best = _best_pieces(flashes, turns, view, marks.index, info.height)
    eye, own_deg = _Eye(view, marks.index), flashes.rate_hz() * light.smear_deg_per_hz

    def look(lit: tuple[np.ndarray, np.ndarray]) -> list[tuple[int, float, float]]:
        luma, pieces = lit
        found = []
        for k in pieces:
            flash = int(flashes.piece_of[k])
            if best.get(flash) == k:
                rows = int(flashes.piece_first[k]), int(flashes.piece_last[k])
                picture = light.picture(luma, rows), rows, float(own_deg[flash])
                found += [(flash, *seen) for seen in eye.seen(picture, turns.shift[flash], turns.turn_deg[flash])]
        return found

    which = np.isin(np.arange(len(flashes)), list(best))
    found = [one for some in side_by_side(look, lit_frames(info, flashes, which, progress)) for one in some]
    if not found:
        return None
    flash, past_deg, parallax_deg = np.array(found).T
    order = np.argsort(flash)
    return Swaying(flash[order].astype(int), past_deg[order], parallax_deg[order])


def _best_pieces(flashes: Flashes, turns: FlashTurns, view: View, index: Index, n_rows: int) -> dict[int, int]:
    """Of flashes evenly over the clip, the piece that shows most, where that is enough, and the index."""
    rows = flashes.piece_last - flashes.piece_first
    most: dict[int, int] = {}
    for k in np.argsort(rows, kind="stable"):
        most[int(flashes.piece_of[k])] = int(k)
    at_px, best = view.pose.to_image(_place(index)), {}
    for flash, k in most.items():
        row = moved_by(turns.shift[flash], at_px)[1]
        if rows[k] > LEAST_ROWS * n_rows and flashes.piece_first[k] < row < flashes.piece_last[k]:
            best[flash] = k
    some = np.flatnonzero([flash in best and np.isfinite(turn) for flash, turn in enumerate(turns.turn_deg)])
    some = some[np.unique(np.linspace(0, len(some) - 1, min(MOST_FLASHES, len(some))).round().astype(int))]
    return {int(flash): best[int(flash)] for flash in some}


def _place(index: Index) -> np.ndarray:
    a = np.radians(index.deg)
    return index.radius * np.array([np.cos(a), np.sin(a)])


class _Eye:
    """Lays the rotor's map on one picture after another, and finds the index in each."""

    def __init__(self, view: View, index: Index) -> None:
        self.view, self.index = view, index
        self.cells = telling_cells(view.rotor, OWN_AND_ANOTHER)
        grid = view.rotor.grid
        angle = grid.angles_rad()
        unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        # In the rotor's plane instead of a picture, so that a pose's own matrix reads the strip.
        self.sampler = Sampler(grid, view.pose, (grid.radii[:, None, None] * unit).astype(np.float32))
        wide = view.wide
        self.rows = (wide.radii >= index.radius) & (wide.radii <= index.radius + LONG)
        half = max(LEAST_WIDE_DEG, WIDTHS * index.width_deg)
        self.aside_deg = np.arange(-half - SEARCH_DEG, half + SEARCH_DEG, wide.step_deg)
        column = np.round((index.deg + self.aside_deg[np.abs(self.aside_deg) <= half]) / wide.step_deg).astype(int)
        self.looks = np.ascontiguousarray(view.still_strip[self.rows][:, column % wide.n_angles], np.float32)
        self.first_deg = float(column[0] * wide.step_deg - index.deg)  # of what it looks like, from the index

    def seen(
        self, picture: tuple[np.ndarray, tuple[int, int], float], shift: np.ndarray, turn_deg: float
    ) -> list[tuple[float, float]]:
        """How far the rotor had turned past the index, and the index's parallax by its height; nothing where either
        cannot be told."""
        light, rows, _ = picture
        start, roll_deg = _as_shifted(self.view.face, shift)
        laid = self._laid(picture, start, turn_deg + roll_deg)
        if laid is None:
            return []
        pose, deg = laid
        x, y = pose.to_plane(moved_by(shift, self.view.pose.to_image(_place(self.index))))
        at_deg = self._index_deg(light, rows, pose, float(np.degrees(np.arctan2(y, x))))
        if at_deg is None:
            return []
        parallax_deg = pose.parallax_deg(at_deg, self.index.radius, SMALL) / SMALL
        return [(float(wrap(deg - at_deg)), parallax_deg)]

    def _laid(
        self, picture: tuple[np.ndarray, tuple[int, int], float], start: Pose, deg: float
    ) -> tuple[Pose, float] | None:
        """The pose in which the rotor's map is seen in a picture, and its turn there: least squares on the light."""
        light, rows, own_deg = picture
        rotor, cells, pose = self.view.rotor, self.cells, start
        for _ in range(STEPS):
            strip, known = even_out(*unwrap_by(self.sampler, light, pose.matrix_to_image(), rows), rotor.grid)
            strip, known = smeared_to(strip, known, rotor.grid, own_deg, rotor.smear_deg)
            column = cells.column + deg / rotor.grid.step_deg
            seen, there = _between_columns((strip - rotor.still) * known, known, cells.row, column)
            if np.count_nonzero(there) < len(cells.row) * LEAST_ROWS / 2:
                return None
            step = _step(pose, cells.some(there), seen[there], deg, rotor.grid)
            pose = pose.moved(np.append(step[1:6], 0.0))
            deg += float(np.degrees(step[0]))
            if not np.hypot(*(pose.lean_rad - start.lean_rad)) < FARTHEST_RAD:
                return None
        return pose, deg

    def _index_deg(self, light: np.ndarray, rows: tuple[int, int], pose: Pose, near_deg: float) -> float | None:
        """Where the index appears on a pose's plane, by what it looks like on the mean of all pictures."""
        a = np.radians(near_deg + self.aside_deg)
        unit = np.stack([np.cos(a), np.sin(a)], axis=-1)
        xy = (self.view.wide.radii[self.rows][:, None, None] * unit).astype(np.float32)
        at_px = cv2.perspectiveTransform(xy, pose.matrix_to_image())
        if at_px[..., 1].min() < rows[0] or at_px[..., 1].max() > rows[1]:
            return None
        strip = cv2.remap(light, at_px, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
        strip = strip / np.maximum(strip.mean(axis=1, keepdims=True), 1e-3)
        alike = cv2.matchTemplate(strip.astype(np.float32), self.looks, cv2.TM_CCOEFF_NORMED)[0]
        k = int(np.argmax(alike))
        if not 0 < k < len(alike) - 1 or alike[k] < LEAST_ALIKE:
            return None
        before, here, after = alike[k - 1 : k + 2]
        part = 0.5 * float(before - after) / float(before - 2 * here + after)
        return near_deg + float(self.aside_deg[0]) + (k + part) * self.view.wide.step_deg - self.first_deg


def _as_shifted(pose: Pose, shift: np.ndarray) -> tuple[Pose, float]:
    """A pose as a picture has it that lies at a shift (3, 3) from the reference, and by how much that is turned."""
    roll = float(np.arctan2(shift[1, 0], shift[0, 0]))
    c, s = np.cos(roll), np.sin(roll)
    moved = replace(
        pose, centre_px=moved_by(shift, pose.centre_px), size_px=pose.size_px * float(np.hypot(*shift[:2, 0])),
        lean_rad=np.array([[c, -s], [s, c]]) @ pose.lean_rad,
    )  # fmt: skip
    return moved, float(np.degrees(roll))


def _between_columns(
    strip: np.ndarray, known: np.ndarray, row: np.ndarray, column: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A strip's light between its columns, and where it is known."""
    n = strip.shape[1]
    low = np.floor(column).astype(int)
    part = column - low
    one, other = low % n, (low + 1) % n
    return strip[row, one] * (1 - part) + strip[row, other] * part, known[row, one] & known[row, other]


def _step(pose: Pose, cells: Cells, seen: np.ndarray, deg: float, grid: Grid) -> np.ndarray:
    """By how much turn (radians) and the first five numbers of `Pose.moved` are off, by the cells' light, (6,)."""
    angle = np.radians(cells.column * grid.step_deg + deg)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    xy = (cells.radius[:, None] * unit)[None]
    to_plane, columns = np.linalg.inv(pose.matrix_to_image()), [-cells.along]
    for k, step in enumerate(STEP):
        free = np.zeros(6)
        free[k] = step
        sides = [
            cv2.perspectiveTransform(xy, to_plane @ pose.moved(sign * free).matrix_to_image())[0] for sign in (1, -1)
        ]
        off = (sides[0] - sides[1]) / (2 * step)
        around = (off[:, 1] * unit[:, 0] - off[:, 0] * unit[:, 1]) / cells.radius
        columns.append(-(cells.along * around + cells.down * (off * unit).sum(axis=1)))
    design = np.stack([*columns, cells.light, cells.bend])
    gain = float(cells.trust * cells.light @ seen) / max(float(cells.trust @ cells.light**2), 1e-12)
    misfit = seen - gain * cells.light
    sd = 1.4826 * float(np.median(np.abs(misfit))) + 1e-9
    heavy = design * cells.trust * np.clip(1 - (misfit / (REACH_SDS * sd)) ** 2, 0, 1) ** 2
    prior = np.diag([0, 0, 0, 0, 1 / LEAN_SD_RAD**2, 1 / LEAN_SD_RAD**2, 0, 0]) * sd**2
    normal = heavy @ design.T + prior + 1e-12 * np.eye(len(design))
    return np.clip(np.linalg.solve(normal, heavy @ misfit)[:6], -LONGEST, LONGEST)
