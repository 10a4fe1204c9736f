"""`timingcam repeat`: do several results of one setting agree?

In:  two or more result folders.
Out: words on the terminal; `repeat.json` and `repeat.png` in a folder.
Not here: how they are tested (`reckoning/repeat.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.reckoning.repeat import Repeat


@click.command()
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--same-setup",
    is_flag=True,
    help="The phone was not moved between the clips and the strobe is the same: what they share excuses no difference.",
)
@click.option("--same-strobe", is_flag=True, help="The strobe is the same, the phone may have been moved.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write repeat.json and repeat.png into.")
@click.option("--replace", is_flag=True, help="Write over an existing folder of this kind.")
@click.option("--json", "as_json", is_flag=True, help="Print repeat.json instead of words.")
def repeat(results: tuple[Path, ...], **given: Any) -> None:
    """Test whether RESULTS, folders of one cylinder with nothing moved between the clips, agree as they say they do."""
    from rich.console import Console

    from timingcam.reckoning.repeat import repeat as repeat_all
    from timingcam.showing import repeat_file
    from timingcam.showing.results import load, write_folder

    measurements = [load(folder) for folder in results]
    found = repeat_all(measurements, same_setup=given["same_setup"], same_strobe=given["same_strobe"])
    out: Path | None = given["out"]
    if out is not None:

        def fill(inside: Path) -> None:
            from timingcam.showing.plots import picture_bytes
            from timingcam.showing.repeat_plot import repeat_plot

            (inside / "repeat.json").write_text(repeat_file.repeat_json(found), encoding="utf-8")
            (inside / "repeat.png").write_bytes(picture_bytes(repeat_plot(found)))

        write_folder(out, fill, files=repeat_file.FILES, replace=given["replace"])
    if given["as_json"]:
        click.echo(repeat_file.repeat_json(found), nl=False)
        return
    print_repeat(found, [str(folder) for folder in results], Console(highlight=False))
    if out is not None:
        click.echo(f"\nWritten: {out}")


def print_repeat(found: Repeat, names: list[str], console: Console) -> None:
    """Print the figures, the finding and warnings.

    Parameters
    ----------
    found : Repeat
        What to print.
    names : list of str
        Of the folders, in order.
    console : Console
        Where to.
    """
    from rich.table import Table
    from rich.text import Text

    from timingcam.cli.words import print_cautions
    from timingcam.showing.repeat_file import repeat_rows, repeat_title, value_headings

    console.print(Text(repeat_title(found), style="bold"))
    for place, name in enumerate(names):
        console.print(Text(f"{place + 1}: {name}"))
    table = Table(box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    for heading in (*value_headings(found), "spread", "stated"):
        table.add_column(heading, justify="right")
    table.add_column("", no_wrap=True)
    for row in repeat_rows(found):
        table.add_row(row.figure, *row.values, row.spread, row.stated, row.outcome)
    console.print(table)
    console.print(Text("Spread and stated: one standard uncertainty, without what all of them share."))
    console.print(Text(found.finding, style="bold"))
    for warning in found.warnings:
        console.print(Text(f"Warning: {warning}"))
    print_cautions(console)
