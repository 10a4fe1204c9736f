"""`timingcam report`: the page of one result, or of two compared.

In:  one or two result folders.
Out: one HTML file, whole or not at all.
Not here: the page itself (`showing/report.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from timingcam.reckoning.compare import Kind
    from timingcam.reckoning.moves import Moves
    from timingcam.reckoning.result import Measurement


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FOLDER [FOLDER]")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("report.html"), show_default=True, help="File to write."
)
@click.option("--replace", is_flag=True, help="Write over an existing file.")
@click.option(
    "--as",
    "kind",
    type=click.Choice(["left-right", "before-after"]),
    help="What two results are; otherwise told from their cylinders.",
)
@click.option(
    "--same-setup",
    is_flag=True,
    help="The phone was not moved between both clips and the strobe is the same: their common errors cancel.",
)
def report(folders: tuple[Path, ...], out: Path, replace: bool, kind: Kind | None, same_setup: bool) -> None:
    """Write one page to look at, print or send on: of one result, of left with right, or of before with after."""
    from timingcam.errors import CannotUse
    from timingcam.reckoning.compare import compare
    from timingcam.showing.report import report_html
    from timingcam.showing.results import load, write_file

    if len(folders) > 2:
        raise CannotUse(
            found=f"{len(folders)} result folders", expected="one or two", do="make a page of two at a time"
        )
    if len(folders) == 1:
        if kind is not None or same_setup:
            given = "--as" if kind is not None else "--same-setup"
            raise CannotUse(found=f"{given} with one result", expected="two results", do=f"leave {given} out")
        text = report_html(load(folders[0]))
    else:
        first, second = (load(folder) for folder in folders)
        compared = compare(first, second, kind, same_setup=same_setup)
        moves = _moves(first, second) if compared.kind == "left-right" else None
        text = report_html(first, second, compared, moves)
    write_file(out, text.encode(), replace=replace)
    click.echo(f"Written: {out}")


def _moves(first: Measurement, second: Measurement) -> Moves | None:
    """What to move, where the engine file says what can be moved and what is aimed at."""
    from timingcam.reckoning.adjust import advise

    engine = first.engine
    if engine.spec is None or not engine.adjuster or engine != second.engine:
        return None
    return advise(engine, {one.cylinder: one.curve for one in (first, second)})
