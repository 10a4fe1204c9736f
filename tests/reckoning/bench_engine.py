"""Engines for the tests of the advice: built from a few choices, and moved as a hand would move them.

What a move does is worked out here anew, from where the trigger ends up, and not with the package's own formulas.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from timingcam.engine import Engine, engine_from_dict
from timingcam.reckoning.moves import Move
from timingcam.reckoning.result import Curve, Estimate

LOW_RPM, START_RPM, FULL_RPM, TOP_RPM = 1150.0, 2000.0, 3900.0, 8000.0
LOW_DEG, FULL_DEG = 7.0, 33.0
OTHER = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}


def turn(name: str, moves: list[str], shaft: str, shaft_turns: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "moves": moves,
        "kind": "turn",
        "shaft": shaft,
        "shaft_turns": shaft_turns,
        "advances": OTHER[shaft_turns],
        "rim_radius_mm": 48.0,
    } | more


def slide(name: str, moves: list[str], shaft: str, wider_gap: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "moves": moves,
        "kind": "slide",
        "shaft": shaft,
        "radius_mm": 16.0,
        "wider_gap": wider_gap,
        "gap_thou": 30.0,
    } | more


def gap(name: str, moves: list[str], wider_gap: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "moves": moves,
        "kind": "gap",
        "crank_deg_per_thou": 0.6,
        "wider_gap": wider_gap,
        "gap_thou": 15.0,
        "gap_range_thou": [12.0, 18.0],
    } | more


def engine(adjusters: list[dict[str, Any]], rotor_turns: str = "clockwise", **spec: Any) -> Engine:
    return engine_from_dict(
        {
            "format": 1,
            "name": "bench engine",
            "crank": {"strokes": 4, "sparks_per_rev": 0.5},
            "cylinder": [{"name": "left", "tdc_deg": 0.0}, {"name": "right", "tdc_deg": 360.0}],
            "rotor": {
                "turns": rotor_turns,
                "rim_diameter_mm": 100.0,
                "mark": [{"name": "F", "cylinder": ["left", "right"], "btdc_deg": LOW_DEG}],
            },
            "spec": {
                "curve": [[LOW_RPM, LOW_DEG], [START_RPM, LOW_DEG], [FULL_RPM, FULL_DEG], [TOP_RPM, FULL_DEG]],
                "tolerance_deg": 2.0,
            }
            | spec,
            "adjuster": adjusters,
        }
    )


def curve(low_deg: float | None, full_deg: float | None, random_sd: float = 0.1, common_sd: float = 0.15) -> Curve:
    """A measured curve whose figures are known as well as these sds say."""
    sd = math.hypot(random_sd, common_sd)
    rpm = np.linspace(LOW_RPM, 5500.0, 40)
    bottom = LOW_DEG if low_deg is None else low_deg
    top = FULL_DEG if full_deg is None else full_deg
    return Curve(
        low_speed_advance_deg=None if low_deg is None else figure(low_deg, sd),
        full_advance_deg=None if full_deg is None else figure(full_deg, sd),
        starts_rpm=None,
        full_rpm=None,
        slope_deg_per_1000rpm=None,
        scatter_deg=None,
        hysteresis_deg=None,
        grid_rpm=rpm,
        grid_advance_deg=np.interp(rpm, [LOW_RPM, START_RPM, FULL_RPM, TOP_RPM], [bottom, bottom, top, top]),
        grid_random_sd_deg=np.full(40, random_sd),
        grid_sd_deg=np.full(40, sd),
        fit="flat-rise-flat",
    )


def figure(value: float, sd: float) -> Estimate:
    return Estimate(value, sd, value - 1.96 * sd, value + 1.96 * sd)


def follow(data: dict[str, Any], move: Move, off: Callable[[], float] = lambda: 0.0) -> float:
    """Do what a move says with one's own hands, and give the crank degrees by which the spark comes earlier.

    Parameters
    ----------
    data : dict
        The adjuster as the engine file has it; its `gap_thou` is changed to the new gap.
    move : Move
    off : callable
        A hand's error, -1 to 1: of 0.15 mm at a rim, of half a thou in a gap.
    """
    crank_per_shaft = 2.0 if data.get("shaft") == "camshaft" else 1.0
    if move.kind == "turn":
        assert move.rim_mm is not None and move.direction is not None
        shaft_deg = math.degrees((move.rim_mm + 0.15 * off()) / data["rim_radius_mm"])
        # The trigger goes to meet the shaft when it is turned against it, and the spark then comes sooner.
        return crank_per_shaft * shaft_deg * (1 if move.direction != data["shaft_turns"] else -1)
    before = data["gap_thou"]
    assert move.blade is not None and (move.blade.to_thou > before) == (move.gap == "wider")
    data["gap_thou"] = move.blade.to_thou
    wider = move.blade.to_thou + 0.5 * off() - before
    sooner = 1 if data["wider_gap"] == "advances" else -1
    if move.kind == "gap":
        return sooner * data["crank_deg_per_thou"] * wider
    return sooner * crank_per_shaft * math.degrees(wider * 0.0254 / data["radius_mm"])
