"""The advice in words.

In:  `Moves`.
Out: sentences, the same for terminal, picture and JSON.
Not here: any layout.
"""

from __future__ import annotations

from timingcam.reckoning.aim import COVERAGE_95
from timingcam.reckoning.moves import Learned, Move, Outlook
from timingcam.reckoning.result import Estimate

MINUS = "−"


def step_sentence(move: Move) -> str:
    """What to do with one adjuster.

    Parameters
    ----------
    move : Move
        One that is to be moved.

    Returns
    -------
    str
        Always with the side from which its direction is seen.
    """
    if move.kind == "turn":
        sizes = [f"{move.rim_mm:.2f} mm at its rim"] if move.rim_mm is not None else []
        sizes += [f"{move.divisions:.2f} of its divisions"] if move.divisions is not None else []
        sizes += [f"{move.shaft_deg:.2f}° of the plate itself"]
        return f"Turn {move.adjuster} {move.direction}, facing {move.adjuster}, by {' = '.join(sizes)}."
    if move.blade is None:
        return f"Make the gap of {move.adjuster} {move.gap_change_thou:.1f} thou {move.gap}."
    blades = " and ".join(f"{blade:g}" for blade in move.blade.blades_thou)
    together = " thou together" if len(move.blade.blades_thou) > 1 else " thou"
    said = (
        f"Set the gap of {move.adjuster} with the feeler blade{'s' if len(move.blade.blades_thou) > 1 else ''} of "
        f"{blades}{together}: {move.gap_change_thou:.0f} thou {move.gap} than the {move.blade.from_thou:g} in it now"
    )
    exact = (
        f" (exactly right would be {move.blade.exact_thou:.1f}; {abs(move.blade.left_over_deg):.2f}° is left undone)."
    )
    return said + exact


def effect_sentence(move: Move) -> str:
    """What a step does to the timing, with its doubt.

    Parameters
    ----------
    move : Move

    Returns
    -------
    str
    """
    way = "earlier (more advance)" if move.change_deg > 0 else "later (less advance)"
    who = " and ".join(move.cylinders)
    return (
        f"That is {abs(move.change_deg):.1f} ± {COVERAGE_95 * move.sd_deg:.1f} crank degrees {way} for {who}; "
        f"a hand sets it to about ± {COVERAGE_95 * move.hand_sd_deg:.1f}."
    )


def leave_sentence(move: Move) -> str:
    """Why an adjuster stays where it is.

    Parameters
    ----------
    move : Move

    Returns
    -------
    str
    """
    return f"Leave {move.adjuster}: {move.leave}."


def outlook_sentence(outlook: Outlook) -> str:
    """What one cylinder should show afterwards.

    Parameters
    ----------
    outlook : Outlook

    Returns
    -------
    str
    """
    parts = []
    for name, now, after, aim in (
        ("low-speed advance", outlook.low_now, outlook.low_after, outlook.low_aim_deg),
        ("full advance", outlook.full_now, outlook.full_after, outlook.full_aim_deg),
    ):
        if now is None or after is None:
            parts.append(f"{name} not seen")
        else:
            parts.append(f"{name} {_deg(now.value)} now, {_estimate(after)} afterwards (aim {_deg(aim)})")
    return f"{outlook.cylinder}: {'; '.join(parts)}."


def learned_sentence(learned: Learned) -> str:
    """What one unit of an adjuster was found to do.

    Parameters
    ----------
    learned : Learned

    Returns
    -------
    str
    """
    one = {"divisions": "one division", "mm": "1 mm", "degrees": "1 degree", "thou": "1 thou"}[learned.unit]
    said = (
        f"{learned.adjuster}: {one} did {learned.deg_per_unit:.3g} ± {COVERAGE_95 * learned.sd_deg:.2g} crank degrees"
    )
    if learned.nominal_deg_per_unit is None:
        return said + "."
    return f"{said} on this engine; the engine file says {learned.nominal_deg_per_unit:.3g}."


def _deg(value: float) -> str:
    return f"{value:.1f}°".replace("-", MINUS)


def _estimate(estimate: Estimate) -> str:
    return f"{_deg(estimate.value)} ± {(estimate.high - estimate.low) / 2:.1f}"
