"""`timingcam tdc`: true top dead centre by a positive piston stop, and how far the marks are off.

In:  a clip of the engine turned by hand against the stop from both sides; an engine file; a cylinder.
Out: words on the terminal; `tdc.json` and `tdc.png` in a folder; with --write, the engine file with the T mark's place.
Not here: how it is measured (`reckoning/tdc.py`), how the file's text is edited (`keeping/engine_text.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from timingcam.cli.bar import progress_bar
from timingcam.cli.by_hand_words import Given, shared_options, watched, write_result

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.engine import Engine
    from timingcam.reckoning.tdc import MarkFound, TrueTdc

CAUTION = """Turn the engine by hand only, never with the starter. Plug out, ignition off and its lead earthed. Take the
stop out before anybody turns the engine over. The maker's manual comes before anything said here."""


@click.command(epilog=CAUTION, short_help="True top dead centre from a clip with a piston stop.")
@click.argument("clip", type=click.Path(path_type=Path))
@click.option("--cylinder", required=True, metavar="NAME", help="Cylinder that the stop is screwed into.")
@click.option("--write", is_flag=True, help="Put the T mark's measured place and its doubt into the engine file.")
@shared_options
def tdc(clip: Path, engine_file: Path, cylinder: str, write: bool, **given: Unpack[Given]) -> None:
    """Measure true top dead centre from CLIP, a video of the engine turned by hand against a piston stop."""
    from rich.console import Console

    from timingcam.engine import read_engine
    from timingcam.reckoning.tdc import true_tdc
    from timingcam.showing.static_file import tdc_json
    from timingcam.showing.static_picture import tdc_picture

    engine = read_engine(engine_file)
    if write:
        _rehearse(engine, engine_file, cylinder)
    with progress_bar(given["quiet"]) as progress:
        found = true_tdc(clip, engine, cylinder, watched(given), progress)
    text = tdc_json(found)
    written = _new_text(found, engine_file) if write else None
    write_result(given, "tdc", text, lambda: tdc_picture(found))
    if written is not None:
        from timingcam.showing.writing import write_file

        write_file(engine_file, written, replace=True)
    if given["as_json"]:
        click.echo(text, nl=False)
        return
    print_tdc(found, Console(highlight=False))
    if written is not None:
        click.echo(f"\nWritten into {engine_file}: mark {found.t_mark}")
    if given["out"] is not None:
        click.echo(f"\nWritten: {given['out']}")


def print_tdc(tdc: TrueTdc, console: Console) -> None:
    """Print the marks' true places, warnings and cautions.

    Parameters
    ----------
    tdc : TrueTdc
        What to print.
    console : Console
        Where to.
    """
    from rich.text import Text

    from timingcam.reckoning.tdc import CAUTIONS
    from timingcam.showing.static_file import mark_sentences

    console.print(Text(f"{tdc.engine.name}, {tdc.cylinder} cylinder: true TDC by a piston stop", style="bold"))
    console.print(Text(f"The stop holds {tdc.blocked_deg:.1f}° either side of TDC."))
    for name, words in mark_sentences(tdc):
        console.print(Text(words, style="bold" if name == tdc.t_mark else ""))
    for warning in tdc.warnings:
        console.print(Text(f"Warning: {warning}"))
    console.print(Text("\nMind", style="bold"))
    for caution in CAUTIONS:
        console.print(Text(f"• {caution}"))


def _read_text(engine_file: Path) -> str:
    # newline="" keeps the file's own line ends.
    with engine_file.open(encoding="utf-8", newline="") as file:
        return file.read()


def _rehearse(engine: Engine, engine_file: Path, cylinder: str) -> None:
    """What would stand in the way of writing is told before minutes are spent."""
    from timingcam.keeping.engine_text import with_measured_mark
    from timingcam.reckoning.piston import mark_btdc_deg
    from timingcam.reckoning.tdc import file_t_mark

    name = file_t_mark(engine, cylinder)
    if name is not None:
        mark = next(one for one in engine.rotor.mark if one.name == name)
        # Any other value will do: it is only seen whether the place is found.
        with_measured_mark(
            _read_text(engine_file), name, mark_btdc_deg(mark, engine.crank) + 1.0, 0.1, engine_file.name
        )


def _new_text(found: TrueTdc, engine_file: Path) -> bytes:
    from timingcam.keeping.engine_text import with_measured_mark

    mark = _mark_to_write(found)
    text = with_measured_mark(
        _read_text(engine_file), mark.name, mark.btdc_deg.value, mark.btdc_deg.sd, engine_file.name
    )
    return text.encode("utf-8")


def _mark_to_write(found: TrueTdc) -> MarkFound:
    from timingcam.errors import CannotUse

    mark = next((one for one in found.marks if one.name == found.t_mark and one.cylinder == found.cylinder), None)
    if mark is None:
        raise CannotUse(
            found=f"no mark near TDC for cylinder {found.cylinder} that was seen",
            expected="a T mark in the engine file, found in the clip",
            do="leave --write out and put the measured places into the file yourself",
        )
    return mark
