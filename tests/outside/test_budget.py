"""Uncertainties put together, against the GUM and what is computed from geometry.

GUM: JCGM 100:2008, Evaluation of measurement data; examples H.1, H.2 and H.3 as worked in GTC (Measurement
Standards Laboratory of New Zealand, examples/GUM_H1.py, GUM_H3.py, API/GUM_H2). Student's t: NIST Technical Note 1297,
table B.1. Parallax, tilt and delay: computed from the geometry, by projection of the points.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from timingcam.reckoning.brokenline import Form, Points, jacobian, line
from timingcam.reckoning.budget import Sources, budget, shift_sd_deg
from timingcam.reckoning.gum import Part, combine, coverage_factor, estimate, propagated_sd
from timingcam.reckoning.linefit import weighted_fit

NOTHING = Sources(
    angle_sd_deg=0, index_sd_deg=0, mark_sd_deg=0, mark_own_sd_deg=0, tilt_deg=0, tilt_sd_deg=0, index_above_sd_mm=0,
    sight_deg=0, index_radius_mm=0, centre_sd=0, flash_length_s=0, delay_sd_s=0, time_sd_s=0, rpm_sd=0, rpm_rel_sd=0,
    rpm=3000, slope_deg_per_1000rpm=0,
)  # fmt: skip
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def effect(sources: Sources, source: str) -> float:
    return next(row.effect_deg for row in budget(sources) if row.source == source)


def test_gum_h1_end_gauge() -> None:
    parts = [Part(25, 18), Part(5.8, 24), Part(3.9, 5), Part(6.7, 8), Part(2.9, 50), Part(16.6, 2)]  # nm
    total = combine(parts)
    assert total.sd == pytest.approx(32, abs=0.5)
    assert math.floor(total.freedom) == 16
    assert coverage_factor(16) == pytest.approx(2.12, abs=0.005)
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(16, 0.99) * round(total.sd) == pytest.approx(93, abs=0.5)  # the GUM rounds u to 32 first


@pytest.mark.parametrize(
    ("freedom", "k"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (100, 1.984)],
)
def test_coverage_factors(freedom: int, k: float) -> None:
    assert coverage_factor(freedom) == pytest.approx(k, abs=0.005)


def test_coverage_factor_of_the_normal_distribution() -> None:
    assert coverage_factor(math.inf) == pytest.approx(1.95996, abs=1e-5)
    assert coverage_factor(math.inf, 0.9545) == pytest.approx(2.0, abs=1e-3)


# JCGM 100:2008, H.2: potential difference (V), current (A) and phase (rad), five sets of simultaneous readings.
H2 = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)


def h2() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Means, their covariance, resistance, reactance and impedance (ohm), and the slopes of these by the means."""
    v, i, phi = mean = H2.mean(axis=1)
    z, r, x = v / i, v / i * math.cos(phi), v / i * math.sin(phi)
    slopes = np.array([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]])
    return mean, np.cov(H2) / 5, np.array([r, x, z]), slopes


def test_gum_h2_quantities_measured_together() -> None:
    """The inputs' means and sds as the GUM has them (table H.2); results as in table H.3; correlations from memory."""
    mean, cov, found, slopes = h2()
    assert mean == pytest.approx([4.9990, 19.6610e-3, 1.04446], abs=1e-9)
    sd = np.sqrt(np.diag(cov))
    assert sd == pytest.approx([0.0032, 0.0095e-3, 0.00075], rel=0.01)
    assert cov[0, 1] / sd[0] / sd[1] == pytest.approx(-0.36, abs=0.006)
    assert cov[0, 2] / sd[0] / sd[2] == pytest.approx(0.86, abs=0.006)
    assert cov[1, 2] / sd[1] / sd[2] == pytest.approx(-0.65, abs=0.006)
    assert found == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    own = [propagated_sd(slope, cov) for slope in slopes]
    assert own == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    both = slopes @ cov @ slopes.T
    assert both[0, 1] / own[0] / own[1] == pytest.approx(-0.588, abs=1e-3)
    assert both[0, 2] / own[0] / own[2] == pytest.approx(-0.485, abs=1e-3)
    assert both[1, 2] / own[1] / own[2] == pytest.approx(0.993, abs=1e-3)


def test_gum_h2_needs_the_correlations() -> None:
    _, cov, _, slopes = h2()
    assert propagated_sd(slopes[0], np.diag(np.diag(cov))) == pytest.approx(0.19, abs=0.01)  # instead of 0.071


def test_gum_h2_by_a_second_opinion() -> None:
    """The `uncertainties` package on the same means and covariance."""
    mean, cov, _, slopes = h2()
    v, i, phi = uncertainties.correlated_values(mean, cov)
    for theirs, slope in zip((v / i * umath.cos(phi), v / i * umath.sin(phi), v / i), slopes, strict=True):
        assert propagated_sd(slope, cov) == pytest.approx(theirs.std_dev, rel=1e-9)


def h3() -> tuple[Form, np.ndarray, np.ndarray]:
    """Line over temperature less 20 °C, and its covariance."""
    t, b = np.array(H3_T), np.array(H3_B)
    zero = np.zeros(len(t))
    form = Form((True,), tilt_x0=20.0)
    theta = weighted_fit(Points(t, b, zero.copy(), zero.copy(), zero.copy()), form, np.zeros(2), np.ones(len(t)), 0.0)
    jac = jacobian(form, theta, t)
    residual = b - line(form, theta, t)
    return form, theta, np.linalg.inv(jac.T @ jac) * float(residual @ residual) / (len(t) - 2)


def test_gum_h3_line() -> None:
    _, theta, cov = h3()
    assert theta == pytest.approx([-0.171204, 0.0021827], abs=1e-6)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert cov[0, 1] / math.sqrt(cov[0, 0] * cov[1, 1]) == pytest.approx(-0.930, abs=1e-3)


def test_gum_h3_prediction_needs_the_covariance() -> None:
    form, theta, cov = h3()
    at = np.array([30.0])
    gradient = jacobian(form, theta, at)[0]
    assert line(form, theta, at)[0] == pytest.approx(-0.1494, abs=1e-4)
    assert math.sqrt(gradient @ cov @ gradient) == pytest.approx(0.0041, abs=1e-4)
    without = math.sqrt(gradient @ np.diag(np.diag(cov)) @ gradient)
    assert without == pytest.approx(0.0073, abs=1e-4)  # what leaving the covariance out would give


def test_gum_h3_common_error_does_not_average_out() -> None:
    _, _, cov = h3()
    assert combine([Part(math.sqrt(cov[0, 0])), Part(0.005)]).sd == pytest.approx(0.00577, abs=1e-5)
    few, many = (combine([Part(0.5 / math.sqrt(n)), Part(0.3)]).sd for n in (10, 10_000))
    assert few > many > 0.3


def test_interval_is_the_coverage_factor_wide() -> None:
    found = estimate(10.0, [Part(0.3, 5)])
    assert (found.high - found.low) / 2 == pytest.approx(2.5706 * 0.3, rel=1e-4)


@pytest.mark.parametrize(
    ("height_mm", "sight_deg", "expected_deg"),
    [(1, 5, 0.091), (1, 10, 0.184), (1, 20, 0.379), (3, 5, 0.273), (3, 10, 0.551), (3, 20, 1.137), (5, 5, 0.456),
     (5, 10, 0.918), (5, 20, 1.895)],
)  # fmt: skip
def test_parallax_of_the_index(height_mm: float, sight_deg: float, expected_deg: float) -> None:
    sources = replace(NOTHING, index_above_sd_mm=height_mm, sight_deg=sight_deg, index_radius_mm=55.0)
    assert effect(sources, "height of the index") == pytest.approx(expected_deg, abs=1e-3)


@pytest.mark.parametrize("tilt_deg", [5.0, 10.0, 20.0])
def test_tilt_is_no_less_than_the_worst_angle_allows(tilt_deg: float) -> None:
    """Largest error of one angle about the true centre: asin((1 − cos t)/(1 + cos t)); its slope bounds the effect."""

    def worst(t_deg: float) -> float:
        t = math.radians(t_deg)
        return math.degrees(math.asin((1 - math.cos(t)) / (1 + math.cos(t))))

    assert worst(tilt_deg) == pytest.approx({5.0: 0.109, 10.0: 0.439, 20.0: 1.782}[tilt_deg], abs=5e-4)
    change = worst(tilt_deg + 0.5) - worst(tilt_deg - 0.5)
    ours = effect(replace(NOTHING, tilt_deg=tilt_deg, tilt_sd_deg=1.0), "tilt of the camera")
    # An angle somewhere on the rim: the rms over it is the largest over the square root of two. The small-angle form
    # φ²/4 is 2 % off at 20°.
    assert ours == pytest.approx(change / math.sqrt(2), rel=0.05)


@pytest.mark.parametrize(("rpm", "late_deg"), [(1000, 0.3), (3000, 0.9), (6000, 1.8), (9000, 2.7)])
def test_fifty_microseconds_of_delay(rpm: float, late_deg: float) -> None:
    sources = replace(NOTHING, rpm=rpm, delay_sd_s=50e-6)
    assert effect(sources, "delay of the strobe") == pytest.approx(late_deg, rel=1e-12)
    assert shift_sd_deg(budget(sources)) == 0.0  # grows with speed: no shift


def test_u_shaped_and_rectangular_doubts() -> None:
    """GUM 4.3.7: evenly spread over ±a is a/√3; the index's unknown height, 0 to 5 mm, is such a one."""
    from timingcam.reckoning.budget import INDEX_ABOVE_SD_MM

    assert pytest.approx(2.5 / math.sqrt(3), rel=1e-12) == INDEX_ABOVE_SD_MM
