"""What `static` and `tdc` share on the command line: options for places in the picture, the written folder.

In:  the words of the command line.
Out: click options; `Watched`; a folder with JSON and picture.
Not here: what is measured (`reckoning/static.py`, `reckoning/tdc.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

import click

from timingcam.cli.values import NamedPlace, Number, Place

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from timingcam.reckoning.hand_turned import Watched


class Given(TypedDict):
    """Options that both commands take, as given."""

    out: Path | None
    replace: bool
    as_json: bool
    quiet: bool
    centre: tuple[float, float] | None
    index: tuple[float, float] | None
    mark: tuple[tuple[str, float, float], ...]
    capture_fps: float | None


_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option(
        "--engine", "engine_file", required=True, type=click.Path(path_type=Path), metavar="FILE", help="Engine file."
    ),
    click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Folder for JSON and picture."),
    click.option("--replace", is_flag=True, help="Write over an existing folder of this kind."),
    click.option("--json", "as_json", is_flag=True, help="Print the JSON, and nothing else, on standard output."),
    click.option("--quiet", is_flag=True, help="No progress bar."),
    click.option("--centre", type=Place(), metavar="X,Y", help="The rotor's centre in the first frame, pixels."),
    click.option("--index", type=Place(), metavar="X,Y", help="The index mark in the first frame, pixels."),
    click.option(
        "--mark",
        type=NamedPlace(),
        multiple=True,
        metavar="NAME@X,Y",
        help="A rotor mark there. Several times allowed.",
    ),
    click.option(
        "--capture-fps",
        type=Number("frames a second", 0, 10_000, above=True),
        metavar="N",
        help="Frames a second as filmed, for slow motion that is stored stretched.",
    ),
)


def shared_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that both commands take."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def watched(given: Given, lamp_px: tuple[float, float] | None = None) -> Watched:
    """What the user knows besides clip, engine and cylinder."""
    from timingcam.reckoning.hand_turned import Watched
    from timingcam.seeing.hints import Pointed

    return Watched(Pointed(given["centre"], given["index"], given["mark"]), lamp_px, given["capture_fps"])


def write_result(given: Given, name: str, text: str, picture: Callable[[], Figure]) -> None:
    """Write NAME.json and NAME.png into the folder asked for, whole or not at all; nothing where none was."""
    from timingcam.showing.plots import picture_bytes
    from timingcam.showing.writing import write_folder

    out = given["out"]
    if out is None:
        return
    drawn = picture_bytes(picture())

    def fill(inside: Path) -> None:
        (inside / f"{name}.json").write_text(text, encoding="utf-8")
        (inside / f"{name}.png").write_bytes(drawn)

    write_folder(out, fill, files=(f"{name}.json", f"{name}.png"), replace=given["replace"])
