"""Speeds and times that follow from definitions: 360 degrees a turn, 60 s a minute.

A check against arithmetic done on paper, not against a source.
"""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.reckoning.budget import DEG_PER_S_PER_RPM
from timingcam.reckoning.tacho import FlashAngles, crank_speed


@pytest.mark.parametrize(("rpm", "us"), [(1000, 166.667), (3000, 55.556), (6000, 27.778), (9000, 18.519)])
def test_time_of_one_crank_degree(rpm: float, us: float) -> None:
    assert 1e6 / (DEG_PER_S_PER_RPM * rpm) == pytest.approx(us, abs=1e-3)


def flashes(rate_hz: float, n: int = 60, seen_deg: np.ndarray | float = 20.0) -> FlashAngles:
    time_s = np.arange(n) / rate_hz
    return FlashAngles(time_s, np.full(n, 1e-6), np.broadcast_to(seen_deg, (n,)).astype(float), np.full(n, 0.01))


@pytest.mark.parametrize("rpm", [1000.0, 3000.0, 6000.0])
def test_flashes_a_second(rpm: float) -> None:
    """One spark in two turns: rpm/120 flashes a second; one a turn: rpm/60."""
    assert crank_speed(flashes(rpm / 120), 0.5).rpm == pytest.approx(rpm, rel=1e-6)
    assert crank_speed(flashes(rpm / 60), 1.0).rpm == pytest.approx(rpm, rel=1e-6)


def test_advance_that_moves_is_no_change_of_speed() -> None:
    """3000 rpm exactly, the advance growing by 0.3 degrees a spark: sparks come 719.7 degrees apart.

    Flashes alone would say 3001.25 rpm; with the marks' angle it is 3000.
    """
    n = 60
    time_s = np.arange(n) * 719.7 / (6 * 3000.0)
    seen = 10 + 0.3 * np.arange(n)
    found = crank_speed(FlashAngles(time_s, np.full(n, 1e-6), seen, np.full(n, 0.01)), 0.5)
    assert found.rpm == pytest.approx(3000.0, rel=1e-6)
    assert 120 / np.diff(time_s).mean() == pytest.approx(3001.25, abs=0.01)
