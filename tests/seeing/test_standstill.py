"""A rotor that stands still under a strobe of its own rate, and one that turns."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from timingcam.errors import CannotMeasure
from timingcam.seeing.light import FlashLight
from timingcam.seeing.readout import NOT_RECOGNISED
from timingcam.seeing.standstill import (
    refuse_hardly_recognised,
    refuse_one_angle,
    refuse_seldom_recognised,
    refuse_standstill,
)

if TYPE_CHECKING:
    from seeing_journey import Journey


def at_one_angle(journey: Journey, noise_deg: float) -> tuple[object, float]:
    """The turns as if every flash had shown what the view's reference does, and that angle."""
    lit = max(journey.lit, key=lambda one: one.last - one.first)
    deg = float(journey.turns.turn_deg[lit.flash])
    noise = np.random.default_rng(1).standard_normal(len(journey.flashes))
    turn_deg = np.where(np.isfinite(journey.turns.turn_deg), deg + noise_deg * noise, np.nan)
    return replace(journey.turns, turn_deg=turn_deg, turn_sd_deg=np.full(len(turn_deg), 0.05)), deg


def light_of_flash(journey: Journey) -> FlashLight:
    """As if the place's own light showed the rotor as the widest flash does."""
    lit = max(journey.lit, key=lambda one: one.last - one.first)
    picture = journey.light.picture(lit.luma, lit.rows) ** 2
    return replace(journey.light, ambient=np.where(picture > 0, picture, 1e-4).astype(np.float32))


def even(journey: Journey) -> object:
    times = np.arange(len(journey.flashes)) * 0.05
    return replace(journey.flashes, time_s=times)


def test_it_is_refused(journey: Journey) -> None:
    turns, _ = at_one_angle(journey, 0.03)
    with pytest.raises(CannotMeasure, match="stands still"):
        refuse_standstill(journey.view, turns, even(journey), light_of_flash(journey))  # type: ignore[arg-type]


@pytest.mark.parametrize("what", ["it turns", "flashes of an engine", "a blur by the place's light", "a dark place"])
def test_it_is_not_refused(journey: Journey, what: str) -> None:
    turns, flashes, light = at_one_angle(journey, 0.03)[0], even(journey), light_of_flash(journey)
    if what == "it turns":
        turns = at_one_angle(journey, 0.5)[0]
    elif what == "flashes of an engine":
        wander = np.cumsum(1 + 0.01 * np.random.default_rng(2).standard_normal(len(journey.flashes)))
        flashes = replace(flashes, time_s=0.05 * wander)  # type: ignore[type-var]
    elif what == "a blur by the place's light":
        light = journey.light
    else:
        light = replace(light, ambient=None)
    refuse_standstill(journey.view, turns, flashes, light)  # type: ignore[arg-type]


def recognised(journey: Journey, spread_deg: float, slow_share: float) -> tuple[object, object]:
    """Turns as if a share of the flashes below the middle of the speeds were read, and all of those above it."""
    n = len(journey.flashes)
    rate_hz = np.geomspace(10.0, 40.0, n)
    rng = np.random.default_rng(4)
    read = (rate_hz > 20.0) | (rng.permutation(n) < slow_share * n)
    turn_deg = np.where(read, 5.0 + spread_deg * rng.uniform(-0.5, 0.5, n), np.nan)
    reasons = tuple("" if one else NOT_RECOGNISED for one in read)
    times = np.concatenate([[0.0], np.cumsum(1.0 / rate_hz)[:-1]])
    turns = replace(journey.turns, turn_deg=turn_deg, reason=reasons)
    return turns, replace(journey.flashes, time_s=times)


def test_a_rotor_recognised_at_one_angle_and_hardly_at_other_speeds_is_refused(journey: Journey) -> None:
    with pytest.raises(CannotMeasure, match="recognised at one angle only"):
        refuse_one_angle(*recognised(journey, 1.0, 0.05))  # type: ignore[arg-type]


@pytest.mark.parametrize(("spread_deg", "slow_share"), [(1.0, 0.9), (12.0, 0.05)], ids=["it sticks", "it moves"])
def test_an_advancer_that_sticks_is_recognised_at_all_speeds(
    journey: Journey, spread_deg: float, slow_share: float
) -> None:
    refuse_one_angle(*recognised(journey, spread_deg, slow_share))  # type: ignore[arg-type]


def test_flashes_that_lit_nothing_of_the_rotor_say_nothing(journey: Journey) -> None:
    turns, flashes = recognised(journey, 1.0, 0.05)
    dark = tuple("too little of the rotor is lit" if reason else "" for reason in turns.reason)  # type: ignore[attr-defined]
    refuse_one_angle(replace(turns, reason=dark), flashes)  # type: ignore[type-var,arg-type]


@pytest.mark.parametrize(("n_read", "refused"), [(20, True), (60, False)])
def test_a_rotor_that_few_flashes_show_is_refused(journey: Journey, n_read: int, refused: bool) -> None:
    """Of sixty flashes that are lit and of more that are not, which say nothing."""
    turns = journey.turns
    n, lit = len(turns.turn_deg), 63
    assert n > lit
    read = np.arange(n) < n_read
    reasons = ["" if k < n_read else NOT_RECOGNISED if k < lit else "no row is lit in full" for k in range(n)]
    few = replace(turns, turn_deg=np.where(read, 5.0 * np.arange(n) / n, np.nan), reason=tuple(reasons))
    if not refused:
        refuse_seldom_recognised(few)
        return
    with pytest.raises(CannotMeasure, match=f"recognised in {n_read} of {lit} flashes"):
        refuse_hardly_recognised(few, journey.flashes)
