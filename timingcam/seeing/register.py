"""The hand's shake: where each flash's picture lies against the reference picture.

In:  a reference picture with the parts of it that stand still, and the lit rows of another frame.
Out: `Shift`, where that frame lies.
Not here: what turns.

Coarse first, by correlation of small pictures; then robust least squares on the light itself at the reference's
strongest gradients. Only rows that the same flash lit are compared: ambient light was there at other instants.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.seeing.medians import median
from timingcam.seeing.reference import LEVEL_BLUR, Reference
from timingcam.seeing.shift import Shift

SETTLED, SETTLED_COARSE = 0.01, 0.05  # our choice, pixels of a level: a step that changes nothing worth having
SAME_PLACE = 0.25  # our choice, pixels of the coarse picture: far more than SETTLED, far less than from start to start
COARSE_REACH, FAR_REACH = 0.08, 0.22  # our choice: of the width, a hand's shake, and an arm that sinks
NEARER_COUNTS = 0.12  # of correlation, our choice: from the middle to the end of the reach
NEAR_SHARE = 0.003  # our choice: of the width; a hand moves no further within a frame's time
# Our choice: of a move, that share is due to turning the phone, give or take as much: from none of it to all.
TURNED_SHARE, TURNED_SD = 0.5, 0.5
LEAST_ASLANT = 1e-4  # our choice, of a picture's half: what a hand turns while it moves nothing
POOR_FIT = 0.75  # our choice: residual over contrast; 1 is what any picture has against any other
PLAINEST_SHARE = 0.2  # our choice: of the points
TURNS = (-0.12, -0.06, 0.06, 0.12)  # radians: up to some 8 degrees
LEAST_ROWS = 5  # of the coarsest level
MIN_POINTS = 120
MIN_COARSE = 40  # our choice: ten for each number that is fitted there; a band a tenth of the picture high has some 60
N_SECTORS, WORST_CONDITION = 12, 30.0  # our choice
FEWEST_SECTORS, UNTOLD_PX = 4, 0.3  # our choice: with fewer, as far as a hand that sways was seen to move parts apart
HUBER = 1.345  # 95 % efficiency for normal noise (Huber, Robust Statistics, from memory)


def register(
    reference: Reference, picture: np.ndarray, rows: tuple[int, int], start: Shift | None = None
) -> Shift | None:
    """Lay the lit rows of a picture against the reference.

    Parameters
    ----------
    reference : Reference
    picture : ndarray, shape (h, w), float32
    rows : (int, int)
        First and last lit row.
    start : Shift, optional
        Where it is likely to lie: looked for from there as well as by the search, and what fits better is taken.

    Returns
    -------
    Shift or None
        None where too little that stands still is lit, or it fits nowhere.
    """
    if rows[1] - rows[0] + 1 < LEAST_ROWS * max(reference.shrink):
        return None
    softened = [_softened(picture, rows, shrink) for shrink in reference.shrink]
    search = _Search(reference, softened, rows)
    if start is not None:
        search.try_from(_numbers(start.about(reference.about_px), reference))
    begin = np.r_[_coarse(reference, picture, rows), np.zeros(4)]
    for params in (begin, np.zeros(6)):
        search.try_from(params)
        if search.left < reference.fair_fit:
            break
    if search.left > reference.fair_fit:
        # Not laid well: the hand may have turned.
        for turn in TURNS:
            search.try_from(np.r_[begin[:3], turn, 0.0, 0.0])
    if search.left > POOR_FIT:
        # It fits nowhere near: moved further than most hands do.
        search.try_from(np.r_[_coarse(reference, picture, rows, FAR_REACH), np.zeros(4)])
    best = search.best
    return best if best is not None and (best.residual < POOR_FIT or search.plainest_fit() < POOR_FIT) else None


def refined_near(reference: Reference, picture: np.ndarray, rows: tuple[int, int], start: Shift) -> Shift | None:
    """Lay the lit rows of a picture against the reference near where they are known to lie.

    Parameters
    ----------
    reference : Reference
    picture : ndarray, shape (h, w), float32
    rows : (int, int)
        First and last lit row.
    start : Shift

    Returns
    -------
    Shift or None
        None where it does not fit near there.
    """
    if rows[1] - rows[0] + 1 < LEAST_ROWS * max(reference.shrink):
        return None
    softened = [_softened(picture, rows, shrink) for shrink in reference.shrink]
    told = start.about(reference.about_px)
    found = _from(reference, softened, rows, _numbers(told, reference))
    if found is None or found.residual > POOR_FIT:
        return None
    ends = np.array([[x, y] for x in (0, reference.width - 1) for y in rows], float)
    moved = np.hypot(*(found.apply(ends) - told.apply(ends)).T).max()
    return found if moved < NEAR_SHARE * reference.width else None


def _numbers(shift: Shift, reference: Reference) -> np.ndarray:
    """The six numbers that are fitted: t, a, b, and how far aslant at the picture's end."""
    return np.r_[shift.params, shift.aslant * reference.half_px]


def _from(reference: Reference, softened: list[_Level], rows: tuple[int, int], params: np.ndarray) -> Shift | None:
    """The shift found from a start, coarse picture first."""
    return _Search(reference, softened, rows).try_from(params)


class _Search:
    """Starts tried, coarse picture first, and the best of what they led to."""

    def __init__(self, reference: Reference, softened: list[_Level], rows: tuple[int, int]) -> None:
        self.how = reference, softened, rows
        self.best: Shift | None = None
        self.came_to: list[Shift] = []  # in the coarse picture
        self.left_coarse = np.inf  # by the best, in the coarse picture
        h, w = rows[1] - rows[0], reference.width - 1
        self.ends_px = np.array([[0, 0], [w, 0], [0, h], [w, h]], float) + np.array([0, rows[0]])

    @property
    def left(self) -> float:
        """What the best leaves unexplained; infinite while there is none."""
        return np.inf if self.best is None else self.best.residual

    def try_from(self, params: np.ndarray) -> Shift | None:
        """One more start; if in the coarse picture it leads where another did, or fits worse, it goes no further."""
        reference, softened, rows = self.how
        coarse = _refine(reference, 0, softened[0], rows, params)
        if coarse is None or coarse.residual > self.left_coarse or any(self._alike(coarse, k) for k in self.came_to):
            return self.best
        self.came_to.append(coarse)
        found = coarse
        for level, soft in enumerate(softened[1:], start=1):
            finer = _refine(reference, level, soft, rows, _numbers(found, reference))
            if finer is None:
                return self.best
            found = finer
        if found.residual < self.left:
            self.best, self.left_coarse = found, coarse.residual
        return self.best

    def plainest_fit(self) -> float:
        """What the best leaves unexplained of the light where edges are plainest, over its contrast there: coding may
        have left nothing of fine texture, which is most of the points, and edges are where they were."""
        reference, softened, rows = self.how
        if self.best is None:
            return np.inf
        strength = np.hypot(*reference.slopes[-1][:2])
        x, y = _applied(_numbers(self.best, reference), reference.off_px[-1], reference)
        there = (y >= rows[0] + 1) & (y <= rows[1] - 1) & (x >= 1) & (x <= reference.width - 2)
        if np.count_nonzero(there) * PLAINEST_SHARE < MIN_POINTS:
            return np.inf
        there &= strength >= np.percentile(strength[there], 100 * (1 - PLAINEST_SHARE))
        light, seen = reference.light[-1][there], softened[-1].at(x[there], y[there])
        slope, _ = _straight(light, seen)
        off = np.abs(seen - _gain_offset(light, seen))
        return 1.4826 * median(off) / (max(slope, 0.05) * float(np.std(light)) + 1e-9)

    def _alike(self, one: Shift, other: Shift) -> bool:
        apart = np.hypot(*(one.apply(self.ends_px) - other.apply(self.ends_px)).T).max()
        return bool(apart < SAME_PLACE * self.how[0].shrink[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """The lit rows of a picture on one scale, blurred; `first_row` the full row of its upper edge."""

    light: np.ndarray
    first_row: int
    shrink: int

    def at(self, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
        """Light at full pixel positions."""
        x, y = (x_px + 0.5) / self.shrink - 0.5, (y_px - self.first_row + 0.5) / self.shrink - 0.5
        return sample(self.light, np.stack([x, y], axis=1))


def _softened(picture: np.ndarray, rows: tuple[int, int], shrink: int) -> _Level:
    part = picture[rows[0] : rows[1] + 1]
    if shrink == 1:
        return _Level(cv2.GaussianBlur(part, (0, 0), LEVEL_BLUR), rows[0], 1)
    h, w = part.shape[0] // shrink * shrink, part.shape[1] // shrink * shrink
    small = cv2.resize(part[:h, :w], (w // shrink, max(h // shrink, 1)), interpolation=cv2.INTER_AREA)
    # The mean over a cell blurs by shrink/sqrt(12); the rest of the reference's blur is made up.
    return _Level(cv2.GaussianBlur(small, (0, 0), np.sqrt(LEVEL_BLUR**2 - 1 / 12)), rows[0], shrink)


def _coarse(
    reference: Reference, picture: np.ndarray, rows: tuple[int, int], share: float = COARSE_REACH
) -> np.ndarray:
    """Where correlation puts a picture, pixels, within a share of its width."""
    scale = reference.scale
    h, w = reference.small.shape
    lo, hi = int(np.ceil(rows[0] / scale)), int(rows[1] / scale)
    reach = max(2, round(share * w))
    first, last = max(lo, 0), min(hi, h - 1)
    if last - first < 4:
        return np.zeros(2)
    part = picture[round(first * scale) : round((last + 1) * scale)]
    patch = cv2.resize(part, (w, last + 1 - first), interpolation=cv2.INTER_AREA)[:, reach : w - reach]
    padded = cv2.copyMakeBorder(reference.small, reach, reach, 0, 0, cv2.BORDER_REPLICATE)
    window = padded[first : last + 1 + 2 * reach]
    # Differences instead of light, so that uneven lighting does not lead.
    score = cv2.matchTemplate(_edges_of(window), _edges_of(patch), cv2.TM_CCOEFF_NORMED)
    # A hand moves little more often than far: of two places that fit as well, the nearer is taken.
    yy, xx = np.mgrid[0 : score.shape[0], 0 : score.shape[1]]
    far = np.hypot(xx - reach, yy - reach) / reach
    _, _, _, (x, y) = cv2.minMaxLoc(score - NEARER_COUNTS * far.astype(np.float32) ** 2)
    return np.array([reach - x, reach - y], float) * scale


def _edges_of(picture: np.ndarray) -> np.ndarray:
    soft = cv2.GaussianBlur(picture, (0, 0), 1.0)
    return cv2.magnitude(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1))


def sample(picture: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    """Light at pixel positions, shape (n, 2), bilinear; edges repeated."""
    n = len(xy_px)
    if n == 0:
        return np.zeros(0)
    width = 4096
    pad = -n % width
    maps = np.pad(xy_px.astype(np.float32), ((0, pad), (0, 0))).reshape(-1, width, 2)
    # OpenCV's types know no absent second map, which it takes where the first holds both coordinates.
    light = cv2.remap(picture, maps, None, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return light.ravel()[:n].astype(float)


def _refine(reference: Reference, level: int, soft: _Level, rows: tuple[int, int], params: np.ndarray) -> Shift | None:
    d, light, slopes = reference.off_px[level], reference.light[level], reference.slopes[level]
    finest = level == len(reference.light) - 1
    if len(light) < (fewest := MIN_POINTS if finest else MIN_COARSE):
        return None  # all that stands still is black, or out of the picture
    lever = max(float(np.abs(d).max()), 1.0)
    # A hand turns and nears by little: a prior of 2 degrees and 3 %, which also holds where few points are lit.
    prior = np.diag([0.0, 0.0, 1 / 0.03**2, 1 / 0.035**2, 0.0, 0.0, 0.0, 0.0])
    settled_px = (SETTLED if finest else SETTLED_COARSE) * soft.shrink
    used = np.zeros(0, bool)
    for _ in range(12):
        x, y = _applied(params, d, reference)
        expected, aslant_sd = _as_if_turned(reference, params)
        # In the coarse picture it is left as expected: with that freedom too, what does not belong there fits.
        aslant_sd = aslant_sd if finest else LEAST_ASLANT
        prior[4, 4] = prior[5, 5] = 1 / aslant_sd**2
        ok = (y >= rows[0] + 1) & (y <= rows[1] - 1) & (x >= 1) & (x <= reference.width - 2)
        n = int(ok.sum())
        if n < fewest:
            return None
        if not np.array_equal(ok, used):
            used, lit, some_slopes = ok, light[ok], slopes[:, ok]
        seen = soft.at(x[ok], y[ok])
        # Gain and offset first, robustly, then all together with Huber weights.
        residual_now = np.abs(seen - _gain_offset(lit, seen))
        sigma = 1.4826 * median(residual_now) + 1e-6
        weight = np.minimum(1.0, HUBER * sigma / np.maximum(residual_now, 1e-12))
        gain = max(_straight(lit, seen, weight)[0], 0.05)
        full = np.vstack([gain * some_slopes, lit, np.ones(n)])
        # seen(params) ≈ gain·light + offset + gain·gradient·(params - true): solve for the step back.
        heavy = full * weight
        normal = heavy @ full.T + prior * sigma**2
        normal += 1e-9 * np.diag(np.diag(normal))
        solved = np.linalg.solve(normal, heavy @ seen + prior[:, :6] @ (params - expected) * sigma**2)
        step = -solved[:6]
        params = params + step
        if np.hypot(step[0], step[1]) + lever * float(np.sqrt(step[2:] @ step[2:])) < settled_px:
            break
    covariance = np.linalg.inv(normal)[:4, :4] * sigma**2
    contrast = float(np.std(lit)) * gain + 1e-9
    # Of the last level only: the others are no more than a place to start from.
    if not finest:
        apart = np.eye(2) * UNTOLD_PX**2
    else:
        apart = _apart(d[:, used], full[:2], seen - solved[6:] @ full[6:], weight)
    return Shift(params[:4], covariance, reference.about_px, sigma / contrast, apart, params[4:] / reference.half_px)


def _as_if_turned(reference: Reference, params: np.ndarray) -> tuple[np.ndarray, float]:
    """What the six numbers are expected to be, for where a picture lies, and the sd of the last two."""
    # Of a phone that turned, instead of being carried aside, at the picture's end.
    turned = params[:2] * reference.half_px / reference.focal_px**2 * reference.all_round
    sd = float(np.hypot(TURNED_SD * np.hypot(*turned), LEAST_ASLANT))
    return np.r_[np.zeros(4), -TURNED_SHARE * turned], sd


def _applied(params: np.ndarray, d: np.ndarray, reference: Reference) -> tuple[np.ndarray, np.ndarray]:
    """Where points `d` from a place come to, x and y: `Shift.apply`, without moving columns about."""
    tx, ty, a, b, ex, ey = params
    near = 1 / (1 + (ex * d[0] + ey * d[1]) / reference.half_px)
    x, y = ((1 + a) * d[0] - b * d[1] + tx) * near, ((1 + a) * d[1] + b * d[0] + ty) * near
    return x + reference.about_px[0], y + reference.about_px[1]


def _apart(d: np.ndarray, gradient: np.ndarray, left: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Covariance of the shifts that single sectors would still like, px², shape (2, 2)."""
    sector = ((np.arctan2(d[1], d[0]) + np.pi) / (2 * np.pi) * N_SECTORS).astype(int) % N_SECTORS
    g, h = gradient

    def summed(value: np.ndarray) -> np.ndarray:
        return np.bincount(sector, weight * value, N_SECTORS)

    xx, xy, yy, rx, ry = (summed(k) for k in (g * g, g * h, h * h, g * left, h * left))
    many = np.bincount(sector, minlength=N_SECTORS) >= MIN_POINTS / 2
    shifts = []
    for k in np.flatnonzero(many):
        normal = np.array([[xx[k], xy[k]], [xy[k], yy[k]]])
        # Edges that all run one way say nothing of a shift along them.
        if np.linalg.cond(normal) < WORST_CONDITION:
            shifts.append(np.linalg.solve(normal, [rx[k], ry[k]]))
    if len(shifts) < FEWEST_SECTORS:
        return np.eye(2) * UNTOLD_PX**2
    # The common shift was fitted to them: two of their numbers are used up by it.
    return np.sum([np.outer(s, s) for s in shifts], axis=0) / (len(shifts) - 2)


def _gain_offset(light: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """The straight line of light that fits best what is seen, with one round of leaving outliers out."""
    slope, offset = _straight(light, seen)
    residual = np.abs(seen - slope * light - offset)
    keep = residual <= 3 * median(residual) + 1e-9
    if keep.sum() > 30:
        slope, offset = _straight(light[keep], seen[keep])
    return slope * light + offset


def _straight(x: np.ndarray, y: np.ndarray, weight: np.ndarray | None = None) -> tuple[float, float]:
    """Slope and offset of the straight line through points by weighted least squares, about their middle."""
    w = np.full(len(x), 1.0) if weight is None else weight
    total = float(w.sum())
    mx, my = float(w @ x) / total, float(w @ y) / total
    off = x - mx
    slope = float((w * off) @ y) / max(float((w * off) @ off), 1e-12)
    return slope, my - slope * mx
