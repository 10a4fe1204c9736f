"""Several measurements of one setting: do they differ by more than they say they may?

In:  two or more `Measurement`s of the same cylinder, nothing having been moved on the engine between them.
Out: `Repeat`, for every figure the mean, the spread and whether it fits the stated uncertainties.
Not here: left against right, before against after (`compare.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Curve, Estimate, Measurement
from timingcam.reckoning.shared_doubt import shared_by

Outcome = Literal["fits", "spreads more", "spreads less"]

FIGURES: tuple[tuple[str, str], ...] = (
    ("low_speed_advance_deg", "deg"),
    ("full_advance_deg", "deg"),
    ("starts_rpm", "1/min"),
    ("full_rpm", "1/min"),
    ("slope_deg_per_1000rpm", "deg per 1000/min"),
    ("scatter_deg", "deg"),
    ("hysteresis_deg", "deg"),
)
IN_WORDS: dict[str, str] = {
    "low_speed_advance_deg": "advance at low speed",
    "full_advance_deg": "full advance",
    "starts_rpm": "start of the rise",
    "full_rpm": "end of the rise",
    "slope_deg_per_1000rpm": "rise per 1000 rpm",
    "scatter_deg": "scatter of sparks",
    "hysteresis_deg": "hysteresis",
}
# Shares of the doubt that come from the marks and the view act on advances only; on corners, slope, scatter and
# hysteresis they fall out within each clip already.
ADVANCES = frozenset({"low_speed_advance_deg", "full_advance_deg"})
CHANCE = 0.05  # of calling sound figures discordant, all figures of one comparison together
LOOSE_CHANCE = 0.005  # of so small a spread; rarer, because too wide an interval hurts nobody


@dataclass(frozen=True, slots=True)
class Repeated:
    """One figure over all measurements that have it."""

    figure: str
    unit: str
    of: tuple[int, ...]  # which of the measurements have it, by their place
    values: tuple[float, ...]
    sds: tuple[float, ...]  # of each, without what all of them share
    mean: float  # weighted by them
    spread: float  # sd of the values about their mean
    chi_square: float
    freedom: int
    chance: float  # of a chi-square as large or larger
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Repeat:
    """All figures, and what it comes to."""

    cylinder: str
    clips: tuple[str, ...]
    figures: tuple[Repeated, ...]
    finding: str
    warnings: tuple[str, ...]


def repeat(measurements: Sequence[Measurement], *, same_setup: bool = False, same_strobe: bool = False) -> Repeat:
    """Test whether measurements of one setting agree.

    Parameters
    ----------
    measurements : sequence of Measurement
        Two or more, of one engine and one cylinder.
    same_setup : bool
        Whether phone and strobe were left as they were: what comes from the view and the strobe is then common, and
        must not excuse a difference.
    same_strobe : bool
        Whether it was the same strobe, wherever the phone was.

    Returns
    -------
    Repeat

    Raises
    ------
    CannotUse
        With fewer than two measurements, or of different engines or cylinders.

    References
    ----------
    .. [1] Birge, Phys. Rev. 40 (1932) 207–227: spread against stated errors by chi-square.
    """
    _alike(measurements)
    figures = [_figure(measurements, name, unit, (same_setup, same_strobe)) for name, unit in FIGURES]
    found = [figure for figure in figures if figure is not None]
    # Bonferroni: so many figures are tested at once.
    judged = tuple(_judged(figure, len(found)) for figure in found)
    clips = tuple(one.clip.path for one in measurements)
    return Repeat(measurements[0].cylinder, clips, judged, _finding(judged, len(measurements)), _warnings(measurements))


def _alike(measurements: Sequence[Measurement]) -> None:
    if len(measurements) < 2:
        raise CannotUse(
            found=f"{len(measurements)} result",
            expected="two or more results of the same setting",
            do="film the same cylinder again without moving anything on the engine",
        )
    for what, values in (
        ("cylinders", {one.cylinder for one in measurements}),
        ("engines", {one.engine.name for one in measurements}),
    ):
        if len(values) > 1:
            raise CannotUse(
                found=f"results of the {what} {', '.join(sorted(values))}",
                expected=f"results of one of the {what} only",
                do="leave out the others; timingcam compare holds left against right",
            )


def _warnings(measurements: Sequence[Measurement]) -> tuple[str, ...]:
    said = []
    if len({one.clip.sha256 for one in measurements}) < len(measurements):
        said.append("Some results are of the very same clip: that they agree proves nothing.")
    if len({one.rpm_source for one in measurements}) > 1:
        said.append("The speed is from different sources: a difference may be theirs.")
    if any(one.engine.rotor != measurements[0].engine.rotor for one in measurements):
        said.append("The engine file's rotor was changed between the results: a difference may be that.")
    return tuple(said)


def _figure(measurements: Sequence[Measurement], name: str, unit: str, same: tuple[bool, bool]) -> Repeated | None:
    having = [(one, _estimate(one.curve, name)) for one in measurements]
    places = tuple(place for place, (_, estimate) in enumerate(having) if estimate is not None)
    kept = [(one, estimate) for one, estimate in having if estimate is not None]
    if len(kept) < 2:
        return None
    values = np.array([estimate.value for _, estimate in kept])
    own = np.array([_own_sd(one, kept[0][0], estimate, name, same) for one, estimate in kept])
    weight = 1.0 / np.maximum(own, 1e-9) ** 2
    mean = float(np.average(values, weights=weight))
    chi_square = float(np.sum(weight * (values - mean) ** 2))
    freedom = len(values) - 1
    return Repeated(
        figure=name,
        unit=unit,
        of=places,
        values=tuple(float(v) for v in values),
        sds=tuple(float(s) for s in own),
        mean=mean,
        spread=float(values.std(ddof=1)),
        chi_square=chi_square,
        freedom=freedom,
        chance=float(chdtrc(freedom, chi_square)),
        outcome="fits",
    )


def _estimate(curve: Curve, name: str) -> Estimate | None:
    estimate: Estimate | None = getattr(curve, name)
    return estimate


def _own_sd(one: Measurement, first: Measurement, estimate: Estimate, name: str, same: tuple[bool, bool]) -> float:
    """The figure's sd without what this clip shares with the others."""
    if name not in ADVANCES:
        return estimate.sd
    other = first if one is not first else one
    shared = shared_by(one, other, *same)
    rpm = float(one.curve.grid_rpm[0] if name == "low_speed_advance_deg" else one.curve.grid_rpm[-1])
    late_deg = 6.0 * rpm * shared.delay_a_s
    # Never below a third of the whole: the shares are known no better than that, and no clip repeats itself exactly.
    return math.sqrt(max(estimate.sd**2 - shared.a_deg**2 - late_deg**2, (estimate.sd / 3.0) ** 2))


def _judged(figure: Repeated, n_figures: int) -> Repeated:
    outcome: Outcome = "fits"
    if figure.chance < CHANCE / n_figures:
        outcome = "spreads more"
    elif figure.freedom >= 2 and figure.chance > 1.0 - LOOSE_CHANCE / n_figures:
        outcome = "spreads less"
    return replace(figure, outcome=outcome)


def _finding(figures: Sequence[Repeated], n: int) -> str:
    if not figures:
        return "The results have no figure in common."
    more = [IN_WORDS[figure.figure] for figure in figures if figure.outcome == "spreads more"]
    less = [IN_WORDS[figure.figure] for figure in figures if figure.outcome == "spreads less"]
    if more:
        return (
            f"The {n} results differ by more than they say they may in {', '.join(more)}: something changed between "
            "the clips (engine warmer, advancer sticking, phone or strobe moved), or a stated uncertainty is too small."
        )
    if less:
        return (
            f"The {n} results agree more closely than stated in {', '.join(less)}: those doubts are on the wide side."
        )
    return f"The {n} results agree within their stated uncertainties."
