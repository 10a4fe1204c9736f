"""A measurement in words: the verdict, the figures with their limits, the cautions.

In:  a `Measurement`.
Out: sentences and rows of text, the same for terminal, pictures and page.
Not here: any layout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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


# Figure of the curve: what it is called, its unit, its decimals.
_FIGURES: tuple[tuple[str, str, str, int], ...] = (
    ("low_speed_advance_deg", "Advance at low speed", "°", 2),
    ("full_advance_deg", "Full advance", "°", 2),
    ("starts_rpm", "Starts to rise at", " rpm", 0),
    ("full_rpm", "Full from", " rpm", 0),
    ("slope_deg_per_1000rpm", "Rise per 1000 rpm", "°", 2),
    ("scatter_deg", "Scatter of single sparks (sd)", "°", 2),
    ("hysteresis_deg", "Higher on the way down by", "°", 2),
)

VERDICT_WORD: dict[Verdict, str] = {"in": "in spec", "out": "OUT of spec", "unsure": "cannot tell"}
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


def overall_verdict(measurement: Measurement) -> Verdict | None:
    """One verdict over all checks; None where there is nothing to check against.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    {"in", "out", "unsure"} or None
        "out" if any is out, else "unsure" if any is unsure, else "in".
    """
    found = {check.verdict for check in measurement.checks}
    by_weight: tuple[Verdict, ...] = ("out", "unsure", "in")
    return next((verdict for verdict in by_weight if verdict in found), None)


def verdict_sentence(measurement: Measurement) -> str:
    """The verdict in a sentence that names what decides it.

    Parameters
    ----------
    measurement : Measurement
        With its checks.

    Returns
    -------
    str
        One sentence with figures and limits.
    """
    verdict = overall_verdict(measurement)
    if verdict is None:
        why = "the engine file gives no spec" if measurement.engine.spec is None else "the clip covers none of the spec"
        return f"Measured only, not judged: {why}."
    deciding = [check for check in measurement.checks if check.verdict == verdict]
    named = "; ".join(_check_words(check) for check in deciding[:3])
    more = f"; and {len(deciding) - 3} more" if len(deciding) > 3 else ""
    if verdict == "out":
        return f"Out of spec: {named}{more}."
    if verdict == "unsure":
        return f"Cannot tell whether it is in spec, the doubt reaches over a limit: {named}{more}."
    if len(deciding) == 1:
        return f"In spec: {named}."
    return f"In spec: all {len(deciding)} checks are within their limits."


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
    verdict = overall_verdict(measurement)
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
    for name, label, unit, decimals in _FIGURES:
        estimate: Estimate | None = getattr(measurement.curve, name)
        check = _check_of(name, measurement.checks)
        limits = "" if check is None else limits_words(check, unit, decimals)
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


def limits_words(check: Check, unit: str = "", decimals: int = 2) -> str:
    """A check's limits as text.

    Parameters
    ----------
    check : Check
        The check.
    unit : str
        Written behind, with a space before it where it needs one.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
        Empty where there is no limit.
    """
    if check.low is not None and check.high is not None:
        return f"{number(check.low, decimals)} to {number(check.high, decimals)}{unit}"
    if check.high is not None:
        return f"at most {number(check.high, decimals)}{unit}"
    if check.low is not None:
        return f"at least {number(check.low, decimals)}{unit}"
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
    gap = "" if row.unit.startswith("°") or not row.unit else " "
    return f"{row.size:.3g}{gap}{row.unit}"


def check_name(check: Check) -> str:
    """A check's name as a person reads it.

    Parameters
    ----------
    check : Check
        The check.

    Returns
    -------
    str
    """
    words = check.name.replace("_deg", "").replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def check_unit(check: Check) -> tuple[str, int]:
    """Unit and decimals of a check's figures, told from its name.

    Parameters
    ----------
    check : Check
        The check.

    Returns
    -------
    unit : str
        With a space before it where it needs one.
    decimals : int
    """
    name = check.name.lower()
    if name.endswith("rpm") or name.startswith(("starts", "full_rpm", "full from")):
        return " rpm", 0
    if "share" in name or "percent" in name or "missing" in name:
        return "", 2
    return "°", 2


def _check_of(figure: str, checks: tuple[Check, ...]) -> Check | None:
    wanted = _plain(figure)
    return next((check for check in checks if _plain(check.name) == wanted), None)


def _plain(name: str) -> str:
    words = name.lower().replace("_", " ").replace("-", " ").split()
    return " ".join(word for word in words if word not in ("deg", "rpm"))


def _check_words(check: Check) -> str:
    unit, decimals = check_unit(check)
    return f"{check_name(check)} {number(check.value, decimals)}{unit} (limits: {limits_words(check, unit, decimals)})"
