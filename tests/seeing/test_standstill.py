"""A rotor that stands still under a strobe of its own rate, and one that turns."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from timingcam.errors import CannotMeasure
from timingcam.seeing.light import FlashLight
from timingcam.seeing.standstill import refuse_standstill

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
