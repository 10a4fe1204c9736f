"""How the rotor's plane lies, from the fact that what turns must turn rigidly.

In:  pictures of flashes at different angles of the rotor, a pose that is nearly right, the rim's ellipse, and circles
     of other sizes about the same axis, on the rotor or on the case.
Out: the pose with which all of them show the same rotor and the rim is a circle, and how well it is known.
Not here: the first guess (`rings.py`, `pose.py`).

With a wrong centre or tilt the rotor seems to bend as it turns. The rim alone has two poses, and its centre is not the
middle of its ellipse; the turning alone does not know the lens. Together they do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

import cv2
import numpy as np
from scipy import fft

from timingcam.seeing.drum import Drum
from timingcam.seeing.pose import N_FREE, Pose, rim_misfit
from timingcam.seeing.strips import Grid, pattern_trust

STEP = np.array([0.003, 0.003, 0.003, 0.02, 0.02, 0.05])  # for the derivatives; effects of about a pixel
LONGEST_STEP = np.array([0.02, 0.02, 0.02, 0.15, 0.15, 0.2])
ROUNDS = 6
N_RIGID = 20  # flashes
MIN_SEEN = 4  # flashes that must show a cell of the rotor before it counts
MIN_SPREAD_DEG = 3.0  # our choice: with less turning a bend does not show
# Our choice: neighbouring cells share pixels, and edges that shine or stand off the plane bend too, a little; so a cell
# is a fiftieth of a measurement, which holds the centre to about a thousandth of the radius, not to a ten-thousandth.
CELL_COUNTS = 0.02
FULL_SIZE_PX = 300.0
RIM_SD = 0.002  # our choice: a rim's edge is chamfered, and may lie a little under the marks
RIM_SD_PX = 0.3  # our choice: an edge of a coded picture, all round
CIRCLE_HEIGHT_SD = 0.03  # rim radii, our choice: a case's bore or a hub's step is one to three millimetres off
CIRCLE_LIMIT = 4.0  # sds of four numbers together: what is further off is no circle about the axis


Lying = TypeVar("Lying", Pose, Drum)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Flashes chosen to differ in angle: a function from a pose to their evened-out strips, and their turns.

    `strips_of` gives the strips and where each is known, both (n_flashes, n_radii, n_angles); n_flashes may be 0.
    `rim_px` are points of the rim's ellipse, `circles_px` of further circles about the same axis, each (n, 2), evenly
    round; `arcs_px` of parts of such circles. `hold` is what is known beforehand of the six numbers, as the inverse of
    a covariance, beside the pose's own prior.
    """

    strips_of: Callable[[Any], tuple[np.ndarray, np.ndarray]]
    grid: Grid
    turns_deg: np.ndarray
    rim_px: np.ndarray
    circles_px: tuple[np.ndarray, ...] = ()
    arcs_px: tuple[np.ndarray, ...] = ()
    hold: np.ndarray = field(default_factory=lambda: np.zeros((N_FREE, N_FREE)))


def refine_pose(start: Lying, evidence: Evidence) -> tuple[Lying, np.ndarray, float]:
    """Fit the pose.

    Parameters
    ----------
    start : Pose or Drum
    evidence : Evidence

    Returns
    -------
    pose : Pose or Drum
        As `start` is.
    covariance : ndarray, shape (6, 6)
        Of the six numbers of `Pose.moved`.
    cost : float
        Misfit in units of noise, to choose between starts.
    """
    free = np.zeros(N_FREE)
    hold = start.prior() + evidence.hold
    sigma: float | None = None
    for _ in range(ROUNDS):
        gram, right, _, sigma = _equations(start, free, evidence, sigma)
        step = np.linalg.solve(gram + hold, right - hold @ free)
        step = np.clip(step, -LONGEST_STEP, LONGEST_STEP)
        free = free + step
        if np.all(np.abs(step) < 0.02 * STEP):
            break
    gram, _, cost, _ = _equations(start, free, evidence, sigma)
    return start.moved(free), np.linalg.inv(gram + hold), cost + 0.5 * float(free @ hold @ free)


def unexplained(pose: Pose | Drum, evidence: Evidence) -> float:
    """Share of the strips' pattern that one rigid rotor leaves unexplained, 0 to 1: to choose between poses."""
    strips, known = evidence.strips_of(pose)
    weight = _turned_back(known.astype(np.float32), evidence.turns_deg) > 0.98
    weight &= weight.sum(axis=0) >= MIN_SEEN
    back = _turned_back(strips, evidence.turns_deg)
    mean = (back * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    return float((((back - mean) * weight) ** 2).sum() / max(float(((back * weight) ** 2).sum()), 1e-12))


def _equations(
    start: Lying, free: np.ndarray, evidence: Evidence, sigma: float | None
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Normal equations of the six numbers about `free`: matrix, right side, cost; and the noise of a cell."""
    pose = start.moved(free)
    sides = [(start.moved(free + d), start.moved(free - d)) for d in np.diag(STEP)]
    gram, right, cost = np.zeros((N_FREE, N_FREE)), np.zeros(N_FREE), 0.0
    for g, r, c in _ring_equations(pose, sides, evidence):
        gram, right, cost = gram + g, right + r, cost + c
    if not len(evidence.turns_deg):
        return gram, right, cost, 1.0
    strips, known = evidence.strips_of(pose)
    weight = _turned_back(known.astype(np.float32), evidence.turns_deg) > 0.98
    weight &= weight.sum(axis=0) >= MIN_SEEN
    back = _turned_back(strips, evidence.turns_deg)
    mean = ((back * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)).astype(np.float32)
    residual = (back - mean) * weight
    del strips, known, back  # each takes several megabytes
    if sigma is None:
        sigma = 1.4826 * float(np.median(np.abs(residual[weight]))) + 1e-9 if weight.any() else 1.0
    columns = _columns(mean, weight, evidence, (pose, sides))
    along = _slopes(mean, evidence.grid)[0]
    bend = _slopes(along, evidence.grid)[0]
    # As the root, since residual and columns are multiplied with one another.
    trust = np.sqrt(pattern_trust(mean, sigma**2))
    # What is off is off by parts of a pixel, and weighs more the smaller the rotor appears.
    counts = CELL_COUNTS * min(1.0, start.size_px / FULL_SIZE_PX) ** 2
    own = [k * weight * trust for k in (along, bend, mean)]
    residual *= trust
    for column in columns:
        column *= trust
    g, r, c = _turning_equations(residual, own, columns, (sigma, counts))
    return gram + g, right + r, cost + c, sigma


def _ring_equations(
    pose: Lying, sides: list[tuple[Lying, Lying]], evidence: Evidence
) -> Iterator[tuple[np.ndarray, np.ndarray, float]]:
    """Normal equations of the rim, and of all circles and arcs about the axis; of none where an edge is seen."""
    if isinstance(pose, Drum):
        return
    faces = [(a, b) for a, b in sides if isinstance(a, Pose) and isinstance(b, Pose)]
    if len(evidence.rim_px):
        yield _arc_equations(pose, faces, evidence.rim_px, 1.0)
    for circle_px in evidence.circles_px:
        yield _circle_equations(pose, faces, circle_px)
    for arc_px in evidence.arcs_px:
        yield _arc_equations(pose, faces, arc_px, None)


def _arc_equations(
    pose: Pose, sides: list[tuple[Pose, Pose]], arc_px: np.ndarray, radius: float | None
) -> tuple[np.ndarray, np.ndarray, float]:
    """Normal equations from points of a circle about the centre, of known size or of any."""

    def off(trial: Pose) -> np.ndarray:
        misfit = rim_misfit(trial, arc_px)
        return misfit if radius is not None else misfit - misfit.mean()

    here = off(pose)
    # Of several arcs, one that is out of round where the others are round is put together from edges of several things.
    own = RIM_SD if radius is not None else float(np.sqrt(np.mean(here**2)))
    # Points of one ellipse hold five numbers, however many are taken.
    sd = np.hypot(own, RIM_SD_PX / pose.size_px) * np.sqrt(len(arc_px) / 5)
    slopes = np.stack([(off(a) - off(b)) / (2 * s) for (a, b), s in zip(sides, STEP, strict=True)]) / sd
    return slopes @ slopes.T, -slopes @ here / sd, 0.5 * float(here @ here) / sd**2


def _circle_equations(
    pose: Pose, sides: list[tuple[Pose, Pose]], circle_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Normal equations from a circle of unknown size, about the axis, in a plane near the rotor's.

    In the right pose it is a circle, and about the centre. An ellipse's middle lies off that by an amount that grows
    with the square of its size, so circles of several sizes tell the tilt far better than one does by its shape. How
    far it lies off the rotor's plane is not known, which moves its middle where the view is oblique.
    """
    sd = np.hypot(RIM_SD, RIM_SD_PX / pose.size_px)
    aside = CIRCLE_HEIGHT_SD * float(np.hypot(*pose.lean_rad))
    sds = np.array([np.hypot(sd, aside)] * 2 + [sd] * 2)
    off = _out_of_round(pose, circle_px) / sds
    slopes = np.stack([
        (_out_of_round(a, circle_px) - _out_of_round(b, circle_px)) / (2 * s * sds)
        for (a, b), s in zip(sides, STEP, strict=True)
    ])  # fmt: skip
    # What is no circle about the axis, a cover or a hole, says nothing (Cauchy's weight).
    weight = 1.0 / (1.0 + float(off @ off) / CIRCLE_LIMIT**2)
    loss = 0.5 * CIRCLE_LIMIT**2 * np.log1p(float(off @ off) / CIRCLE_LIMIT**2)
    return weight * slopes @ slopes.T, -weight * slopes @ off, float(loss)


def _out_of_round(pose: Pose, circle_px: np.ndarray) -> np.ndarray:
    """How far a circle's middle lies off the centre, x and y, and how much longer than wide it is, along x and along
    the diagonal: rim radii, shape (4,)."""
    at = pose.to_plane(circle_px)
    r, angle = np.hypot(at[:, 0], at[:, 1]), np.arctan2(at[:, 1], at[:, 0])
    waves = np.column_stack([np.ones_like(r), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
    return np.linalg.lstsq(waves, r, rcond=None)[0][1:]


def _slopes(mean: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Slope of the mean rotor along the angle, per radian, and along the radius; a little smoothed, as noise is no
    slope."""
    ring = np.concatenate([mean[:, -8:], mean, mean[:, :8]], axis=1)
    soft = cv2.GaussianBlur(ring, (0, 0), 1.0)
    along = np.gradient(soft, axis=1)[:, 8:-8] * (grid.n_angles / (2 * np.pi))
    down = np.gradient(soft[:, 8:-8], grid.radii, axis=0)
    return along.astype(np.float32), down.astype(np.float32)


def _columns(
    mean: np.ndarray, weight: np.ndarray, evidence: Evidence, poses: tuple[Lying, list[tuple[Lying, Lying]]]
) -> list[np.ndarray]:
    """How each flash's residual, in the rotor's frame, answers to each of the six numbers.

    A pose that moves reads every strip at places a little off in the plane, where the rotor's own slopes tell what it
    finds; the mean moves with it.
    """
    pose, sides = poses
    grid = evidence.grid
    angle = grid.angles_rad()
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    cells = grid.radii[:, None, None] * unit
    along, down = (_turned_back(np.stack([k] * len(weight)), -evidence.turns_deg) for k in _slopes(mean, grid))
    columns = []
    for (a, b), step in zip(sides, STEP, strict=True):
        # What faces away says nothing.
        off = np.nan_to_num(pose.to_plane(a.to_image(cells)) - pose.to_plane(b.to_image(cells))) / (2 * step)
        outward = (off * unit).sum(axis=-1)
        around = (off[..., 1] * unit[..., 0] - off[..., 0] * unit[..., 1]) / grid.radii[:, None]
        change = _turned_back((along * around + down * outward).astype(np.float32), evidence.turns_deg) * weight
        change -= change.sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
        columns.append(change * weight)
    return columns


def _turned_back(strips: np.ndarray, turns_deg: np.ndarray) -> np.ndarray:
    """Strips in the rotor's own frame, by their Fourier series along the angle."""
    n = strips.shape[2]
    phase = np.exp(1j * np.arange(n // 2 + 1) * np.radians(turns_deg)[:, None]).astype(np.complex64)
    return fft.irfft(fft.rfft(strips, axis=2) * phase[:, None, :], n, axis=2)


def _turning_equations(
    residual: np.ndarray, own: list[np.ndarray], columns: list[np.ndarray], noise: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Normal equations from the strips, with robust weights.

    `noise` is the noise of a cell, and how much of a measurement one is. What each flash may have of its own is
    eliminated: its turn, its smear (the bend of the pattern) and its contrast.
    """
    sigma, counts = noise
    limit = 6 * sigma
    weight = np.clip(1 - (residual / limit) ** 2, 0, None) ** 2
    gram, left = np.zeros((N_FREE + 1, N_FREE + 1)), 0.0
    # One flash after another: all of them at once take room for seven times the strips, several times over.
    for k, w in enumerate(weight):
        stack = np.stack([residual[k], *(c[k] for c in columns)]).reshape(N_FREE + 1, -1).astype(float)
        nuisance = np.stack([c[k] for c in own]).reshape(len(own), -1).astype(float)
        heavy = nuisance * w.ravel()
        power, cross = heavy @ nuisance.T, heavy @ stack.T
        power += (1e-9 * np.trace(power) + 1e-12) * np.eye(len(own))
        eliminated = cross.T @ np.linalg.solve(power, cross)
        gram += (stack * w.ravel()) @ stack.T - eliminated
        left += float(eliminated[0, 0])
    gram *= counts / sigma**2
    # Cost of the robust loss whose weights these are (Tukey's), so that starts can be compared.
    loss = (limit**2 / 6) * float((1 - np.clip(1 - (residual / limit) ** 2, 0, None) ** 3).sum())
    loss -= 0.5 * left
    # As if all cells had been seen: which ones are depends on the pose.
    seen = max(float((own[0] != 0).mean()), 1e-6)
    return gram[1:, 1:], -gram[1:, 0], counts / sigma**2 * loss / seen
