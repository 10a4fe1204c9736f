"""`timingcam adjust`: what to move, which way, how far.

In:  result folders, one for each cylinder.
Out: words on the terminal; `adjust.json` and `adjust.png` in a folder.
Not here: what is advised (`reckoning/adjust.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

import click

if TYPE_CHECKING:
    from rich.console import Console

    from timingcam.engine import Engine
    from timingcam.reckoning.moves import Learned, Moves
    from timingcam.reckoning.result import Measurement

FILES = ("adjust.json", "adjust.png")


class _Earlier(TypedDict):
    """What is known of earlier moves, as given."""

    since: tuple[Path, ...]
    moved: tuple[str, ...]
    learned: Path | None


class _Given(_Earlier):
    """That, and what to print."""

    as_json: bool


class _SinceTakesSeveral(click.Command):
    """`--since A B` is read as `--since A --since B`: click's own options take one value, or a fixed number."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        since = False
        for arg in args:
            if arg.startswith("-"):
                since = arg == "--since"
                if not since:
                    spread.append(arg)
            else:
                spread += ["--since", arg] if since else [arg]
        return super().parse_args(ctx, spread)


@click.command(cls=_SinceTakesSeveral)
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LEFT RIGHT")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write adjust.json and adjust.png into.")
@click.option("--replace", is_flag=True, help="Write over an existing folder of this kind.")
@click.option(
    "--engine",
    "engine_file",
    type=click.Path(path_type=Path),
    help="Engine file as it is now, for instance after another blade was put in; otherwise the one measured with.",
)
@click.option(
    "--since",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="BEFORE_LEFT BEFORE_RIGHT",
    help="Results from before the last move: what the move really did is learned from them.",
)
@click.option(
    "--moved",
    multiple=True,
    metavar="NAME=AMOUNT UNIT",
    help='What was moved since, for instance "base plate=+1.5 divisions" (+ is towards an earlier spark), '
    '"base plate=2 mm anticlockwise" (facing it), "right trigger=3 thou wider". May be given several times.',
)
@click.option("--learned", type=click.Path(path_type=Path), help="Folder of an earlier adjust that learned something.")
@click.option("--json", "as_json", is_flag=True, help="Print adjust.json, and nothing else, on standard output.")
def adjust(
    results: tuple[Path, ...], out: Path | None, replace: bool, engine_file: Path | None, **given: Unpack[_Given]
) -> None:
    """Say what to move, which way and how far, from the results of all cylinders.

    Give the result folder of each cylinder, then any options: adjust LEFT RIGHT --since BEFORE_LEFT BEFORE_RIGHT.
    """
    from dataclasses import replace as with_changes

    from rich.console import Console

    from timingcam.reckoning.adjust import advise
    from timingcam.showing.moves_file import moves_json

    measured = _load(results)
    engine = _engine(measured, engine_file)
    known, notes = _known(engine, measured, given)
    moves = advise(engine, {cylinder: one.curve for cylinder, one in measured.items()}, known)
    moves = with_changes(moves, warnings=(*notes, *_identity_notes(measured), *moves.warnings))
    text = moves_json(moves, {cylinder: one.clip.path for cylinder, one in measured.items()})
    if out is not None:
        _write(moves, engine, text, out, replace)
    if given["as_json"]:
        click.echo(text, nl=False)
        return
    _say(moves, Console(highlight=False))
    if out is not None:
        click.echo(f"\nWritten: {out}")


def _load(folders: tuple[Path, ...]) -> dict[str, Measurement]:
    from timingcam.errors import CannotUse
    from timingcam.showing.results import load

    found: dict[str, Measurement] = {}
    for folder in folders:
        one = load(folder)
        if one.cylinder in found:
            raise CannotUse(
                found=f"two results of cylinder {one.cylinder}",
                expected="one result of each cylinder",
                do="give the newest of each; those from before a move go after --since",
            )
        found[one.cylinder] = one
    return found


def _engine(measured: dict[str, Measurement], engine_file: Path | None) -> Engine:
    from timingcam.engine import read_engine
    from timingcam.errors import CannotUse

    first, *others = measured.values()
    for other in others:
        if other.engine.name != first.engine.name:
            raise CannotUse(
                found=f"results of {first.engine.name} and of {other.engine.name}",
                expected="results of one engine",
                do="give the results of one engine's cylinders",
            )
        if engine_file is None and other.engine != first.engine:
            raise CannotUse(
                found=f"different engine files behind the results of {first.cylinder} and {other.cylinder}",
                expected="the same engine file for all",
                do="give the engine file as it is now with --engine",
            )
    if engine_file is None:
        return first.engine
    engine = read_engine(engine_file)
    if engine.name != first.engine.name:
        raise CannotUse(
            found=f"the engine file of {engine.name} with results of {first.engine.name}",
            expected="the same engine",
            do="give the engine file that belongs to the results",
        )
    return engine


def _known(
    engine: Engine, measured: dict[str, Measurement], given: _Earlier
) -> tuple[tuple[Learned, ...], tuple[str, ...]]:
    """What was learned: now, from --since and --moved, and before, from --learned; the newer counts."""
    from timingcam.errors import CannotUse
    from timingcam.reckoning.learn import learn
    from timingcam.reckoning.made_moves import read_made
    from timingcam.reckoning.shared_doubt import shared_by

    since, moved = given["since"], given["moved"]
    earlier = _earlier(given["learned"], engine.name) if given["learned"] is not None else ()
    if not since and not moved:
        return earlier, ()
    if not since or not moved:
        given_one, other = ("--since", "--moved") if since else ("--moved", "--since")
        raise CannotUse(
            found=f"{given_one} without {other}", expected="both", do="say what was before and what was moved"
        )
    before = _load(since)
    for one in before.values():
        if one.engine.name != engine.name:
            raise CannotUse(
                found=f"results of {one.engine.name} after --since",
                expected=f"results of {engine.name}",
                do="give this engine's results from before the move",
            )
    made = [read_made(text, engine) for text in moved]
    if len({one.adjuster for one in made}) < len(made):
        raise CannotUse(found="an adjuster moved twice", expected="each once", do="add its moves together")
    curves = [{cylinder: one.curve for cylinder, one in group.items()} for group in (before, measured)]
    shared = {name: shared_by(before[name], one, same_setup=False) for name, one in measured.items() if name in before}
    new, notes = learn(engine, curves[0], curves[1], made, shared)
    names = {one.adjuster for one in new}
    return (*new, *(one for one in earlier if one.adjuster not in names)), notes


def _earlier(folder: Path, engine_name: str) -> tuple[Learned, ...]:
    from timingcam.errors import CannotUse
    from timingcam.showing.moves_file import parse_learned

    path = folder / "adjust.json"
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise CannotUse(
            found=f"no readable {path}", expected="a folder that timingcam adjust wrote", do="check the name"
        ) from error
    return parse_learned(text, engine_name, str(path))


def _identity_notes(measured: dict[str, Measurement]) -> tuple[str, ...]:
    unsure = [cylinder for cylinder, one in measured.items() if one.cylinder_identity == "assumed"]
    if not unsure or len(measured) < 2:
        return ()
    return (
        f"That the clips show {' and '.join(unsure)} was told with --cylinder, not seen: make sure that the strobe's "
        "lead was on that cylinder.",
    )


def _write(moves: Moves, engine: Engine, text: str, out: Path, replace: bool) -> None:
    from timingcam.showing.moves_picture import moves_picture
    from timingcam.showing.plots import picture_bytes
    from timingcam.showing.results import write_folder

    assert engine.spec is not None  # advise has refused an engine without one
    picture = picture_bytes(moves_picture(moves, engine.spec))

    def fill(inside: Path) -> None:
        (inside / "adjust.json").write_text(text, encoding="utf-8")
        (inside / "adjust.png").write_bytes(picture)

    write_folder(out, fill, files=FILES, replace=replace)


def _say(moves: Moves, console: Console) -> None:
    from rich.text import Text

    from timingcam.cli.words import print_cautions
    from timingcam.showing.moves_words import (
        effect_sentence,
        learned_sentence,
        leave_sentence,
        outlook_sentence,
        step_sentence,
    )

    def say(text: str, style: str = "") -> None:
        console.print(Text(text, style=style))

    say(f"{moves.engine_name}: what to move", "bold")
    for warning in moves.warnings:
        say(f"! {warning}", "bold")
    say("\nBefore you move anything, make sure of these:")
    for sentence in moves.check_first:
        say(f"  - {sentence}")
    say("")
    for number, move in enumerate(moves.steps, start=1):
        say(f"{number}. {step_sentence(move)}", "bold")
        say(f"   {effect_sentence(move)}")
    if not moves.steps:
        say("Leave everything where it is.", "bold")
    for move in moves.left:
        say(f"   {leave_sentence(move)}")
    say("\nAfterwards:")
    for outlook in moves.outlook:
        say(f"  {outlook_sentence(outlook)}")
    if moves.steps:
        say("  Tighten everything, film every cylinder again, and compare.")
    if moves.learned:
        say("\nLearned from earlier moves:")
        for one in moves.learned:
            say(f"  {learned_sentence(one)}")
    print_cautions(console)
