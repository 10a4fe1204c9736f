"""What a part of the rotor usually shows, over all speeds; and speeds that nobody filmed."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn
from timingcam.seeing.by_speed import bright_of, by_speed, refuse_gap, usual_over
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.shift import no_shift
from timingcam.seeing.stack import Stack

SIZE = (60, 120)  # height, width
TABLE = np.linspace(0, 1, 256).astype(np.float32) ** 2  # whose root is the code itself


def stack(place: list[int], rate_hz: list[float]) -> Stack:
    """Grey pictures with a bright bar, ten pixels wide, at some column each."""
    lit, shifts = [], []
    for k, (column, rate) in enumerate(zip(place, rate_hz, strict=True)):
        luma = np.full(SIZE, 100, np.uint8)
        luma[:, column : column + 10] = 200
        lit.append(LitPicture(luma, k, k, 0, SIZE[0] - 1, rate))
        shifts.append(no_shift(np.array([60.0, 30.0])))
    return Stack(FlashLight(TABLE, np.sqrt(TABLE), None), lit, shifts)


def test_a_mark_that_stood_for_long_is_not_what_is_usual() -> None:
    """Forty flashes at idle, twelve on the way up: the mean shows the mark at idle, the median over speeds nowhere."""
    rates = [11.0 + 0.01 * k for k in range(40)] + np.geomspace(12.0, 40.0, 12).tolist()
    places = [20] * 40 + np.linspace(25, 105, 12).round().astype(int).tolist()
    seen = stack(places, rates)
    mean = np.mean([np.sqrt(TABLE)[p.luma] for p in seen.lit], axis=0).astype(np.float32)
    usual = usual_over(seen, seen.rate_hz, mean, np.ones(SIZE, bool))
    grey = np.sqrt(TABLE)[100]
    assert mean[30, 24] > 1.5 * grey
    assert np.abs(usual - grey).max() < 1e-6


def test_in_the_order_of_speed() -> None:
    ordered, rate_hz = by_speed(stack([10, 20, 30], [30.0, 10.0, 20.0]))
    assert rate_hz.tolist() == [10.0, 20.0, 30.0]
    assert [lit.flash for lit in ordered.lit] == [1, 2, 0]


def found(deg: float) -> Turn:
    return Turn(deg, 0.1, 1.0, 0.1, 1.0, 1.0)


def test_a_step_of_speed_that_nothing_bridges() -> None:
    rate_hz = np.array([11.0, 12.0, 20.0, 22.0])
    with pytest.raises(CannotMeasure, match=r"12\.0 and 20\.0 times a second"):
        refuse_gap(rate_hz, [None, None, found(3.0), found(4.0)])
    refuse_gap(rate_hz, [found(0.0), found(0.5), found(3.0), found(4.0)])  # bridged
    refuse_gap(rate_hz[2:], [found(3.0), None])  # no such step


def test_a_mark_that_stood_over_half_of_the_speeds_is_not_what_is_usual() -> None:
    """Full advance is reached at a third of the speed: where only speed changes, few pictures count."""
    rates = [*np.geomspace(10.0, 14.0, 10), *np.geomspace(14.5, 42.0, 40)]
    places = [*np.linspace(10, 90, 10).round().astype(int).tolist(), *[105] * 40]
    seen = stack(places, [float(rate) for rate in rates])
    mean = np.mean([np.sqrt(TABLE)[p.luma] for p in seen.lit], axis=0).astype(np.float32)
    usual = usual_over(seen, seen.rate_hz, mean, np.ones(SIZE, bool))
    assert np.abs(usual - np.sqrt(TABLE)[100]).max() < 1e-6


def test_a_gap_beside_the_rotor_is_not_the_rotor() -> None:
    usual = np.full(SIZE, 0.5, np.float32)
    usual[:, :20] = 0.05
    usual[:, 60:64] = 0.3  # in the shade, and still the rotor
    shows = np.ones(SIZE, bool)
    shows[:, 110:] = False
    bright = bright_of(shows, usual)
    assert not bright[:, :20].any() and not bright[:, 110:].any()
    assert bright[:, 25:105].all()
