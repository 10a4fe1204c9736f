"""Continuous lines with corners.

In:  which segments slope and which are flat; the parameters.
Out: the line's value, slope and derivatives.
Not here: their fit (`linefit.py`); what the segments mean for an engine (`curve.py`).

The line is A + Σ sᵢ·hᵢ(x), hᵢ being the part of x − (first corner) that lies in segment i. Two nuisances may be
fitted along: a lag between the two directions of x, and a tilt c·x; normal priors may hold both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.result import freeze


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points to fit, in time order; arrays of shape (n,)."""

    x: np.ndarray
    y: np.ndarray
    y_sd: np.ndarray  # the measurement's own, without the scatter of what is measured
    x_sd: np.ndarray
    direction: np.ndarray  # +1 x rises, −1 falls, 0 stands
    change: np.ndarray | None = None  # how fast x changes, a second; None: not known

    def __post_init__(self) -> None:
        freeze(self.x, self.y, self.y_sd, self.x_sd, self.direction)


@dataclass(frozen=True, slots=True)
class Form:
    """Which line: one entry a segment, True where it slopes; and which nuisances go with it."""

    slopes: tuple[bool, ...]
    lag: bool = False
    lag_prior_sd: float = 0.0  # 0: free
    tilt_prior_sd: float = 0.0  # of c in the term c·x; 0: no tilt
    tilt_x0: float = 0.0  # where the tilt is zero

    @property
    def corners(self) -> int:
        return len(self.slopes) - 1

    @property
    def size(self) -> int:
        """Number of parameters: level, slopes, corners, lag, tilt."""
        return 1 + sum(self.slopes) + self.corners + int(self.lag) + int(self.tilt_prior_sd > 0)

    @property
    def prior_sds(self) -> np.ndarray:
        """Of each parameter about 0, infinite where there is none; shape (size,)."""
        sds = np.full(self.size, np.inf)
        if self.lag and self.lag_prior_sd > 0:
            sds[1 + sum(self.slopes) + self.corners] = self.lag_prior_sd
        if self.tilt_prior_sd > 0:
            sds[-1] = self.tilt_prior_sd
        return sds

    def split(self, theta: np.ndarray) -> _Parts:
        n_slopes = sum(self.slopes)
        given = iter(theta[1 : 1 + n_slopes])
        slopes = np.array([next(given) if sloped else 0.0 for sloped in self.slopes])
        at = 1 + n_slopes
        corners = theta[at : at + self.corners]
        at += self.corners
        lag = theta[at] if self.lag else 0.0
        tilt = theta[-1] if self.tilt_prior_sd > 0 else 0.0
        return _Parts(float(theta[0]), slopes, corners, float(lag), float(tilt))


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    level: float
    slopes: np.ndarray
    corners: np.ndarray
    lag: float
    tilt: float


def line(form: Form, theta: np.ndarray, x: np.ndarray, direction: np.ndarray | float = 0.0) -> np.ndarray:
    """The line's value at x."""
    parts = form.split(theta)
    shifted = x - parts.lag * direction / 2.0
    pieces = corner_pieces(form, parts.corners, shifted)
    return parts.level + pieces @ parts.slopes + parts.tilt * (x - form.tilt_x0)


def jacobian(form: Form, theta: np.ndarray, x: np.ndarray, direction: np.ndarray | float = 0.0) -> np.ndarray:
    """Derivatives of `line` by its parameters, shape (n, size)."""
    parts = form.split(theta)
    x = np.atleast_1d(x)
    shifted = x - parts.lag * direction / 2.0
    pieces = corner_pieces(form, parts.corners, shifted)
    columns = [np.ones(len(x))] + [pieces[:, i] for i, sloped in enumerate(form.slopes) if sloped]
    for j, corner in enumerate(parts.corners):
        past = shifted > corner
        if j == 0:
            columns.append(np.where(past, -parts.slopes[1], -parts.slopes[0]))
        else:
            columns.append(np.where(past, parts.slopes[j] - parts.slopes[j + 1], 0.0))
    if form.lag:
        columns.append(-_slope_at(form, parts, shifted) * direction / 2.0)
    if form.tilt_prior_sd > 0:
        columns.append(x - form.tilt_x0)
    return np.stack(columns, axis=1)


def slope_at(form: Form, theta: np.ndarray, x: np.ndarray) -> np.ndarray:
    """The line's slope at x, without the tilt."""
    return _slope_at(form, form.split(theta), x)


def _slope_at(form: Form, parts: _Parts, x: np.ndarray) -> np.ndarray:
    return parts.slopes[np.searchsorted(parts.corners, x, side="left")]


def corner_pieces(form: Form, corners: np.ndarray, x: np.ndarray) -> np.ndarray:
    if form.corners == 0:
        return (np.asarray(x) - form.tilt_x0)[..., None]
    edges = np.concatenate([[-np.inf], corners, [np.inf]])
    first = corners[0]
    return np.stack(
        [
            np.minimum(x - first, 0.0) if i == 0 else np.clip(x, edges[i], edges[i + 1]) - edges[i]
            for i in range(len(form.slopes))
        ],
        axis=-1,
    )
