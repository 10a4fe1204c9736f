"""Feeler blades: singles before pairs, never past the present gap, never beyond the limits."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from timingcam.reckoning.blades import COMMON_BLADES_THOU, nearest_blade, stacks

GAPS = stacks(COMMON_BLADES_THOU)


def test_one_blade_is_taken_where_one_will_do() -> None:
    assert GAPS[10.0] == (10.0,)
    assert len(GAPS[27.0]) == 2 and sum(GAPS[27.0]) == 27.0
    assert max(GAPS) == 67.0  # 32 and 35


def test_nearest() -> None:
    assert nearest_blade(12.4, 8.0, (0.0, 99.0), GAPS) == 12.0
    assert nearest_blade(12.4, 8.0, (0.0, 11.0), GAPS) == 11.0
    assert nearest_blade(8.3, 8.0, (0.0, 99.0), GAPS) is None  # 9 is further off than the 8 in it now
    assert nearest_blade(1.0, 8.0, (7.5, 99.0), GAPS) is None


@given(st.floats(0, 80), st.floats(0, 80), st.floats(0, 40), st.floats(0, 40))
def test_a_blade_always_goes_the_wanted_way_and_helps(wanted: float, now: float, low: float, width: float) -> None:
    found = nearest_blade(wanted, now, (low, low + width), GAPS)
    if found is not None:
        assert (found > now) == (wanted > now) and found != now
        assert low <= found <= low + width
        assert abs(found - wanted) < abs(now - wanted)
