"""`timingcam compare`: left with right, or before with after.

In:  two result folders.
Out: words on the terminal; `compare.json` and `compare.png` in a folder.
Not here: how they are compared (`reckoning/compare.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.reckoning.compare import Comparison, Kind


@click.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option(
    "--as",
    "kind",
    type=click.Choice(["left-right", "before-after"]),
    help="What to compare; otherwise told from the cylinders of both results.",
)
@click.option(
    "--same-setup",
    is_flag=True,
    help="The phone was not moved between both clips and the strobe is the same: their common errors cancel.",
)
@click.option("--same-strobe", is_flag=True, help="The strobe is the same, the phone may have been moved.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write compare.json and compare.png into.")
@click.option("--replace", is_flag=True, help="Write over an existing folder of this kind.")
@click.option(
    "--format",
    "picture",
    type=click.Choice(["png", "svg", "pdf"]),
    default="png",
    help="Write the picture as such a file besides compare.png, for print.",
)
@click.option("--json", "as_json", is_flag=True, help="Print compare.json instead of words.")
@click.option("--csv", "as_csv", is_flag=True, help="Print the difference by speed as a table, and nothing else.")
def compare(first: Path, second: Path, kind: Kind | None, **given: Any) -> None:
    """Compare two results of one engine: FIRST and SECOND are result folders. Differences are second less first."""
    from rich.console import Console

    from timingcam.errors import CannotUse
    from timingcam.reckoning.compare import compare as compare_two
    from timingcam.showing import compare_file
    from timingcam.showing.results import load, write_folder

    if given["as_json"] and given["as_csv"]:
        raise CannotUse(found="--csv with --json", expected="one of them", do="run it twice")
    one, other = load(first), load(second)
    compared = compare_two(one, other, kind, same_setup=given["same_setup"], same_strobe=given["same_strobe"])
    out: Path | None = given["out"]
    if out is not None:

        def fill(inside: Path) -> None:
            from timingcam.showing.compare_plot import compare_plot
            from timingcam.showing.plots import picture_bytes

            (inside / "compare.json").write_text(compare_file.compare_json(compared), encoding="utf-8")
            for kind in sorted({"png", given["picture"]}):
                drawn = picture_bytes(compare_plot(one, other, compared), kind)
                (inside / f"compare.{kind}").write_bytes(drawn)

        write_folder(out, fill, files=(*compare_file.FILES, "compare.svg", "compare.pdf"), replace=given["replace"])
    if given["as_json"] or given["as_csv"]:
        text = compare_file.compare_json(compared) if given["as_json"] else compare_file.difference_csv(compared)
        click.echo(text, nl=False)
        return
    print_comparison(compared, Console(highlight=False))
    if out is not None:
        click.echo(f"\nWritten: {out}")


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison: table, finding, warnings, cautions.

    Parameters
    ----------
    comparison : Comparison
        What to print.
    console : Console
        Where to.
    """
    from rich.table import Table
    from rich.text import Text

    from timingcam.cli.words import print_cautions
    from timingcam.showing.compare_file import comparison_rows, comparison_title, limit_words

    console.print(Text(f"{comparison_title(comparison)}: + is more advance", style="bold"))
    table = Table(box=None, pad_edge=False)
    for heading, justify in (("", "left"), ("difference", "right"), ("95 %", "left"), ("", "left")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for row in comparison_rows(comparison):
        table.add_row(row.what, row.value, row.interval, row.verdict)
    console.print(table)
    console.print(Text(f"{limit_words(comparison)[1]} {comparison.finding}".strip(), style="bold"))
    for warning in comparison.warnings:
        console.print(Text(f"Warning: {warning}"))
    print_cautions(console)
