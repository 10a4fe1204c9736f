"""A comparison as text: `compare.json`, sentences and rows for a person.

In:  a `Comparison`.
Out: JSON, docs/formats.md's `timingcam-compare/1`; rows of words.
Not here: layout (`cli/compare.py`), the picture (`compare_plot.py`).
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Literal

from timingcam.reckoning.compare import Z95, At, Comparison
from timingcam.reckoning.result import Estimate, Verdict
from timingcam.reckoning.shape_tests import FULL, SIGNIFICANT, SLOPE, START, ShapeTest, changed_shape
from timingcam.showing.sentences import CHECK_WORD, check_name, check_number, interval_words, limits_words, number

COMPARE_FORMAT = "timingcam-compare/1"
FILES = ("compare.json", "compare.png")
# What each test is called in the table, its unit and decimals: short, so that a row fits a terminal of 80.
_TESTED = {
    SLOPE: ("Slope in 1000 rpm", "°", 2),
    START: ("Start of the rise", " rpm", 0),
    FULL: ("End of the rise", " rpm", 0),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: what, how large, its 95 % interval, what is said of it."""

    what: str
    value: str
    interval: str
    verdict: str


def difference_csv(comparison: Comparison) -> str:
    """The difference by speed as a table, ten figures to a number as in `readings.csv`.

    Parameters
    ----------
    comparison : Comparison
        What to write.

    Returns
    -------
    str
        Comma-separated, with a header row; that alone where no speeds are common.
    """
    c = comparison
    half = Z95 * c.sd_deg
    columns = (c.rpm, c.difference_deg, c.random_sd_deg, c.sd_deg, c.difference_deg - half, c.difference_deg + half)
    rows = [",".join(f"{value:.10g}" for value in row) for row in zip(*columns, strict=True)]
    return "\n".join(["rpm,value_deg,random_sd_deg,sd_deg,low_deg,high_deg", *rows, ""])


def compare_json(comparison: Comparison) -> str:
    """A comparison as the text of `compare.json`.

    Parameters
    ----------
    comparison : Comparison
        What to write.

    Returns
    -------
    str
        JSON, ending with a line feed.
    """
    c = comparison
    half = Z95 * c.sd_deg
    content: dict[str, Any] = {
        "format": COMPARE_FORMAT,
        "as": c.kind,
        "first": asdict(c.first),
        "second": asdict(c.second),
        "difference": {
            "rpm": c.rpm.tolist(),
            "value_deg": c.difference_deg.tolist(),
            "random_sd_deg": c.random_sd_deg.tolist(),
            "sd_deg": c.sd_deg.tolist(),
            "low_deg": (c.difference_deg - half).tolist(),
            "high_deg": (c.difference_deg + half).tolist(),
        },
        "at_idle": _at(c.at_idle),
        "at_full_advance": _at(c.at_full_advance),
        "shift_deg": None if c.shift_deg is None else asdict(c.shift_deg),
        "shape": None
        if c.shape is None
        else {
            "besides_shift_p": c.shape.besides_shift_p,
            "tests": [_test(test) for test in (c.shape.shift, *c.shape.single)],
            "differs_in": [test.what for test in changed_shape(c.shape)],
        },
        "checks": [asdict(check) for check in c.checks],
        "finding": c.finding,
        "warnings": list(c.warnings),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False, default=float) + "\n"


def comparison_title(comparison: Comparison) -> str:
    """Which is taken from which.

    Parameters
    ----------
    comparison : Comparison
        Whose sides.

    Returns
    -------
    str
    """
    c = comparison
    if c.kind == "before-after":
        return f"After less before, {c.first.cylinder} cylinder"
    return f"{c.second.name[:1].upper()}{c.second.name[1:]} less {c.first.name}"


def limit_words(comparison: Comparison) -> tuple[Verdict | Literal["none"], str]:
    """Whether both are as close as the spec asks.

    Parameters
    ----------
    comparison : Comparison
        With its checks.

    Returns
    -------
    verdict : {"in", "out", "unsure", "none"}
        The worst of the checks; "none" where there are none.
    sentence : str
        Empty where there are none.
    """
    by_weight: tuple[Verdict, ...] = ("out", "unsure", "in")
    for verdict in by_weight:
        checks = [check for check in comparison.checks if check.verdict == verdict]
        if checks:
            opening = {
                "out": "Further apart than the spec allows",
                "unsure": "Nobody can tell whether they are as close as the spec asks",
                "in": "As close as the spec asks",
            }[verdict]
            return verdict, f"{opening}, {limits_words(checks[0])}."
    return "none", ""


def comparison_rows(comparison: Comparison) -> list[Row]:
    """A comparison's figures as text.

    Parameters
    ----------
    comparison : Comparison
        Whose figures.

    Returns
    -------
    list of Row
        Differences at idle and at full advance, the limits they are held against, and what was tested.
    """
    c = comparison
    rows = []
    for label, at, held in (
        ("At low speed", c.at_idle, "difference at idle"),
        ("At full advance", c.at_full_advance, "difference at full"),
    ):
        if at is None:
            rows.append(Row(label, "not had", "", ""))
        else:
            rows.append(_row(f"{label} ({at.rpm:.0f} rpm)", at.difference_deg, "°", 2, _verdict(c, held)))
    for check in c.checks:
        if check.name == "largest difference":
            words = f"{CHECK_WORD[check.verdict]} ({limits_words(check)})"
            rows.append(Row(check_name(check), check_number(check, check.value), "", words))
    if c.shift_deg is not None:
        alone = c.shape is None or not changed_shape(c.shape)
        label = "Shift of the whole curve" if alone else "Shift that would fit best"
        rows.append(_row(label, c.shift_deg, "°", 2, ""))
    if c.shape is not None:
        changed = {test.what for test in changed_shape(c.shape)}
        for test in c.shape.single:
            label, unit, decimals = _TESTED[test.what]
            # Of several tests one in twenty is beyond its own interval by chance: alone that is no finding.
            unproven = "may be chance" if test.p < SIGNIFICANT else "no difference shown"
            words = f"{'DIFFERS' if test.what in changed else unproven} ({_chance(test.p)})"
            rows.append(_row(label, test.difference, unit, decimals, words))
    return rows


def _row(label: str, estimate: Estimate, unit: str, decimals: int, verdict: str) -> Row:
    sign = "+" if estimate.value > 0 else ""
    return Row(label, sign + number(estimate.value, decimals) + unit, interval_words(estimate, unit, decimals), verdict)


def _verdict(c: Comparison, name: str) -> str:
    check = next((check for check in c.checks if check.name == name), None)
    return "" if check is None else f"{CHECK_WORD[check.verdict]} ({limits_words(check)})"


def _chance(p: float) -> str:
    return "p below 0.001" if p < 0.001 else f"p {p:.3f}"


def _at(at: At | None) -> dict[str, Any] | None:
    return None if at is None else {"rpm": at.rpm, **asdict(at.difference_deg)}


def _test(test: ShapeTest) -> dict[str, Any]:
    return {
        "what": test.what,
        "difference": asdict(test.difference),
        "f": test.f,
        "freedom": [test.freedom, test.residual_freedom],
        "p": test.p,
    }
