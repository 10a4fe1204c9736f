"""`timingcam measure`: a clip in, a result folder out.

In:  a clip, an engine file, a cylinder; what else is known.
Out: a result folder; the figures and the verdict on the terminal, or a table for scripts on standard output.
Not here: how anything is measured (`timingcam/measure.py`) or written (`showing/results.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

import click

from timingcam.cli.bar import progress_bar
from timingcam.cli.values import NamedPlace, Number, Place, Speed

if TYPE_CHECKING:
    from timingcam.errors import CannotMeasure
    from timingcam.measure import Options
    from timingcam.reckoning.result import Measurement
    from timingcam.showing.results import PictureKind

CAUTION = """Before the engine runs: what looks still under the strobe is turning; flashing light can bring on seizures;
exhaust gas, high voltage and petrol can kill. The cautions in full are shown after each measurement. The maker's manual
and local rules come before anything said here."""


class Known(TypedDict):
    """What is known besides clip, engine and cylinder, as given."""

    strobe_delay: float | None
    strobe_delay_sd: float | None
    flash_length: float | None
    dial: float
    capture_fps: float | None
    line_time: float | None
    exposure: float | None
    rpm: float | str | Path | None
    centre: tuple[float, float] | None
    index: tuple[float, float] | None
    mark: tuple[tuple[str, float, float], ...]


KNOWN = tuple(Known.__annotations__)


class _Wanted(TypedDict):
    """What to write and to print, as given."""

    out: Path | None
    replace: bool
    curve_as: PictureKind
    explain: bool
    csv: bool
    json: bool
    quiet: bool


class _Given(Known, _Wanted):
    """Every option beside engine and cylinder."""


@click.command(epilog=CAUTION, short_help="Measure the advance curve of one cylinder from a clip.")
@click.argument("clip", type=click.Path(path_type=Path))
@click.option(
    "--engine", "engine_file", required=True, type=click.Path(path_type=Path), metavar="FILE", help="Engine file."
)
@click.option("--cylinder", required=True, metavar="NAME", help="Cylinder that the strobe's lead was on.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Result folder to write.")
@click.option("--replace", is_flag=True, help="Exchange an existing result folder.")
@click.option(
    "--strobe-delay",
    type=Number("a delay in microseconds", 0, 5000),
    metavar="µs",
    help="From the spark to the middle of the flash, if measured; else ± 100 µs are allowed for.",
)
@click.option(
    "--strobe-delay-sd",
    type=Number("a doubt in microseconds", 0, 5000),
    metavar="µs",
    help="Its doubt (one standard uncertainty); a tenth of it, at least 2 µs, if left out.",
)
@click.option(
    "--flash-length",
    type=Number("a length in microseconds", 0, 5000, above=True),
    metavar="µs",
    help="How long the strobe flashes, if measured; else by the edges of its bands. Without --strobe-delay half of it "
    "is taken off, as the middle of the flash comes so much later than its start.",
)
@click.option(
    "--dial", type=Number("crank degrees", 0, 180), default=0.0, metavar="deg", help="Where the strobe's dial stood."
)
@click.option(
    "--capture-fps",
    type=Number("frames a second", 0, 10_000, above=True),
    metavar="N",
    help="Frames a second as filmed, for slow motion that is stored stretched.",
)
@click.option(
    "--line-time",
    type=Number("a line time in microseconds", 0, 1000, above=True),
    metavar="µs",
    help="From one row of the picture to the next, if known; else taken from the clip where it shows.",
)
@click.option(
    "--exposure",
    type=Number("an exposure in microseconds", 0, 1e6, above=True),
    metavar="µs",
    help="Exposure of a row, if known; else taken from the clip where it shows.",
)
@click.option(
    "--rpm",
    type=Speed(),
    metavar="N|FILE.csv|sound",
    help="Known constant speed; or a logged one (time_s, rpm), set against the clip; or sound: by the engine's note.",
)
@click.option("--centre", type=Place(), metavar="X,Y", help="The rotor's centre in the first lit frame, pixels.")
@click.option("--index", type=Place(), metavar="X,Y", help="The index mark in the first lit frame, pixels.")
@click.option(
    "--mark",
    type=NamedPlace(),
    multiple=True,
    metavar="NAME@X,Y",
    help="A rotor mark there. May be given several times.",
)
@click.option(
    "--format",
    "curve_as",
    type=click.Choice(["png", "svg", "pdf"]),
    default="png",
    help="Write the curve as such a file besides curve.png, for print.",
)
@click.option("--explain", is_flag=True, help="Say where the doubt comes from.")
@click.option("--csv", is_flag=True, help="Print readings.csv, and nothing else, on standard output.")
@click.option("--json", is_flag=True, help="Print result.json, and nothing else, on standard output.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def measure(clip: Path, engine_file: Path, cylinder: str, **given: Unpack[_Given]) -> None:
    """Measure the advance curve of one cylinder from CLIP, a video of its timing marks under a strobe."""
    _refuse_contradictions(given)
    if given["out"] is not None:
        _rehearse(given["out"], given["replace"])
    options = options_of(given)

    from timingcam.engine import read_engine
    from timingcam.errors import CannotMeasure
    from timingcam.measure import measure as measure_clip
    from timingcam.showing.results import save

    engine = read_engine(engine_file)
    try:
        with progress_bar(given["quiet"]) as progress:
            measurement = measure_clip(clip, engine, cylinder, options, progress)
    except CannotMeasure as refusal:
        raise _with_picture(refusal, given["out"]) from refusal
    if given["out"] is not None:
        save(measurement, given["out"], replace=given["replace"], curve_as=given["curve_as"])
    _say(measurement, given)


def _with_picture(refusal: CannotMeasure, out: Path | None) -> CannotMeasure:
    """The refusal that names a picture of the best frame, written beside where the result would have been."""
    from timingcam.errors import CannotMeasure, CannotUse
    from timingcam.seeing.best_frame import BestFrame
    from timingcam.showing.plots import picture_bytes
    from timingcam.showing.refusal_sheet import refusal_sheet
    from timingcam.showing.writing import write_file

    if out is None or not isinstance(refusal.best_frame, BestFrame):
        return refusal
    target = out.with_name(f"{out.name}-refused.png")
    try:
        write_file(target, picture_bytes(refusal_sheet(refusal.best_frame, refusal)), replace=True)
    except CannotUse as fault:
        more = f"no picture of the best frame could be written: {fault.found}"
    else:
        more = f"what was found is drawn in {target}"
    return CannotMeasure(found=refusal.found, expected=refusal.expected, do=f"{refusal.do}; {more}")


def _refuse_contradictions(wanted: _Wanted) -> None:
    from timingcam.errors import CannotUse

    if wanted["csv"] and wanted["json"]:
        raise CannotUse(
            found="--csv with --json", expected="one of them", do="run it twice, or take the other from --out FOLDER"
        )
    if wanted["explain"] and (wanted["csv"] or wanted["json"]):
        raise CannotUse(
            found="--explain with a table for scripts",
            expected="one of them",
            do="leave --explain out; result.json holds the budget",
        )
    if wanted["out"] is None and not (wanted["csv"] or wanted["json"]):
        raise CannotUse(
            found="no place for the result",
            expected="--out FOLDER",
            do="name a new folder, or print with --csv or --json",
        )


class _AllWell(Exception):
    """Ends a rehearsal."""


def _rehearse(out: Path, replace: bool) -> None:
    """Write nothing, the way the result will be written: what stands in its way is told before minutes are spent."""
    from timingcam.showing.results import MAY_HOLD, write_folder

    def fill(_: Path) -> None:
        raise _AllWell

    try:
        write_folder(out, fill, files=MAY_HOLD, replace=replace)
    except _AllWell:
        return


def options_of(known: Known) -> Options:
    """What the library is told of what is known, in its own units.

    Parameters
    ----------
    known : dict
        As given on the command line, or in a row of a list; more keys are passed over.

    Returns
    -------
    Options
    """
    from timingcam.measure import Options, Pointed, Strobe

    return Options(
        strobe=Strobe(
            _seconds(known["strobe_delay"]),
            _seconds(known["strobe_delay_sd"]),
            known["dial"],
            _seconds(known["flash_length"]),
        ),
        capture_fps=known["capture_fps"],
        line_time_s=_seconds(known["line_time"]),
        exposure_s=_seconds(known["exposure"]),
        rpm=known["rpm"],
        pointed=Pointed(known["centre"], known["index"], known["mark"]),
    )


def _seconds(microseconds: float | None) -> float | None:
    return None if microseconds is None else microseconds * 1e-6


def _say(measurement: Measurement, wanted: _Wanted) -> None:
    from timingcam.showing.results import readings_csv, result_json

    if wanted["csv"]:
        click.echo(readings_csv(measurement), nl=False)
        return
    if wanted["json"]:
        click.echo(result_json(measurement), nl=False)
        return
    from rich.console import Console

    from timingcam.cli.words import explain_budget, print_measurement

    console = Console(highlight=False)
    print_measurement(measurement, console)
    if wanted["explain"]:
        console.print()
        explain_budget(measurement, console)
    click.echo(f"\nWritten: {wanted['out']}")
