"""`timingcam static`: the crank angle at which the trigger lamp switches, the engine turned by hand.

In:  a clip with rotor, index and lamp in view; an engine file; a cylinder.
Out: words on the terminal; `static.json` and `static.png` in a folder.
Not here: how it is measured (`reckoning/static.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from timingcam.cli.bar import progress_bar
from timingcam.cli.by_hand_words import Given, shared_options, watched, write_result
from timingcam.cli.values import Place

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.reckoning.static import SparkAt, StaticTiming

CAUTION = """Plugs out, gearbox in neutral, machine held firmly; turn the engine by hand and slowly, in its running
direction only. Ignition on no longer than the lamp needs. The maker's manual comes before anything said here."""


@click.command(epilog=CAUTION, short_help="Static timing from a clip with a trigger lamp in view.")
@click.argument("clip", type=click.Path(path_type=Path))
@click.option("--cylinder", required=True, metavar="NAME", help="Cylinder whose trigger the lamp is on.")
@click.option(
    "--spark-at",
    type=click.Choice(["lamp-on", "lamp-off"]),
    default="lamp-on",
    show_default=True,
    help="Which way the lamp switches where the spark would be, turning forwards.",
)
@click.option("--lamp", type=Place(), metavar="X,Y", help="The lamp in the first frame, pixels; else it is looked for.")
@shared_options
def static(
    clip: Path,
    engine_file: Path,
    cylinder: str,
    spark_at: SparkAt,
    lamp: tuple[float, float] | None,
    **given: Unpack[Given],
) -> None:
    """Measure static timing from CLIP, a video in steady light of the engine being turned slowly by hand."""
    from rich.console import Console

    from timingcam.engine import read_engine
    from timingcam.reckoning.static import static_timing
    from timingcam.showing.static_file import static_json
    from timingcam.showing.static_picture import static_picture

    engine = read_engine(engine_file)
    with progress_bar(given["quiet"]) as progress:
        found = static_timing(clip, engine, cylinder, spark_at, watched(given, lamp), progress)
    text = static_json(found)
    write_result(given, "static", text, lambda: static_picture(found))
    if given["as_json"]:
        click.echo(text, nl=False)
        return
    print_static(found, Console(highlight=False))
    if given["out"] is not None:
        click.echo(f"\nWritten: {given['out']}")


def print_static(static: StaticTiming, console: Console) -> None:
    """Print the passes, the mean, the verdict, warnings and cautions.

    Parameters
    ----------
    static : StaticTiming
        What to print.
    console : Console
        Where to.
    """
    from rich.table import Table
    from rich.text import Text

    from timingcam.cli.words import print_cautions
    from timingcam.showing.sentences import number
    from timingcam.showing.static_file import pass_rows, static_title, verdict_words

    console.print(Text(f"{static.engine.name}, {static_title(static)}", style="bold"))
    console.print(Text(f"rotor turns {static.engine.rotor.turns} as the camera sees it"))
    table = Table(box=None, pad_edge=False)
    for heading, justify in (("pass", "right"), ("turned", "left"), ("before TDC", "right"), ("", "left")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for row in pass_rows(static):
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)
    if static.repeatability_deg is not None:
        console.print(Text(f"Single passes repeat within {number(static.repeatability_deg, 2)}° (sd)."))
    console.print(Text(verdict_words(static), style="bold"))
    for warning in static.warnings:
        console.print(Text(f"Warning: {warning}"))
    print_cautions(console)
