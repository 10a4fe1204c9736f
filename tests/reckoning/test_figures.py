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
