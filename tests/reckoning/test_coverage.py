"""Whether 95 % of the intervals hold the truth, from flashes to figures (tests/benchmarks/coverage.py)."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
from scipy.stats import binom

# By its path: a well-known package has the same name.
_SPEC = importlib.util.spec_from_file_location(
    "interval_coverage", Path(__file__).parents[1] / "benchmarks" / "coverage.py"
)
assert _SPEC is not None and _SPEC.loader is not None
interval_coverage = sys.modules["interval_coverage"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(interval_coverage)
FIGURES, count = interval_coverage.FIGURES, interval_coverage.count


def fewest(of: int, share: float, chance: float) -> int:
    """So few intervals hold the truth by chance alone when a share of them should."""
    return int(binom.ppf(chance, of, share))


@pytest.mark.slow
def test_a_few_runs() -> None:
    """Eight runs cannot tell 93 from 97 %; they do tell an interval of a third of the width it should have: 49 %."""
    found = count(range(9000, 9008))
    for name in FIGURES:
        tally = found[name]
        assert tally.of >= 7, name
        # One failure of a sound figure in 10,000 tests.
        assert tally.held >= fewest(tally.of, 0.95, 1e-4), name


@pytest.mark.slow
def test_a_thousand_runs() -> None:
    """Each between 93 and 97 %."""
    found = count(range(1000))
    for name in ("low speed", "full", "starts", "full rpm", "scatter", "left-right, idle", "left-right, full"):
        tally = found[name]
        assert 0.93 <= tally.held / tally.of <= 0.97, (name, tally.held, tally.of)
