"""`timingcam film`: the clip again, slowed down, with what was measured drawn in.

In:  a result folder and the clip it was measured from.
Out: an MP4 file, whole or not at all.
Not here: the film itself (`showing/film.py`).
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import click

from timingcam.cli.bar import progress_bar
from timingcam.cli.values import Number

CAUTION = """The usual film is steady: every picture is as bright as the one before, whatever the strobe did, because
flashing light can bring on seizures. --flashing shows the frames as they were filmed: do not watch it, nor show it to
anybody, who may have photosensitive epilepsy."""
FLASHES = "Warning: this film flashes; flashing light can bring on seizures. Tell whoever is to watch it."


@click.command(epilog=CAUTION, short_help="The clip again, slowed down, with what was measured drawn in.")
@click.argument("result", type=click.Path(path_type=Path))
@click.argument("clip", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE.mp4", help="Film to write.")
@click.option("--replace", is_flag=True, help="Write over an existing file.")
@click.option(
    "--slower",
    type=Number("how many times slower than filmed", 1, 60),
    metavar="N",
    help="N times slower than filmed; else slow enough to see each flash. Sound is kept up to 4 times.",
)
@click.option("--flashing", is_flag=True, help="Show the frames as filmed, flashes and all, without sound.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def film(result: Path, clip: Path, out: Path, **given: Any) -> None:
    """Make a film of CLIP with what was found in it, from RESULT, the folder that was measured from it."""
    from timingcam.errors import CannotUse
    from timingcam.showing.film import make_film
    from timingcam.showing.results import load, write_file

    if out.suffix.lower() != ".mp4":
        raise CannotUse(found=f"--out {out.name}", expected="a name that ends in .mp4", do="name the film so")
    if out.exists() and not given["replace"]:
        raise CannotUse(
            found=f"'{out.name}', which exists already",
            expected="a new name",
            do="give another name to --out, or add --replace to write over it",
        )
    measurement = load(result)
    # Made elsewhere first, so that nothing half-written stands under its name.
    with tempfile.TemporaryDirectory(prefix="film-") as folder, progress_bar(given["quiet"]) as progress:
        fresh = Path(folder) / "film.mp4"
        one = make_film(measurement, clip, fresh, slower=given["slower"], flashing=given["flashing"], progress=progress)
        write_file(out, fresh.read_bytes(), replace=given["replace"])
    if one.flashing:
        click.echo(FLASHES, err=True)
    speed = "as fast as filmed" if one.slower == 1 else f"{one.slower:g} times slower than filmed"
    click.echo(f"{one.seconds:.0f} s, {speed}; sound: {one.sound}.\nWritten: {out}")
