"""A note of what was moved, read: "base plate=+1.5 divisions".

In:  the words and the `Engine`.
Out: `Made`.
Not here: what the move did (`learn.py`).
"""

from __future__ import annotations

import difflib
import re

from timingcam.engine import Adjuster, Engine
from timingcam.errors import CannotUse
from timingcam.reckoning.learn import Made, Unit

_UNITS: dict[str, Unit] = {
    "division": "divisions",
    "divisions": "divisions",
    "mm": "mm",
    "degree": "degrees",
    "degrees": "degrees",
    "deg": "degrees",
    "°": "degrees",
    "thou": "thou",
}
_AMOUNT = re.compile(r"^\s*([+\-−]?)\s*(\d+(?:\.\d+)?|\.\d+)\s*([a-z°]+)(?:\s+([a-z]+))?\s*$", re.IGNORECASE)
EXAMPLES = '"base plate=+1.5 divisions", "base plate=2 mm anticlockwise", "right trigger=3 thou wider"'


def read_made(text: str, engine: Engine) -> Made:
    """Read the note of one move.

    Parameters
    ----------
    text : str
        NAME=AMOUNT UNIT, with a sign or a direction. The sign of a plate is + towards an earlier spark; that of a gap
        is + for wider. Directions are as seen facing the adjuster.
    engine : Engine

    Returns
    -------
    Made
        In the adjuster's own units, positive towards an earlier spark.

    Raises
    ------
    CannotUse
        If the words cannot be understood, or the adjuster is not of this engine or has no such unit.
    """
    name, equals, amount = text.partition("=")
    if not equals:
        raise _not_understood(text)
    adjuster = _adjuster(name.strip(), engine)
    match = _AMOUNT.match(amount)
    unit = _UNITS.get(match[3].lower()) if match else None
    if match is None or unit is None:
        raise _not_understood(text)
    if (unit == "thou") != (adjuster.kind != "turn"):
        units = "divisions, mm or degrees" if adjuster.kind == "turn" else "thou"
        raise CannotUse(found=f"{match[3]} in '{text}'", expected=f"{units} for {adjuster.name}", do="give it so")
    size = float(match[2])
    if size == 0:
        raise CannotUse(found=f"a move of nothing in '{text}'", expected="how far it was moved", do="leave it out")
    return Made(adjuster.name, size * _sign(text, match[1], match[4], adjuster), unit)


def _sign(text: str, sign: str, word: str | None, adjuster: Adjuster) -> int:
    """+1 where the move brings the spark forward."""
    if bool(sign) == bool(word):
        raise CannotUse(
            found=f"{'both a sign and a direction' if sign else 'no direction'} in '{text}'",
            expected="one of the two: + or −, or a word",
            do=f"say which way it was moved, for example {EXAMPLES}",
        )
    plus = 1 if sign == "+" else -1
    if adjuster.kind == "turn":
        if sign:
            return plus
        if word is not None and word.lower() in ("clockwise", "anticlockwise"):
            return 1 if word.lower() == adjuster.advances else -1
        raise _not_understood(text)
    if sign:
        wider = plus
    elif word is not None and word.lower() in ("wider", "narrower"):
        wider = 1 if word.lower() == "wider" else -1
    else:
        raise _not_understood(text)
    return wider if adjuster.wider_gap == "advances" else -wider


def _adjuster(name: str, engine: Engine) -> Adjuster:
    known = {adjuster.name: adjuster for adjuster in engine.adjuster}
    if name in known:
        return known[name]
    near = difflib.get_close_matches(name, known, n=1)
    raise CannotUse(
        found=f"an adjuster '{name}'",
        expected=f"one of {', '.join(known) or 'none, as the engine file has no adjuster'}",
        do=f"did you mean '{near[0]}'?" if near else "use the engine file's names",
    )


def _not_understood(text: str) -> CannotUse:
    return CannotUse(found=f"'{text}'", expected="NAME=AMOUNT UNIT", do=f"write it so: {EXAMPLES}")
