"""Fixtures of the tests of what a person gets."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_measurement import make_measurement

from timingcam.reckoning.result import Measurement


@pytest.fixture(scope="session")
def measurement() -> Measurement:
    return make_measurement()
