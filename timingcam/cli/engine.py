"""`timingcam engine`: write a starting file; say in words what an engine file means.

In:  an engine file.
Out: words on the terminal, or a new file.
Not here: what makes a file wrong (`timingcam/engine.py`).
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click


@click.group()
def engine() -> None:
    """Write or check the file that describes an engine."""


@engine.command()
@click.option("--out", type=click.Path(path_type=Path), help="File to write; without it the file is printed.")
def new(out: Path | None) -> None:
    """Write a starting file with every key explained."""
    from timingcam.errors import CannotUse
    from timingcam.showing.writing import write_file

    text = resources.files("timingcam.cli").joinpath("new_engine.toml").read_text(encoding="utf-8")
    if out is None:
        click.echo(text, nl=False)
        return
    if out.exists():
        raise CannotUse(
            found=f"{out}, which is there already",
            expected="the name of a new file",
            do="choose another name: nothing is overwritten",
        )
    write_file(out, text.encode())
    click.echo(f"Wrote {out}. Put your engine's own figures in it, then: timingcam engine check {out}")


@engine.command()
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Say in words what FILE was understood to mean; refuse what cannot be."""
    from timingcam.cli.engine_words import describe
    from timingcam.engine import read_engine

    click.echo("\n".join(describe(read_engine(file))))
