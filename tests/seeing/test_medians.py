"""The quick median."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from timingcam.seeing.medians import median


@given(hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(-1e6, 1e6)))
def test_as_numpy_has_it(values: np.ndarray) -> None:
    before = values.copy()
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-9)
    assert np.array_equal(values, before)
