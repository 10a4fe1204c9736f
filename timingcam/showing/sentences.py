"""A measurement in words: the verdict, the figures with their limits, the cautions.

In:  a `Measurement`.
Out: sentences and rows of text, the same for terminal, pictures and page.
Not here: any layout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from timingcam.reckoning.checks import LOOK_FIRST, SCATTER_AT
from timingcam.reckoning.result import BudgetRow, Check, Estimate, Measurement, Verdict

MINUS = "−"  # typographic, as wide as a plus


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of the curve, ready to print."""

    label: str
    value: str
    interval: str
    limits: str
    verdict: Verdict | None


# Figure of the curve: what it is called, its unit, its decimals, the check that judges it.
_FIGURES: tuple[tuple[str, str, str, int, str], ...] = (
    ("low_speed_advance_deg", "Advance at low speed", "°", 2, "low-speed advance"),
    ("full_advance_deg", "Full advance", "°", 2, "full advance"),
    ("starts_rpm", "Starts to rise at", " rpm", 0, "start of the advance"),
    ("full_rpm", "Full from", " rpm", 0, "full advance reached at"),
    ("slope_deg_per_1000rpm", "Rise per 1000 rpm", "°", 2, ""),
    ("scatter_deg", "Scatter of single sparks (sd)", "°", 2, "scatter of single sparks"),
    ("hysteresis_deg", "Higher on the way down by", "°", 2, "hysteresis"),
)
_BY_SPEC = {
    "low-speed advance",
    "full advance",
    "full advance, largest allowed",
    "along the curve",
    "start of the advance",
    "full advance reached at",
    "full advance not reached by",
    "range of the advancer",
}
_IN_RPM = ("start of the advance", "full advance reached at", "full advance not reached by")
_SHARES = ("outlying sparks", "missing flashes")
_UNITS = {"deg": "°", "us": " µs", "1/min": " rpm", "%": " %"}

VERDICT_WORD: dict[Verdict, str] = {"in": "in spec", "out": "OUT of spec", "unsure": "cannot tell"}
CHECK_WORD: dict[Verdict, str] = {"in": "within", "out": "OUTSIDE", "unsure": "cannot tell"}
VERDICT_SIGN: dict[Verdict, str] = {"in": "✓", "out": "✗", "unsure": "?"}

CAUTIONS: tuple[str, ...] = (
    "Under the strobe a turning rotor looks as if it stood still. Keep hands, tools, leads and the phone well away.",
    "Flashing light can bring on seizures, most of all at 3 to 30 flashes a second, which is where an engine's "
    "strobe runs. Nobody with photosensitive epilepsy nearby; stop at the first discomfort.",
    "Run the engine outdoors or with exhaust extraction: an open door is not enough, and a cold engine fills a "
    "garage with carbon monoxide fast.",
    "The ignition's high voltage injures. Fit and take off clips and leads with the engine stopped; earth the plug "
    "lead of a cylinder that does not run; keep away with a pacemaker.",
    "Adjust with the ignition off, and never leave it on with the engine stopped.",
    "Petrol vapour catches fire easily: an auxiliary tank stands firm, away from heat and sparks, without a leak, "
    "and an extinguisher is at hand.",
    "No loose clothing, long hair, scarf, gloves or jewellery near turning parts. Wear eye protection: with the "
    "cover off, hot oil is thrown out, and the exhaust burns.",
    "Machine upright and held firmly, brakes on, gearbox in neutral.",
    "Free running is hard on an engine: no further than some 500 rpm past full advance, half a minute at most, with "
    "air blown on to it.",
    "The engine maker's manual and settings come before anything said here. On the road the law decides, and local "
    "rules may reserve work on the ignition for licensed workshops.",
)


def spec_verdict(measurement: Measurement) -> Verdict | None:
    """One verdict over all that the engine file's spec sets a limit to; None where it sets none.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    {"in", "out", "unsure"} or None
        "out" if any is out, else "unsure" if any is unsure, else "in". Checks against limits of common practice
        (missing flashes, for instance) have no say in it.
    """
    by_spec, _ = _sorted_checks(measurement)
    found = {check.verdict for check in by_spec}
    by_weight: tuple[Verdict, ...] = ("out", "unsure", "in")
    return next((verdict for verdict in by_weight if verdict in found), None)


def verdict_sentence(measurement: Measurement) -> str:
    """The verdict in a sentence that names what decides it; a second one names what else is not as it should be.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    str
        With figures and limits.
    """
    by_spec, others = _sorted_checks(measurement)
    verdict = spec_verdict(measurement)
    deciding = [check for check in by_spec if check.verdict == verdict]
    if verdict is None:
        why = "the engine file gives no spec" if measurement.engine.spec is None else "the clip covers none of the spec"
        sentence = f"Measured only, not judged: {why}."
    elif verdict == "out":
        sentence = f"Out of spec: {_named(deciding)}."
    elif verdict == "unsure":
        sentence = f"Cannot tell whether it is in spec, the doubt reaches over a limit: {_named(deciding)}."
    elif len(deciding) == 1:
        sentence = f"In spec: {_named(deciding)}."
    else:
        sentence = f"In spec: all {len(deciding)} figures that the spec sets a limit to are within it."
    out = [check for check in others if check.verdict == "out"]
    unsure = [check for check in others if check.verdict == "unsure"]
    if out:
        sentence += f" Not as usual on a healthy engine: {_named(out)}."
    if unsure:
        sentence += f" In doubt: {_named(unsure)}."
    return sentence


def short_verdict(measurement: Measurement) -> str:
    """The verdict in two or three words, for a title.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    str
        A few words.
    """
    verdict = spec_verdict(measurement)
    return "measured, not judged" if verdict is None else VERDICT_WORD[verdict]


def figure_rows(measurement: Measurement) -> list[FigureRow]:
    """The curve's figures with their 95 % intervals and limits, as text.

    Parameters
    ----------
    measurement : Measurement
        With its curve and checks.

    Returns
    -------
    list of FigureRow
        One row a figure; one that could not be had says so.
    """
    rows = []
    for name, label, unit, decimals, judged_by in _FIGURES:
        estimate: Estimate | None = getattr(measurement.curve, name)
        check = next((c for c in measurement.checks if c.name == judged_by), None)
        limits = "" if check is None else limits_words(check)
        verdict = None if check is None else check.verdict
        if estimate is None:
            rows.append(FigureRow(label, "not had", "", limits, None))
            continue
        value = number(estimate.value, decimals) + unit
        rows.append(FigureRow(label, value, interval_words(estimate, unit, decimals), limits, verdict))
    return rows


def interval_words(estimate: Estimate, unit: str, decimals: int) -> str:
    """The 95 % interval as text: ± where it lies evenly about the value, else from … to.

    Parameters
    ----------
    estimate : Estimate
        The figure.
    unit : str
        Written behind, with a space before it where it needs one.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
    """
    above, below = estimate.high - estimate.value, estimate.value - estimate.low
    half = (above + below) / 2
    # Even enough: both halves print as the same figure to a tenth of the interval.
    if abs(above - below) <= 0.1 * half:
        return f"± {number(half, decimals)}{unit}"
    return f"{number(estimate.low, decimals)} to {number(estimate.high, decimals)}{unit}"


def limits_words(check: Check) -> str:
    """A check's limits as text.

    Parameters
    ----------
    check : Check
        The check.

    Returns
    -------
    str
        Empty where there is no limit.
    """
    if check.low is not None and check.high is not None:
        # The unit once is enough: "7.00 to 11.00°".
        unit, decimals, factor = _unit(check)
        return f"{number(check.low * factor, decimals)} to {number(check.high * factor, decimals)}{unit}"
    if check.high is not None:
        return f"at most {check_number(check, check.high)}"
    if check.low is not None:
        return f"at least {check_number(check, check.low)}"
    return ""


def number(value: float, decimals: int) -> str:
    """A number for a person: fixed decimals, a real minus sign, a dash where there is none.

    Parameters
    ----------
    value : float
        The number; NaN where it could not be had.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
    """
    if math.isnan(value):
        return "–"
    text = f"{value:.{decimals}f}"
    return MINUS + text[1:] if text.startswith("-") and float(text) != 0 else text.removeprefix("-")


def size_words(row: BudgetRow) -> str:
    """The size of one source of doubt with its unit.

    Parameters
    ----------
    row : BudgetRow
        The source.

    Returns
    -------
    str
    """
    return f"{row.size:.3g}{_UNITS.get(row.unit, ' ' + row.unit)}"


def check_name(check: Check) -> str:
    """A check's name as it opens a line.

    Parameters
    ----------
    check : Check
        The check.

    Returns
    -------
    str
    """
    return check.name[:1].upper() + check.name[1:]


def check_number(check: Check, value: float) -> str:
    """A value of a check, its own or a limit, with its unit.

    Parameters
    ----------
    check : Check
        The check.
    value : float
        In the check's own unit; a share is between 0 and 1 and printed in hundredths.

    Returns
    -------
    str
    """
    unit, decimals, factor = _unit(check)
    return number(value * factor, decimals) + unit


def look_first(measurement: Measurement) -> list[tuple[str, str]]:
    """What to examine for each check that is not in.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    list of (str, str)
        The check's name, and usual causes of such a fault: to be examined, not found.
    """
    wrong = [check for check in measurement.checks if check.verdict != "in"]
    return [(check_name(check), LOOK_FIRST[check.name]) for check in wrong if check.name in LOOK_FIRST]


def _unit(check: Check) -> tuple[str, int, float]:
    if check.name in _IN_RPM:
        return " rpm", 0, 1.0
    if check.name in _SHARES:
        return " %", 1, 100.0
    return "°", 2, 1.0


def _sorted_checks(measurement: Measurement) -> tuple[list[Check], list[Check]]:
    """Checks against limits of the engine file's spec, and those against limits of common practice."""
    spec = measurement.engine.spec
    names: set[str] = set()
    if spec is not None:
        names |= _BY_SPEC
        if spec.scatter_deg is not None:
            names |= {"scatter of single sparks", *SCATTER_AT.values()}
        if spec.hysteresis_deg is not None:
            names |= {"hysteresis", "late return to idle"}
    by_spec = [check for check in measurement.checks if check.name in names]
    return by_spec, [check for check in measurement.checks if check.name not in names]


def _named(checks: list[Check]) -> str:
    more = f"; and {len(checks) - 3} more" if len(checks) > 3 else ""
    return "; ".join(_check_words(check) for check in checks[:3]) + more


def _check_words(check: Check) -> str:
    return f"{check_name(check)} {check_number(check, check.value)} (limits: {limits_words(check)})"
