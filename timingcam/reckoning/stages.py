"""Whether readings ask for an advancer whose rise has two stages.

In:  points; the line with one rise that fits them best.
Out: how far the line with a rise in two stages lies from it, where the points clearly ask for that one.
Not here: what is given instead (`monotone.py`).

Few flashes between two held speeds leave a robust fit of one rise content: what lies on the other stage is stray to it,
or makes it take the noise for larger. So the other line is fitted, too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from timingcam.reckoning.brokenline import Form, Points, line
from timingcam.reckoning.linefit import Fit, fit_line

# Our choice, of the Schwarz criterion: more than one stray reading, which counts 36 at most, and chance can make.
CLEARLY_TWO = 50.0
FAR_SDS = 6.0  # a reading further off than this counts no more than any other that far off
LEAST_APART_DEG = 0.5  # our choice: less than a tolerance; corners rounded by as much stay corners
LEAST_READINGS = 2  # our choice: that a stage must hold
EVENLY = 200  # speeds at which the lines are held against each other


def second_stage_deg(points: Points, fit: Fit, part_rpm: float) -> float:
    """How far apart two stages and one rise lie, root mean square over the speeds; 0 where one rise will do.

    Parameters
    ----------
    points : Points
    fit : Fit
        Of the line with one rise, with whatever nuisances the clip allows.
    part_rpm : float
        No part of a line is shorter.

    Returns
    -------
    float
        Degrees.
    """
    if not any(fit.form.slopes) or _most_to_gain(points, fit) < CLEARLY_TWO:
        return 0.0
    fits = [two for form in _forms(fit.form) if (two := _fitted(points, form, part_rpm)) is not None]
    if not fits:
        return 0.0
    # Of a sticking advancer a flat may only be seen once its lag is taken out: that is no second stage.
    ones = [fit, *filter(None, [_fitted(points, replace(fit.form, slopes=(False, True, False)), part_rpm)])]
    quietest = _quietest([*ones, *fits])
    one, two = (min(some, key=lambda each: _criterion(each, quietest)) for some in (ones, fits))
    if _criterion(one, quietest) - _criterion(two, quietest) < CLEARLY_TWO:
        return 0.0
    x = np.linspace(points.x.min(), points.x.max(), EVENLY)
    off = line(fit.form, fit.theta, x) - line(two.form, two.theta, x)
    apart = float(np.sqrt(np.mean(off**2)))
    return apart if apart > LEAST_APART_DEG else 0.0


def _most_to_gain(points: Points, fit: Fit) -> float:
    """How much less than one rise any line could leave: no less than neighbours in speed differ by.

    By the median, which a few wide gaps on a rise do not move; of a normal variable's square it is 0.455 of the mean.
    """
    apart = np.diff(fit.residual[np.argsort(points.x, kind="stable")])
    own = max(float(np.median(apart**2)) / (2.0 * 0.455), 1e-12)
    return float(np.sum(np.minimum(fit.residual**2 / own, FAR_SDS**2)) - len(fit.residual))


def _forms(form: Form) -> list[Form]:
    """The same flats with two rises between them, and flats at both ends."""
    at = form.slopes.index(True)
    split = (*form.slopes[:at], True, *form.slopes[at:])
    return [replace(form, slopes=slopes) for slopes in dict.fromkeys([split, (False, True, True, False)])]


def _fitted(points: Points, form: Form, part_rpm: float) -> Fit | None:
    """The line, where the points carry it: each part long enough, each stage rising and held."""
    if np.ptp(points.x) < (form.corners + 2) * part_rpm or len(points.x) <= form.size + LEAST_READINGS:
        return None
    fit = fit_line(points, form, part_rpm)
    parts = fit.form.split(fit.theta)
    edges = np.concatenate([[points.x.min()], parts.corners, [points.x.max()]])
    if np.any(np.diff(edges) < part_rpm) or np.any(parts.slopes < 0):
        return None
    on = fit.used & (np.abs(fit.residual) < FAR_SDS * fit.sd)
    held = np.histogram(points.x[on], edges)[0]
    stages = np.array(form.slopes)
    return fit if held[stages].min() >= LEAST_READINGS else None


def _quietest(fits: list[Fit]) -> Fit:
    return min(fits, key=lambda fit: float(np.median(fit.sd)))


def _criterion(fit: Fit, quietest: Fit) -> float:
    """Schwarz' criterion in units of the noise of the best fit, thinned for what goes together in time about that one:
    about a line that does not fit, everything goes together."""
    square = np.minimum((fit.residual / float(np.median(quietest.sd))) ** 2, FAR_SDS**2)
    count = len(fit.residual) / quietest.inflation
    return float(np.sum(square)) / quietest.inflation + fit.form.size * float(np.log(count))
