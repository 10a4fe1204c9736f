"""The fits against certified and published ones.

NIST StRD figures: National Institute of Standards and Technology, Statistical Reference Datasets (public domain).
Norris as distributed in scipy's own test data (Norris.dat); Misra1a and Ratkowsky3 (Rat43) as in stored copies of
NIST's files. Stagnant band height: Bacon & Watts, Biometrika 58 (1971) 525–534, data as in the BUGS examples, volume
2; its least-squares break was found alike by a dense scan, by pwlf and by piecewise-regression.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
import uncertainties
from scipy.optimize import least_squares

from timingcam.reckoning.brokenline import Form, Points, jacobian, line
from timingcam.reckoning.linefit import TOLERANCES, fit_line, weighted_fit

NORRIS_Y = """.1 338.8 118.1 888 9.2 228.1 668.5 998.5 449.1 778.9 559.2 .3 .1 778.1 668.8 339.3 448.9 10.8 557.7
228.3 998 888.8 119.6 .3 .6 557.6 339.3 888 998.5 778.9 10.2 117.6 228.9 668.4 449.2 .2"""
NORRIS_X = """.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777 558.2 .4 .6 775.5 666.9 338 447.5 11.6 556
228.1 995.8 887.6 120.2 .3 .3 556.8 339.1 887.2 999 779 11.1 118.3 229.2 669.1 448.9 .5"""
MISRA_Y = "10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47 81.78"
MISRA_X = "77.6 114.9 141.1 190.8 239.9 289 332.8 378.4 434.8 477.3 536.8 593.1 689.1 760"
RAT43_Y = "16.08 33.83 65.80 97.20 191.55 326.20 386.87 520.53 590.03 651.92 724.93 699.56 689.96 637.56 717.41"
STAGNANT_X = """-1.39 -1.39 -1.08 -1.08 -.94 -.80 -.63 -.63 -.25 -.25 -.12 -.12 .01 .11 .11 .11 .25 .25 .34 .34 .44
.59 .70 .70 .85 .85 .99 .99 1.19"""
STAGNANT_Y = """1.12 1.12 .99 1.03 .92 .90 .81 .83 .65 .67 .60 .59 .51 .44 .43 .43 .33 .30 .25 .24 .13 -.01 -.13
-.14 -.30 -.33 -.46 -.43 -.65"""


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=float)


def points(x: np.ndarray, y: np.ndarray) -> Points:
    zero = np.zeros(len(x))
    return Points(x, y, zero.copy(), zero.copy(), zero.copy())


def covariance(jac: np.ndarray, residual: np.ndarray) -> np.ndarray:
    """Of a least-squares fit: residual variance, with its own degrees of freedom, times the inverse normal matrix."""
    freedom = len(residual) - jac.shape[1]
    return np.linalg.inv(jac.T @ jac) * float(residual @ residual) / freedom


def test_norris_line() -> None:
    x, y = numbers(NORRIS_X), numbers(NORRIS_Y)
    form = Form((True,))  # level where x is 0, and slope
    theta = weighted_fit(points(x, y), form, np.zeros(2), np.ones(len(x)), 0.0)
    assert theta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    residual = y - line(form, theta, x)
    sd = np.sqrt(np.diag(covariance(jacobian(form, theta, x), residual)))
    assert sd == pytest.approx([0.232818234301152, 4.29796848199937e-4], rel=1e-9)
    assert np.sqrt(residual @ residual / 34) == pytest.approx(0.884796396144373, rel=1e-9)


def misra(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * (1 - np.exp(-b[1] * x))


def misra_slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return np.stack([1 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)], axis=1)


def rat43(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3])


# The solver with the settings of the package's own fits, from both of NIST's starts each.
@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_misra1a(start: tuple[float, ...]) -> None:
    x, y = numbers(MISRA_X), numbers(MISRA_Y)
    found = least_squares(
        lambda b: misra(b, x) - y, start, jac=lambda b: misra_slopes(b, x), x_scale="jac", **TOLERANCES
    )
    assert found.x == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-6)
    sd = np.sqrt(np.diag(covariance(found.jac, found.fun)))
    assert sd == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-5)
    assert np.sqrt(found.fun @ found.fun / 12) == pytest.approx(0.10187876330, rel=1e-5)


@pytest.mark.parametrize("start", [(100.0, 10.0, 1.0, 1.0), (700.0, 5.0, 0.75, 1.3)])
def test_rat43(start: tuple[float, ...]) -> None:
    x, y = np.arange(1.0, 16.0), numbers(RAT43_Y)
    found = least_squares(lambda b: rat43(b, x) - y, start, jac="3-point", x_scale="jac", **TOLERANCES)
    assert found.x == pytest.approx([699.64151270, 5.2771253025, 0.75962938329, 1.2792483859], rel=1e-6)
    # 15 points less 4 parameters: 11 degrees of freedom, as the certified sds use.
    sd = np.sqrt(np.diag(covariance(found.jac, found.fun)))
    assert sd == pytest.approx([16.302297817, 2.0828735829, 0.19566123451, 0.68761936385], rel=1e-5)
    assert found.fun @ found.fun == pytest.approx(8786.4049080, rel=1e-6)


def test_break_of_the_stagnant_band() -> None:
    x, y = numbers(STAGNANT_X), numbers(STAGNANT_Y)
    band = points(x, y)
    form = Form((True, True))
    searched = fit_line(band, form, 0.1).theta  # the search over corners, robust; then plain least squares from there
    theta = weighted_fit(band, form, searched, np.ones(len(x)), 0.1)
    height, before, after, corner = theta
    assert corner == pytest.approx(0.035912, abs=1e-4)
    assert (before, after) == pytest.approx((-0.422077, -1.016593), rel=1e-4)
    assert height == pytest.approx(0.529503, abs=1e-4)
    residual = y - line(form, theta, x)
    assert residual @ residual == pytest.approx(0.00938136, rel=1e-4)
    sd = np.sqrt(np.diag(covariance(jacobian(form, theta, x), residual)))
    assert sd[3] == pytest.approx(0.0219, rel=0.15)  # routes to a corner's sd differ by so much among themselves


def test_robust_fit_by_a_second_opinion() -> None:
    """statsmodels' M-estimate with the same biweight, on a line with a tenth of the points gone astray."""
    rng = np.random.default_rng(5)
    x = rng.uniform(0, 10, 400)
    y = 3.0 + 0.7 * x + 0.4 * rng.standard_normal(400)
    y[:40] += rng.uniform(3, 9, 40)
    ours = fit_line(points(x, y), Form((True,)), 0.1)
    theirs = sm.RLM(y, sm.add_constant(x), M=sm.robust.norms.TukeyBiweight(c=6.0)).fit()
    # Both judge the scale of the noise in their own way, which moves the weights a little: a tenth of an sd is nothing.
    assert np.all(np.abs(ours.theta - theirs.params) < 0.1 * theirs.bse)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=0.15)
    assert not ours.used[:40].all()
    # Not robust, the stray points would have it: plain least squares is off by several sds.
    plain = weighted_fit(points(x, y), Form((True,)), np.zeros(2), np.ones(400), 0.1)
    assert abs(plain[0] - 3.0) > 3 * theirs.bse[0]


def test_band_by_a_second_opinion() -> None:
    """The `uncertainties` package propagates the same covariance to points of the line."""
    rng = np.random.default_rng(8)
    x = rng.uniform(1000, 6000, 300)
    form = Form((False, True, False))
    y = 10 + 22 * np.clip((x - 1700) / 1700, 0, 1) + 0.5 * rng.standard_normal(300)
    fit = fit_line(points(x, y), form, 100.0)
    level, slope, first, last = uncertainties.correlated_values(fit.theta, fit.covariance)
    for rpm, theirs in (
        (1200.0, level),
        (2500.0, level + slope * (2500.0 - first)),
        (5000.0, level + slope * (last - first)),
    ):
        gradient = jacobian(form, fit.theta, np.array([rpm]))[0]
        assert line(form, fit.theta, np.array([rpm]))[0] == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert np.sqrt(gradient @ fit.covariance @ gradient) == pytest.approx(theirs.std_dev, rel=1e-9)
