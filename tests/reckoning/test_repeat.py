"""Several measurements of one setting."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

from timingcam.errors import CannotUse
from timingcam.reckoning.repeat import repeat
from timingcam.reckoning.result import Estimate, Measurement
from timingcam.reckoning.shared_doubt import MARKS_OWN


@pytest.fixture(scope="module")
def one() -> Measurement:
    return make_measurement()


def moved(one: Measurement, low: float, starts: float = 0.0) -> Measurement:
    """The same with other figures."""

    def by(figure: Estimate | None, step: float) -> Estimate:
        assert figure is not None
        return Estimate(figure.value + step, figure.sd, figure.low + step, figure.high + step)

    curve = replace(
        one.curve,
        low_speed_advance_deg=by(one.curve.low_speed_advance_deg, low),
        starts_rpm=by(one.curve.starts_rpm, starts),
    )
    return replace(one, curve=curve)


def outcomes(results: list[Measurement]) -> dict[str, str]:
    return {figure.figure: figure.outcome for figure in repeat(results).figures}


def test_what_fits(one: Measurement) -> None:
    sd = one.curve.low_speed_advance_deg.sd / 2
    found = repeat([moved(one, -sd / 2), moved(one, sd / 2)])
    assert {figure.outcome for figure in found.figures} == {"fits"}
    assert "agree within" in found.finding


def test_what_does_not_fit_is_named(one: Measurement) -> None:
    step = 8 * one.curve.starts_rpm.sd
    results = [moved(one, 0.0), moved(one, 0.0, step), moved(one, 0.0, -step)]
    assert outcomes(results)["starts_rpm"] == "spreads more"
    assert "start of the rise" in repeat(results).finding


def test_same_values_over_and_over_are_too_good(one: Measurement) -> None:
    assert outcomes([one] * 8)["starts_rpm"] == "spreads less"


def test_what_the_marks_share_excuses_no_difference(one: Measurement) -> None:
    """A mark's own error is the same in every clip: a difference must be judged without it."""
    own = next(row.effect_deg for row in one.budget if row.source == MARKS_OWN)
    figure = next(f for f in repeat([one, one]).figures if f.figure == "low_speed_advance_deg")
    whole = one.curve.low_speed_advance_deg.sd
    assert figure.sds[0] == pytest.approx(np.sqrt(max(whole**2 - own**2, (whole / 3) ** 2)))
    assert figure.sds[0] < whole


def test_chance_is_evenly_spread_where_all_is_well(one: Measurement) -> None:
    rng = np.random.default_rng(1)
    sd = one.curve.starts_rpm.sd
    chances = []
    for _ in range(200):
        found = repeat([moved(one, 0.0, sd * rng.standard_normal()) for _ in range(4)])
        chances.append(next(f.chance for f in found.figures if f.figure == "starts_rpm"))
    # Of 200 even chances 10 ± 3 lie below 0.05 and 100 ± 7 below a half; three sds.
    assert np.sum(np.array(chances) < 0.05) <= 19
    assert abs(np.sum(np.array(chances) < 0.5) - 100) < 22


def test_what_cannot_be_held_together(one: Measurement) -> None:
    with pytest.raises(CannotUse, match="1 result"):
        repeat([one])
    with pytest.raises(CannotUse, match="cylinders left, right"):
        repeat([one, replace(one, cylinder="right" if one.cylinder == "left" else "left")])
