"""The F test of a shift, against a certified analysis of variance.

Source: NIST Statistical Reference Datasets, analysis of variance, AtmWtAg (public domain; the copy in scipy's test
data, `scipy/stats/tests/data/nist_anova/AtmWtAg.dat`): atomic weight of silver by two instruments, 24 readings each.
Certified: F = 15.9467335677930 with 1 and 46 degrees of freedom. That p = 2.3268e-4 and the difference's interval
8.6355e-6 to 2.61895e-5 was computed with `scipy.stats.ttest_ind`.
"""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.reckoning.brokenline import Form, Points
from timingcam.reckoning.shape_tests import SHIFT, _Pair, _Solved, _test

# The last four digits after 107.868, which all readings share: the constant is subtracted first.
FIRST = (
    "1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486 "
    "1419 1569 1508 1672 1385 1518 1662 1424 1360 1333 1610 1477"
)
SECOND = (
    "1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448 "
    "1198 1482 1334 1609 1101 1512 1469 1360 1254 1261 1450 1368"
)


def points(text: str) -> Points:
    y = np.array([float(word) for word in text.split()])  # in units of 1e-7
    n = len(y)
    return Points(np.full(n, 3000.0), y, np.ones(n), np.zeros(n), np.zeros(n))


def test_shift_between_two_instruments() -> None:
    both = (points(FIRST), points(SECOND))
    # All at one speed, where the tilt is nought: two levels, as in the analysis of variance.
    form = Form((False,), tilt_prior_sd=3e-4, tilt_x0=3000.0)
    start = np.array([both[0].y.mean(), 0.0, both[1].y.mean(), 0.0])
    pair = _Pair(both, (np.ones(24), np.ones(24)), form, start, 48.0, 1e-4)
    found = _test(pair, SHIFT, _Solved.of(pair, frozenset()), _Solved.of(pair, frozenset({SHIFT})))
    assert found.residual_freedom == 46
    # Seven constant leading digits are gone with the subtraction; least squares by iteration to 1e-12 of the cost.
    assert found.f == pytest.approx(15.9467335677930, rel=1e-8)
    assert found.p == pytest.approx(2.3268e-4, rel=1e-4)  # as many digits as the figure has
    assert found.difference.value == pytest.approx(-174.125, rel=1e-6)
    assert -found.difference.high == pytest.approx(86.355, rel=1e-4)
    assert -found.difference.low == pytest.approx(261.895, rel=1e-4)
