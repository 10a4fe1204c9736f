"""The middle of two piston stops against hand arithmetic.

Source: arithmetic, done by hand for each row; the method (the middle of two equal stops is TDC) is common practice of
the trade, no source.
"""

from __future__ import annotations

import pytest

from timingcam.reckoning.stops import middle_of_stops

# (met forwards at, met backwards at, TDC at, held either side by), degrees on a disc in the running direction.
BY_HAND = [
    # Disc reads 335 forwards and 25 backwards: 335 up to 385 is blocked, its middle 360, half of it 25.
    (335.0, 25.0, 360.0, 25.0),
    # The disc was put on 2 degrees late: every reading 2 more, TDC reads 362 = 2.
    (337.0, 27.0, 362.0, 25.0),
    # 318.4 and 32.6: blocked 318.4 to 392.6, which is 74.2; middle 355.5.
    (318.4, 32.6, 355.5, 37.1),
    # Counted from elsewhere: 100 forwards, -220 backwards: blocked 100 to 140; middle 120.
    (100.0, -220.0, 120.0, 20.0),
]


@pytest.mark.parametrize(("forwards", "backwards", "tdc", "held"), BY_HAND)
def test_middle_by_hand(forwards: float, backwards: float, tdc: float, held: float) -> None:
    middle = middle_of_stops([(forwards, 0.0)], [(backwards, 0.0)])
    assert middle.tdc_deg == pytest.approx(tdc, abs=1e-9)
    assert middle.blocked_deg == pytest.approx(held, abs=1e-9)


def test_several_contacts_by_hand() -> None:
    # Forwards 335.1, 334.9, 335.0: mean 335; backwards 25.2, 24.8: mean 25; middle 360.
    middle = middle_of_stops([(335.1, 0.0), (334.9, 0.0), (335.0, 0.0)], [(25.2, 0.0), (24.8, 0.0)])
    assert middle.tdc_deg == pytest.approx(360.0, abs=1e-9)
