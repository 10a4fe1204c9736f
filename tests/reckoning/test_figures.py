"""Figures read off a fitted curve: the scatter's doubt where its interval ends at 0."""

from __future__ import annotations

import pytest

from timingcam.reckoning.figures import scatter_estimate

Z95 = 1.959964  # the normal distribution's, NIST/SEMATECH e-Handbook 1.3.6.7.1, from memory


def test_a_scatter_of_0_is_doubted_by_all_of_what_may_be() -> None:
    """The measurement's noise explains all: half of the interval would have the value at its middle."""
    found = scatter_estimate(-0.01, 0.05, 1e-4)
    assert (found.value, found.low) == (0.0, 0.0)
    assert found.sd == pytest.approx(found.high / Z95, rel=1e-5)


def test_a_scatter_whose_interval_is_whole_is_doubted_by_its_half() -> None:
    found = scatter_estimate(0.25, 0.01, 1e-3)
    assert found.value == pytest.approx(0.5) and 0.0 < found.low < 0.5 < found.high
    assert found.sd == pytest.approx((found.high - found.low) / 2 / Z95, rel=1e-5)


def test_errors_that_go_against_the_sparks_are_within_the_doubt_of_their_scatter() -> None:
    """Ten thousand sparks of 0.16 degrees, errors of 0.05 that go against them by half: the number of sparks says next
    to nothing of how far the scatter is off, and the errors say it."""
    sparks, own, together = 0.16, 0.05, -0.5
    seen_var = sparks**2 + own**2 + 2 * together * sparks * own
    found = scatter_estimate(seen_var - own**2, own**2, 2 * seen_var**2 / 10_000)
    assert found.value < sparks - 0.02
    assert abs(found.value - sparks) < 2.5 * found.sd and found.sd < 0.2 * sparks


def test_errors_much_smaller_than_the_scatter_add_no_doubt() -> None:
    none, small = scatter_estimate(0.04, 0.0, 1e-5), scatter_estimate(0.04, 0.01**2, 1e-5)
    assert small.sd == pytest.approx(none.sd, rel=0.1)
