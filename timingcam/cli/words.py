"""What the terminal says of a measurement: a short table, the verdict, warnings, cautions; the budget when asked.

In:  a `Measurement` and a console.
Out: nothing; it prints.
Not here: the words themselves (`showing/sentences.py`).
"""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table
from rich.text import Text

from timingcam.reckoning.result import Measurement, Verdict
from timingcam.showing.sentences import (
    CAUTIONS,
    CHECK_WORD,
    VERDICT_SIGN,
    figure_rows,
    look_first,
    size_words,
    spec_verdict,
    verdict_sentence,
)
from timingcam.showing.speed_words import lag_words, speed_words

# Signs and words say the same as these colours do.
_STYLE: dict[Verdict | None, str] = {"in": "bold", "out": "bold red", "unsure": "bold yellow", None: "bold"}


def print_measurement(measurement: Measurement, console: Console) -> None:
    """Print the figures with their limits, the verdict, warnings and cautions.

    Parameters
    ----------
    measurement : Measurement
        What to print.
    console : Console
        Where to.
    """
    m = measurement
    # Text from engine files and clips is printed as it is: square brackets in it are no instructions to the console.
    console.print(Text(f"{m.engine.name}, {m.cylinder} cylinder", style="bold"))
    seen = f"{m.strobe.flashes_used} of {m.strobe.flashes_seen} flashes used; rotor turns {m.engine.rotor.turns} "
    console.print(Text(seen + "as the camera sees it"))
    console.print(Text(f"Speed from {speed_words(m)}"))
    console.print(_figures_table(m))
    console.print(Text(verdict_sentence(m), style=_STYLE[spec_verdict(m)]))
    if lag_words(m):
        console.print(Text(f"Fall on the flat top, as a lag: {lag_words(m)}"))
    for name, causes in look_first(m):
        console.print(Text(f"{name}: look first at: {causes}"))
    for warning in m.warnings:
        console.print(Text(f"Warning: {warning}"))
    print_cautions(console)


def print_cautions(console: Console) -> None:
    """Print the usual cautions for work on a running engine.

    Parameters
    ----------
    console : Console
        Where to.
    """
    console.print(Text("\nBefore anybody runs or adjusts this engine", style="bold"))
    for caution in CAUTIONS:
        console.print(Text(f"• {caution}"))


def explain_budget(measurement: Measurement, console: Console) -> None:
    """Print where the doubt comes from, the largest source first, and both kinds put together.

    Parameters
    ----------
    measurement : Measurement
        Whose budget.
    console : Console
        Where to.
    """
    table = Table(title="Where the doubt of the advance comes from", title_justify="left", box=None, pad_edge=False)
    table.add_column("source", no_wrap=True)
    table.add_column("size", justify="right")
    table.add_column("kind")
    table.add_column("effect (sd)", justify="right")
    for row in sorted(measurement.budget, key=lambda row: -row.effect_deg):
        table.add_row(Text(row.source), size_words(row), row.kind, f"{row.effect_deg:.3f}°")
    for kind in ("systematic", "random"):
        # Sources are independent of each other, so that their variances add (JCGM 100:2008, 5.1.2).
        total = math.hypot(*(row.effect_deg for row in measurement.budget if row.kind == kind))
        table.add_row(Text(f"all {kind}", style="bold"), "", kind, f"{total:.3f}°")
    console.print(table)
    console.print(Text("Random doubt shrinks as flashes are put together; systematic doubt stays."))


def _figures_table(m: Measurement) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    table.add_column("value", justify="right")
    table.add_column("95 %")
    table.add_column("limits")
    table.add_column("")
    for row in figure_rows(m):
        word = f"{VERDICT_SIGN[row.verdict]} {CHECK_WORD[row.verdict]}" if row.verdict else ""
        table.add_row(row.label, row.value, row.interval, row.limits, Text(word, style=_STYLE[row.verdict]))
    return table
