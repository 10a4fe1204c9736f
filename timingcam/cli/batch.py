"""`timingcam batch`: many clips in one go.

In:  a list of clips, or a folder of them.
Out: a batch folder with a result folder for each clip, a table and a picture of all; the table on the terminal.
Not here: the list (`batch_list.py`), how it is gone about (`batch/`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from timingcam.cli.measure import CAUTION, KNOWN, measure

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from timingcam.batch.job import Outcome
    from timingcam.reckoning.result import Estimate

MOST_PROCESSES = 512  # our choice: far more than any machine has cores
STATE_WORD = {"measured": "", "refused": "refused", "failed": "FAILED"}
VERDICT_WORD = {"in": "✓ in spec", "out": "✗ OUT of spec", "unsure": "? cannot tell", None: "not judged"}


@click.command(epilog=CAUTION, short_help="Measure many clips: a list or a folder of them.")
@click.argument("clips", type=click.Path(path_type=Path), metavar="LIST.csv|FOLDER")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="FOLDER", help="Batch folder to write.")
@click.option(
    "--engine",
    "engine_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Engine file of every clip whose row names none; for a folder, its own engine.toml if left out.",
)
@click.option(
    "--cylinder",
    metavar="NAME",
    help="Cylinder of every clip whose row names none; for a folder, the one named in the clip's name if left out.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, MOST_PROCESSES),
    metavar="N",
    help="Clips measured at the same time; as many as there are cores if left out.",
)
@click.option("--cluster", metavar="ADDRESS", help="Let the workers of this Dask scheduler measure.")
@click.option("--upload", is_flag=True, help="Send the clips to workers that do not see these files.")
@click.option("--json", "as_json", is_flag=True, help="Print batch.json instead of words.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
@click.pass_context
def batch(context: click.Context, clips: Path, **given: Any) -> None:
    """Measure the clips of a list, or of a folder. The same command again goes on where it was left.

    The list's columns are clip, engine, cylinder, and any option of a clip, with underscores: strobe_delay. An option
    given here holds for every clip whose row does not say otherwise.
    """
    from timingcam.batch.cluster import Cluster
    from timingcam.batch.run import run_batch
    from timingcam.cli.batch_list import jobs_in

    _refuse_contradictions(given)
    jobs = jobs_in(clips, given)
    by = Cluster(given["cluster"], given["upload"]) if given["cluster"] else given["jobs"]
    with _progress(len(jobs), given["quiet"]) as tell:
        outcomes = run_batch(jobs, given["out"], by, tell)
    text = _write(outcomes, given["out"])
    if given["as_json"]:
        click.echo(text, nl=False)
    else:
        from rich.console import Console

        print_batch(outcomes, Console(highlight=False))
        click.echo(f"\nWritten: {given['out']}")
    context.exit(worst(outcomes))


# What is known of a clip is said with the options of `timingcam measure`, so that no rule is written twice.
batch.params.extend(param for param in measure.params if param.name in KNOWN)


def worst(outcomes: Sequence[Outcome]) -> int:
    """The exit status: that of the gravest outcome, a fault of the program before a file before a refusal."""
    found = {one.status for one in outcomes}
    return next((status for status in (1, 2, 3) if status in found), 0)


def print_batch(outcomes: Sequence[Outcome], console: Console) -> None:
    """Print the table, the reasons of what was not measured, and the cautions.

    Parameters
    ----------
    outcomes : sequence of Outcome
    console : Console
        Where to.
    """
    from rich.table import Table
    from rich.text import Text

    from timingcam.cli.words import print_cautions

    console.print(Text(_counted(outcomes), style="bold"))
    table = Table(box=None, pad_edge=False)
    table.add_column("clip", overflow="fold")
    table.add_column("cylinder")
    table.add_column("low speed", justify="right", no_wrap=True)
    table.add_column("full advance", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for one in outcomes:
        figures = one.figures
        table.add_row(
            Text(_printable(one.job.shown)), Text(one.job.cylinder),
            _figure(figures.low if figures else None), _figure(figures.full if figures else None),
            STATE_WORD[one.state] or VERDICT_WORD[figures.verdict if figures else None],
        )  # fmt: skip
    console.print(table)
    for one in outcomes:
        if one.reason:
            console.print(Text(_printable(f"{one.job.shown}, {one.job.cylinder}, {one.state}: {one.reason}")))
    print_cautions(console)


def _refuse_contradictions(given: dict[str, Any]) -> None:
    from timingcam.errors import CannotUse

    if given["upload"] and not given["cluster"]:
        raise CannotUse(found="--upload without --cluster", expected="a cluster", do="add --cluster ADDRESS")
    if given["jobs"] and given["cluster"]:
        raise CannotUse(
            found="--jobs with --cluster",
            expected="one of them",
            do="leave --jobs out: how many clips a worker takes at a time is said where it is started",
        )


def _write(outcomes: Sequence[Outcome], out: Path) -> str:
    """The table and the picture; each takes the place of an earlier run's."""
    from timingcam.batch.folder import open_folder
    from timingcam.batch.picture import batch_picture
    from timingcam.batch.summary import batch_csv, batch_json
    from timingcam.showing.plots import picture_bytes
    from timingcam.showing.writing import write_file

    figure = batch_picture(outcomes)
    text = batch_json(outcomes, open_folder(out))
    write_file(out / "batch.png", picture_bytes(figure, dpi=int(figure.dpi)), replace=True)
    write_file(out / "batch.csv", batch_csv(outcomes).encode("utf-8", "backslashreplace"), replace=True)
    write_file(out / "batch.json", text.encode("utf-8", "backslashreplace"), replace=True)
    return text


@contextmanager
def _progress(n_clips: int, quiet: bool) -> Iterator[Callable[[Outcome], None] | None]:
    """A bar on standard error, where a person looks on, and a line for each clip that ends."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
    from rich.text import Text

    console = Console(stderr=True, highlight=False)
    if quiet or not console.is_terminal:
        yield None
        return
    columns = (TextColumn("clips"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        bar = bars.add_task("clips", total=n_clips)

        def tell(outcome: Outcome) -> None:
            done_before = " (before)" if outcome.before else ""
            words = f"{outcome.job.shown}, {outcome.job.cylinder}: {outcome.state}{done_before}"
            bars.console.print(Text(_printable(words)))
            bars.advance(bar)

        yield tell


def _counted(outcomes: Sequence[Outcome]) -> str:
    n = {state: sum(one.state == state for one in outcomes) for state in STATE_WORD}
    before = sum(one.before and one.state == "measured" for one in outcomes)
    words = f"{n['measured']} of {len(outcomes)} clips measured"
    if before:
        words += f" ({before} of them before)"
    parts = [f"{n[state]} {state}" for state in ("refused", "failed") if n[state]]
    return ", ".join([words, *parts])


def _figure(estimate: Estimate | None) -> str:
    from timingcam.showing.sentences import interval_words

    return "" if estimate is None else f"{estimate.value:.2f}° {interval_words(estimate, '°', 2)}"


def _printable(words: str) -> str:
    # What a file name could do to a terminal is shown, not done.
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in words)
