"""`timingcam inspect`: is this clip any good, told in seconds.

In:  a clip; perhaps an engine file and a cylinder.
Out: words on the terminal, or JSON; `inspect.json` in a folder; exit status 3 where the clip is of no use.
Not here: how it is judged (`inspecting.py`, `reckoning/fitness.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from timingcam.cli.values import Number

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.reckoning.fitness import Inspection

CAUTION = """Before the engine runs for another clip: what looks still under the strobe is turning; flashing light can
bring on seizures; exhaust gas, high voltage and petrol can kill. The cautions in full are in docs/safety.md. The
maker's manual and local rules come before anything said here."""


@click.command(epilog=CAUTION, short_help="Say in seconds whether a clip is any good.")
@click.argument("clip", type=click.Path(path_type=Path))
@click.option("--engine", "engine_file", type=click.Path(path_type=Path), metavar="FILE", help="Engine file.")
@click.option("--cylinder", metavar="NAME", help="Cylinder that the strobe's lead was on.")
@click.option(
    "--capture-fps",
    type=Number("frames a second", 0, 10_000, above=True),
    metavar="N",
    help="Frames a second as filmed, for slow motion that is stored stretched.",
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Folder for inspect.json.")
@click.option("--replace", is_flag=True, help="Write over an existing folder of this kind.")
@click.option("--json", "as_json", is_flag=True, help="Print the JSON, and nothing else, on standard output.")
def inspect(
    clip: Path, engine_file: Path | None, cylinder: str | None, capture_fps: float | None, **given: bool | Path | None
) -> None:
    """Look at a part of CLIP: flashes, rotor, sharpness; what limits the accuracy; what to film differently.

    With --engine and --cylinder the marks are looked for as well, and the accuracy to expect is told.
    """
    from rich.console import Console

    from timingcam.inspecting import inspect as inspect_clip
    from timingcam.showing.inspect_file import inspect_json

    found = inspect_clip(clip, engine_file, cylinder, capture_fps)
    text = inspect_json(found)
    if given["as_json"]:
        click.echo(text, nl=False)
    else:
        print_inspection(found, Console(highlight=False))
    if found.refusal is not None:
        raise found.refusal
    out = given["out"]
    if isinstance(out, Path):
        _write(out, text, replace=bool(given["replace"]))
        if not given["as_json"]:
            click.echo(f"\nWritten: {out}")


def _write(out: Path, text: str, *, replace: bool) -> None:
    from timingcam.showing.writing import write_folder

    def fill(inside: Path) -> None:
        (inside / "inspect.json").write_text(text, encoding="utf-8")

    write_folder(out, fill, files=("inspect.json",), replace=replace)


def print_inspection(found: Inspection, console: Console) -> None:
    """Print what was seen, the advice, and whether the clip can be measured.

    Parameters
    ----------
    found : Inspection
        What to print.
    console : Console
        Where to.
    """
    from rich.table import Table
    from rich.text import Text

    from timingcam.showing.inspect_file import inspect_rows

    console.print(Text(found.clip.path, style="bold"))
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column()
    table.add_column()
    for what, value in inspect_rows(found):
        table.add_row(Text(what), Text(value))
    console.print(table)
    for advice in found.advice:
        console.print(Text(f"• {advice}"))
    console.print(Text(_in_short(found), style="bold" if found.fit else "bold red"))
    console.print(Text(" ".join(CAUTION.split())))


def _in_short(found: Inspection) -> str:
    if not found.fit:
        return "Cannot be measured as it is."
    if found.engine is None:
        return "Flashes and rotor can be read. Give --engine and --cylinder to have the marks looked for."
    return "Can be measured; the above would make it better." if found.advice else "Can be measured."
