"""Several results of one setting as text: `repeat.json`, rows for a person.

In:  a `Repeat`.
Out: JSON, docs/formats.md's `timingcam-repeat/1`; rows of words.
Not here: layout (`cli/repeat.py`), the picture (`repeat_plot.py`).
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass

from timingcam.reckoning.repeat import IN_WORDS, Outcome, Repeat, Repeated
from timingcam.showing.sentences import number

REPEAT_FORMAT = "timingcam-repeat/1"
FILES = ("repeat.json", "repeat.png")
MOST_COLUMNS = 3  # our choice: more values stand no longer side by side on a terminal of 80 columns
OUTCOME_WORDS: dict[Outcome, str] = {
    "fits": "fits",
    "spreads more": "MORE than stated",
    "spreads less": "less than stated",
}
_UNITS = {"deg": ("°", 2), "1/min": ("rpm", 0), "deg per 1000/min": ("°", 2)}


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: each clip's value, how far they spread, how far they may, what is said of it."""

    figure: str
    values: tuple[str, ...]
    spread: str
    stated: str
    outcome: str


def repeat_json(repeated: Repeat) -> str:
    """The text of `repeat.json`.

    Parameters
    ----------
    repeated : Repeat
        What to write.

    Returns
    -------
    str
        JSON, ending with a line feed.
    """
    content = {"format": REPEAT_FORMAT, **asdict(repeated)}
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False, default=float) + "\n"


def repeat_title(repeated: Repeat) -> str:
    """What was held together."""
    return f"{len(repeated.clips)} results of the {repeated.cylinder} cylinder, nothing moved between them"


def value_headings(repeated: Repeat) -> tuple[str, ...]:
    """What stands above the values: the clips' numbers, or one range where they are many."""
    n = len(repeated.clips)
    return tuple(str(k + 1) for k in range(n)) if n <= MOST_COLUMNS else ("lowest to highest",)


def repeat_rows(repeated: Repeat) -> list[Row]:
    """The figures as text.

    Parameters
    ----------
    repeated : Repeat
        Whose figures.

    Returns
    -------
    list of Row
    """
    return [_row(figure, len(repeated.clips)) for figure in repeated.figures]


def figure_words(figure: Repeated) -> str:
    """A figure's name as it opens a line."""
    words = IN_WORDS[figure.figure]
    return words[:1].upper() + words[1:]


def stated_sd(figure: Repeated) -> float:
    """Spread that the stated uncertainties allow for: their root mean square."""
    return math.sqrt(sum(sd**2 for sd in figure.sds) / len(figure.sds))


def _row(figure: Repeated, n: int) -> Row:
    unit, decimals = _UNITS[figure.unit]
    if n <= MOST_COLUMNS:
        had = dict(zip(figure.of, figure.values, strict=True))
        values = tuple(number(had[k], decimals) if k in had else "not had" for k in range(n))
    else:
        values = (f"{number(min(figure.values), decimals)} to {number(max(figure.values), decimals)}",)
    return Row(
        f"{figure_words(figure)}, {unit}",
        values,
        number(figure.spread, decimals),
        number(stated_sd(figure), decimals),
        OUTCOME_WORDS[figure.outcome],
    )
