"""Uncertainties put together.

In:  standard uncertainties of independent parts, each with its degrees of freedom.
Out: their combination, its degrees of freedom, and the 95 % interval.
Not here: where the parts come from (`budget.py`, `figures.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from timingcam.reckoning.result import Estimate

COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Part:
    """One independent part of an uncertainty."""

    sd: float
    freedom: float = math.inf  # degrees of freedom; infinite where the sd is taken as known


def combine(parts: Sequence[Part]) -> Part:
    """Root of the sum of squares, with the effective degrees of freedom.

    Parameters
    ----------
    parts : sequence of Part
        Independent of each other.

    Returns
    -------
    Part

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2 and G.4.1, equation G.2b (Welch–Satterthwaite).
    """
    variance = sum(part.sd**2 for part in parts)
    # Shares rather than fourth powers: nothing under- or overflows.
    if variance == 0:
        return Part(0.0)
    lost = sum((part.sd**2 / variance) ** 2 / part.freedom for part in parts if math.isfinite(part.freedom))
    return Part(math.sqrt(variance), 1.0 / lost if lost > 0 else math.inf)


def propagated_sd(gradient: np.ndarray, covariance: np.ndarray) -> float:
    """Standard uncertainty of a figure whose parts go together.

    Parameters
    ----------
    gradient : ndarray, shape (n,)
        How the figure answers to each part.
    covariance : ndarray, shape (n, n)
        Of the parts.

    Returns
    -------
    float

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.2.2, equation 13.
    """
    return math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))


def coverage_factor(freedom: float, coverage: float = COVERAGE) -> float:
    """Student's t that covers this share of the distribution, the degrees of freedom not rounded.

    Parameters
    ----------
    freedom : float
        Above 0; infinity gives the normal distribution's.
    coverage : float
        Between 0 and 1.
    """
    return float(stdtrit(freedom, 0.5 + coverage / 2.0))


def estimate(value: float, parts: Sequence[Part]) -> Estimate:
    """A figure with its combined uncertainty and 95 % interval."""
    total = combine(parts)
    half = coverage_factor(total.freedom) * total.sd
    return Estimate(value, total.sd, value - half, value + half)
