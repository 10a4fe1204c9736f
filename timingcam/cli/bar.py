"""A progress bar on standard error, where a person looks on.

In:  whether it is wanted.
Out: what to call with what is being done and its share; or None, where nobody looks on.
Not here: what is being done.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

Told = Callable[[str, float], None]


@contextmanager
def progress_bar(quiet: bool) -> Iterator[Told | None]:
    """A bar for each thing that is done, gone when all is.

    Parameters
    ----------
    quiet : bool
        Whether none is wanted.

    Yields
    ------
    callable or None
        Takes what is being done and its share, 0 to 1.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        tasks: dict[str, int] = {}

        def show(what: str, share: float) -> None:
            if what not in tasks:
                for earlier in tasks.values():
                    bars.update(earlier, completed=1.0)  # type: ignore[arg-type]
                tasks[what] = bars.add_task(what, total=1.0)
            bars.update(tasks[what], completed=min(share, 1.0))  # type: ignore[arg-type]

        yield show
