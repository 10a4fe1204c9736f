"""Crank speed from wherever it is to be had."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import made_engine

from timingcam.errors import CannotUse
from timingcam.reckoning.speeds import speed_of
from timingcam.reckoning.tacho import FlashAngles

N = 60


def flashes(rpm: float = 3000.0) -> FlashAngles:
    """One spark in two turns."""
    return FlashAngles(np.arange(N) * 120 / rpm, np.full(N, 5e-6), np.full(N, 20.0), np.full(N, 0.1))


def test_from_the_flashes() -> None:
    speed, source = speed_of(flashes(), made_engine(), None, None)
    assert source == "flashes"
    assert speed.rpm == pytest.approx(3000.0, rel=1e-6)


def test_sparks_per_revolution_and_strokes_are_the_engine_s() -> None:
    engine = made_engine()
    every_turn = engine.model_copy(update={"crank": engine.crank.model_copy(update={"sparks_per_rev": 1.0})})
    speed, _ = speed_of(flashes(), every_turn, None, None)
    assert speed.rpm == pytest.approx(1500.0, rel=1e-6)


def test_given() -> None:
    speed, source = speed_of(flashes(), made_engine(), None, 2500)
    assert source == "given" and np.all(speed.rpm == 2500.0) and len(speed.rpm) == N


@pytest.mark.parametrize("as_path", [True, False])
def test_from_a_file(tmp_path: Path, as_path: bool) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time_s,rpm\n0,1000\n1,2000\n")
    speed, source = speed_of(flashes(), made_engine(), None, log if as_path else str(log))
    inside = flashes().time_s <= 1.0
    assert source == "file"
    assert speed.rpm[inside] == pytest.approx(1000 + 1000 * flashes().time_s[inside])
    assert np.isnan(speed.rpm[~inside]).all() and "outside" in speed.warnings[0]


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(CannotUse):
        speed_of(flashes(), made_engine(), None, tmp_path / "none.csv")
