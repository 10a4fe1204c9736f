"""The rotor's plane, from the turning alone: what turns about the right centre turns as one.

In:  pictures of a rotor at different angles, its skew known, a pose that is nearly right, rings of the mean picture.
Out: the pose about which all sectors of the rotor turn alike, with its covariance.
Not here: the first guess (`view.py`); how far out the rim is, which the turning does not tell.

About a wrong centre a sector of the picture seems to run ahead as the rotor turns and another one to lag. Each frame's
sectors are read against the map, and least squares finds the shift of the centre and the tilt that explain them. How
tilted a circle is shows in the shape of the rings, on the rotor or on the case beside it, whose planes are parallel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.angles import Turn, turned
from timingcam.seeing.cells import RotorMap
from timingcam.seeing.pose import N_FREE, Pose, poses_of_ellipse
from timingcam.seeing.rigid import CIRCLE_HEIGHT_SD
from timingcam.seeing.rings import Ring
from timingcam.seeing.skew import weight_of_cells
from timingcam.seeing.steady import reader_of
from timingcam.seeing.strips import Grid

N_SECTORS = 24
FIXED_CENTRE = 1e-6  # frames' own shifts of the centre are not left free here: the centre is what is looked for
ROUNDS = 3
FREE = (0, 1, 3, 4)  # of the six numbers of `Pose.moved`: centre and lean
NO_STEP = 5e-4  # rim radii and radians: a twentieth of a pixel, 0.03 degrees of tilt
STEP = 0.01  # for the derivatives, rim radii and radians: a pixel or so
# Our choice: a ring of 130 px whose axes are good to a quarter of a pixel tells a tilt of 5 degrees to 1.2.
LEAN_SD_RAD = 0.02
ALIKE_SHAPE = 0.003  # our choice, of a ring's size: three parts in a thousand are a pixel of a ring 700 px across
# Our choice, rim radii: rings on the case, a millimetre off the plane of the marks, are seen 0.1 mm aside at 5 degrees.
CENTRE_SD = 0.0015
CLEARLY = 1.6  # our choice: the spread of centres of one way to lean over that of the other
# Our choice: rings that stand off the rotor's plane are seen aside by that; centres that lie apart by no more than
# twice as much tell of no way to lean.
CLEARLY_APART = 2.0
SIZE_SD, FOCAL_LOG_SD = 0.02, 0.35  # not found here; as the view has them
MIN_COVERAGE, LEAST_RING, LARGEST_RING = 0.85, 0.25, 1.35  # of a ring to be asked for the tilt; sizes in rim radii
HUBER = 1.345
FLOOR_DEG = 0.02  # our choice: sectors share pixels with their neighbours; no sector is known better than this

StripsOf = Callable[[Pose], tuple[list[np.ndarray], list[np.ndarray]]]


@dataclass(frozen=True, slots=True, eq=False)
class _Sectors:
    """Per frame and sector, shape (n_frames, N_SECTORS): how far it runs ahead of the map, degrees, and its sd."""

    ahead_deg: np.ndarray
    sd_deg: np.ndarray
    turn_deg: np.ndarray  # (n_frames,)


@dataclass(frozen=True, slots=True, eq=False)
class Guess:
    """What the rings say: the tilt, where the true centre appears if that is so, and how many of them say so."""

    lean_rad: np.ndarray
    centre_px: np.ndarray
    n_rings: int = 0


def pose_of_turning(start: Pose, grid: Grid, strips_of: StripsOf, tried: list[Guess]) -> tuple[Pose, np.ndarray, Guess]:
    """Refine centre and tilt.

    Parameters
    ----------
    start : Pose
        Its size and lens are kept.
    grid : Grid
        Of the strips.
    strips_of : callable
        From a pose to the evened-out strips of all pictures, skew taken out, and where each is known.
    tried : list of Guess
        From `guesses`.

    Returns
    -------
    pose : Pose
    covariance : ndarray, shape (6, 6)
        Of the six numbers of `Pose.moved`.
    guess : Guess
        The one that fits best.
    """
    fits = [(*_fitted(guess, start, grid, strips_of), guess) for guess in tried]
    pose, inner, _, guess = min(fits, key=lambda fit: fit[2])
    covariance = np.zeros((N_FREE, N_FREE))
    covariance[np.ix_(FREE, FREE)] = inner
    covariance[2, 2], covariance[5, 5] = SIZE_SD**2, FOCAL_LOG_SD**2
    return pose, covariance, guess


def guesses(start: Pose, rings: list[Ring]) -> list[Guess]:
    """What the rings agree on, leaning one way, or either where they do not say which.

    Parameters
    ----------
    start : Pose
    rings : list of Ring
        Of the mean picture, about the rotor's centre.

    Returns
    -------
    list of Guess

    Notes
    -----
    A circle's ellipse has its middle off the image of the circle's centre, towards the near side, by an amount that
    grows with the square of its radius. Leaning the right way, rings of all sizes put the centre in one place.
    """
    size = (round(2 * float(start.principal_px[0]) + 1), round(2 * float(start.principal_px[1]) + 1))
    pairs = [
        poses_of_ellipse(ring.centre_px, ring.axes_px, ring.angle_deg, size, start.focal_px)
        for ring in rings
        if ring.coverage >= MIN_COVERAGE and LEAST_RING < ring.size_px / start.size_px < LARGEST_RING
    ]
    if not pairs:
        return [Guess(start.lean_rad, start.centre_px)]
    every = [pose.lean_rad for pair in pairs for pose in pair]
    # A ring made of two edges has a wrong shape; the tilt that most others are near to is taken.
    best = min(every, key=lambda lean: float(np.minimum(_far(lean, pairs) / LEAN_SD_RAD, 2.0).sum()))
    mirror = min(every, key=lambda other: float(np.hypot(*(other + best))))
    if np.hypot(*(best - mirror)) < LEAN_SD_RAD:
        return [_agreed(best, pairs)[0]]
    (one, its_spread), (other, others_spread) = _agreed(best, pairs), _agreed(mirror, pairs)
    less, more = sorted((its_spread, others_spread))
    aside_px = CIRCLE_HEIGHT_SD * float(np.hypot(*best)) * start.size_px
    if more > max(CLEARLY * less, CLEARLY_APART * aside_px):
        return [one if its_spread < others_spread else other]
    return [one, other]


def _nearest(lean: np.ndarray, pairs: list[list[Pose]]) -> list[Pose]:
    return [min(pair, key=lambda pose: float(np.hypot(*(pose.lean_rad - lean)))) for pair in pairs]


def _far(lean: np.ndarray, pairs: list[list[Pose]]) -> np.ndarray:
    return np.array([float(np.hypot(*(pose.lean_rad - lean))) for pose in _nearest(lean, pairs)])


def _agreed(lean: np.ndarray, pairs: list[list[Pose]]) -> tuple[Guess, float]:
    """Mean tilt and centre of the rings that lean about so, and how far their centres lie apart, px."""
    near = [pose for pose in _nearest(lean, pairs) if np.hypot(*(pose.lean_rad - lean)) < LEAN_SD_RAD]
    centres = np.array([pose.centre_px for pose in near])
    middle = np.median(centres, axis=0)
    spread = float(np.median(np.hypot(*(centres - middle).T))) if len(near) > 2 else 1.0
    found = np.median([pose.lean_rad for pose in near], axis=0)
    # Nearly square-on, a tilt is told badly by any ring; that it is a circle, well.
    alike = sum(flattening_between(found, pair[0].lean_rad) < ALIKE_SHAPE for pair in pairs)
    return Guess(found, middle, alike), spread


def flattening_between(one: np.ndarray, other: np.ndarray) -> float:
    """By how much the ellipses differ that a circle makes at two tilts, as a share of its size, both radians, (2,)."""
    return 0.5 * float(abs(complex(*one) ** 2 - complex(*other) ** 2))


def _fitted(guess: Guess, start: Pose, grid: Grid, strips_of: StripsOf) -> tuple[Pose, np.ndarray, float]:
    """Pose, covariance of the free numbers and cost, centre and tilt held near the guess."""
    pose = replace(start, lean_rad=guess.lean_rad)
    hold = np.diag([1 / CENTRE_SD**2, 1 / CENTRE_SD**2, 1 / LEAN_SD_RAD**2, 1 / LEAN_SD_RAD**2])
    for _ in range(ROUNDS):
        sectors = _sectors(grid, *strips_of(pose))
        design = _design(pose, grid, sectors.turn_deg)
        off = np.concatenate([(pose.centre_px - guess.centre_px) / pose.size_px, pose.lean_rad - guess.lean_rad])
        step, inner, cost = _solved(design, sectors, hold, off)
        free = np.zeros(N_FREE)
        free[list(FREE)] = np.clip(step, -0.05, 0.05)
        pose = pose.moved(free)
        if np.abs(step).max() < NO_STEP:
            break
    return pose, inner, cost


def _sectors(grid: Grid, strips: list[np.ndarray], knowns: list[np.ndarray]) -> _Sectors:
    """Read every frame's sectors against the map of all frames."""
    reader = reader_of(grid, strips, knowns, FIXED_CENTRE)
    ahead, sd, turns = [], [], []
    for strip, known in zip(strips, knowns, strict=True):
        turn = reader.turn(strip, known)
        if turn is None:
            continue
        offset, doubt = _frame_sectors(reader.rotor, strip, known, turn)
        ahead.append(offset)
        sd.append(doubt)
        turns.append(turn.deg)
    return _Sectors(np.array(ahead), np.array(sd), np.array(turns))


def _frame_sectors(rotor: RotorMap, strip: np.ndarray, known: np.ndarray, turn: Turn) -> tuple[np.ndarray, np.ndarray]:
    model = turned(rotor.light, turn.deg)
    slope = np.gradient(model, axis=1) / rotor.grid.step_deg
    misfit = (strip - rotor.still - model) * known
    weight = weight_of_cells(rotor, turn.deg) / np.maximum(slope**2, 1e-12) * known
    weight = np.where(slope**2 > 1e-10, weight, 0.0)
    sector = np.broadcast_to(np.arange(strip.shape[1]) * N_SECTORS // strip.shape[1], strip.shape).ravel()
    power = np.bincount(sector, (weight * slope**2).ravel(), N_SECTORS)
    pull = np.bincount(sector, (-weight * slope * misfit).ravel(), N_SECTORS)
    left = np.bincount(sector, (weight * misfit**2).ravel(), N_SECTORS)
    cells = np.bincount(sector, (weight > 0).ravel(), N_SECTORS)
    offset = pull / np.maximum(power, 1e-12)
    noise = left / np.maximum(cells, 1)
    # Neighbouring cells share pixels, two by two.
    doubt = np.sqrt(4 * np.maximum(noise, 1e-12) / np.maximum(power, 1e-12))
    return offset, np.where(power > 1e-6 * power.max(), np.hypot(doubt, FLOOR_DEG), np.inf)


def _design(pose: Pose, grid: Grid, turn_deg: np.ndarray) -> np.ndarray:
    """How each frame's sectors answer to the free numbers, shape (n_frames, N_SECTORS, 4), degrees a unit."""
    middle = (np.arange(N_SECTORS) + 0.5) * 2 * np.pi / N_SECTORS
    radius = float(np.median(grid.radii))
    result = np.zeros((len(turn_deg), N_SECTORS, len(FREE)))
    turns = np.radians(turn_deg)
    for k, number in enumerate(FREE):
        d = np.zeros(N_FREE)
        d[number] = STEP
        here = _error_of(pose, pose.moved(d), radius)
        # Metal that is in a sector now is on the map as the mean of where it was in all frames.
        metal = middle[None, :] - turns[:, None]
        on_map = np.mean([here(metal + t) for t in turns], axis=0)
        result[:, :, k] = np.degrees(here(np.broadcast_to(middle, metal.shape)) - on_map) / STEP
    return result


def _error_of(pose: Pose, moved: Pose, radius: float) -> Callable[[np.ndarray], np.ndarray]:
    """How much further round a place seems to be if the pose is taken as `moved` while it is `pose`, radians."""

    def error(angle: np.ndarray) -> np.ndarray:
        at = radius * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        seen = moved.to_plane(pose.to_image(at))
        return (np.arctan2(seen[..., 1], seen[..., 0]) - angle + np.pi) % (2 * np.pi) - np.pi

    return error


def _solved(
    design: np.ndarray, sectors: _Sectors, hold: np.ndarray, off: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Step of the free numbers, their covariance, and the cost; each frame's own turn is left free."""
    base = np.where(np.isfinite(sectors.sd_deg), 1 / sectors.sd_deg**2, 0.0)
    robust = np.ones_like(base)
    pull = hold @ off
    for _ in range(6):
        weight = base * robust
        total = np.maximum(weight.sum(axis=1), 1e-12)
        centred = design - ((weight[..., None] * design).sum(axis=1) / total[:, None])[:, None, :]
        ahead = sectors.ahead_deg - ((weight * sectors.ahead_deg).sum(axis=1) / total)[:, None]
        rows, data, w = centred.reshape(-1, len(FREE)), ahead.ravel(), weight.ravel()
        normal = rows.T @ (w[:, None] * rows)
        # A pose that is taken to be off by p makes sectors run ahead by design·p, so that is what is taken back.
        step = np.linalg.solve(normal + hold, -(rows.T @ (w * data)) - pull)
        z = (data + rows @ step).reshape(base.shape) * np.sqrt(base)
        scale = max(1.4826 * float(np.median(np.abs(z[base > 0]))), 1e-6)
        robust = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(z), 1e-9))
    covariance = np.linalg.inv(normal / max(scale, 1.0) ** 2 + hold)
    held = float((off + step) @ hold @ (off + step))
    return step, covariance, float((w * (data + rows @ step) ** 2).sum()) / max(scale, 1.0) ** 2 + held
