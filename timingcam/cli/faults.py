"""The one place where what went wrong becomes a sentence on standard error and an exit status.

In:  a function that does the work.
Out: the exit status of docs/formats.md: 0, 1, 2, 3 or 130.
Not here: what can go wrong (`timingcam/errors.py`).
"""

from __future__ import annotations

import difflib
import errno
import os
import re
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import click

from timingcam.cli.ending import interrupt
from timingcam.errors import CannotUse, TimingcamError

DONE, PROGRAM_FAULT, UNUSABLE, INTERRUPTED = 0, 1, 2, 130

# What writing to standard output may meet with: a reader that left, a full disk, a quota.
NO_WAY_OUT = (errno.EPIPE, errno.ENOSPC, errno.EDQUOT)

# Of a path that a person gave: what may be met wherever it is first looked at, a folder above it included.
NOT_OURS = (errno.EACCES, errno.EPERM, errno.ELOOP, errno.ENAMETOOLONG, errno.EROFS, errno.EIO)

# A minimal Linux lacks some of what the wheels link to: which package holds it on Debian or Ubuntu, and on Fedora.
PACKAGES = {
    "libGL": ("libgl1", "mesa-libGL"),
    "libgthread-2.0": ("libglib2.0-0", "glib2"),
    "libglib-2.0": ("libglib2.0-0", "glib2"),
    "libstdc++": ("libstdc++6", "libstdc++"),
    "libgomp": ("libgomp1", "libgomp"),
    "libz": ("zlib1g", "zlib"),
}


def guard(run: Callable[[], int], *, debug: bool = False) -> int:
    """Run, and turn whatever goes wrong into one sentence and a status.

    Parameters
    ----------
    run : callable
        Does the work; returns an exit status.
    debug : bool
        Whether to print the traceback as well.

    Returns
    -------
    int
        The exit status.
    """
    _print_what_the_terminal_can()
    try:
        with _ended_like_ctrl_c():
            status = _run(run, debug)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output has seen enough, as in `timingcam log list | head`.
        _let_go_of_output()
        return DONE
    except OSError as error:
        _let_go_of_output()
        why = error.strerror or str(error)
        return _tell(f"The output cannot be written ({why}): send it to a place with room.", UNUSABLE, error, debug)
    return status


def _run(run: Callable[[], int], debug: bool) -> int:
    try:
        return run()
    except SystemExit as leaving:
        return _status_of(leaving)
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except (KeyboardInterrupt, click.Abort) as error:
        return _tell("Interrupted.", INTERRUPTED, error, debug)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return UNUSABLE
    # Every kind of fault ends here by design: a person gets a sentence, never a traceback.
    except Exception as error:
        if isinstance(error, OSError) and error.errno in NO_WAY_OUT:
            raise
        words, status = sentence(error)
        return _tell(words, status, error, debug)


def sentence(error: Exception) -> tuple[str, int]:
    """What to say of a fault, and the exit status.

    Parameters
    ----------
    error : Exception
        What was raised.

    Returns
    -------
    words : str
        One sentence with a capital and a full stop.
    status : int
    """
    if isinstance(error, TimingcamError):
        return _as_sentence(str(error)), error.exit_status
    if isinstance(error, click.UsageError):
        return _usage(error), UNUSABLE
    if isinstance(error, click.ClickException):
        return _as_sentence(error.format_message()), UNUSABLE
    if isinstance(error, ModuleNotFoundError) and not str(error.name).startswith("timingcam"):
        return (
            f"The Python package {error.name} is missing: install timingcam again with pip, which brings it along.",
            PROGRAM_FAULT,
        )
    if isinstance(error, ImportError) and ".so" in str(error):
        return _missing_library(str(error)), PROGRAM_FAULT
    if isinstance(error, OSError) and error.errno in NOT_OURS and error.filename is not None:
        return (
            f"Found {os.fsdecode(error.filename)!r}, which cannot be reached ({error.strerror}), expected a file or "
            "folder that you may use: check its name and permissions, and those of the folders above it.",
            UNUSABLE,
        )
    words = " ".join(f"{type(error).__name__}: {error}".split()).rstrip(".: ")
    return (
        f"This is a fault of timingcam, not of your files or your command ({words}): write 'timingcam --debug' in "
        "front of the same command to see where it came from, and report that.",
        PROGRAM_FAULT,
    )


def no_such_command(name: str, known: Sequence[str]) -> CannotUse:
    """What to raise where a command does not exist.

    Parameters
    ----------
    name : str
        As given.
    known : sequence of str
        The commands there are.

    Returns
    -------
    CannotUse
    """
    near = difflib.get_close_matches(name, known, 1)
    return CannotUse(
        found=f"the command {name!r}",
        expected="one of " + ", ".join(known),
        do=f"write timingcam {near[0]}" if near else "see timingcam --help",
    )


def _usage(error: click.UsageError) -> str:
    where = f"{error.ctx.command_path} --help" if error.ctx else "timingcam --help"
    return f"{_as_sentence(error.format_message()).rstrip('.')}: see {where}."


def _missing_library(reason: str) -> str:
    named = re.search(r"(lib[\w+.-]*?)\.so[.\d]*", reason)
    library = named[0] if named else "a library"
    found = PACKAGES.get(named[1]) if named else None
    debian = found[0] if found else "libgl1 libglib2.0-0 libgomp1"
    fedora = found[1] if found else "mesa-libGL glib2 libgomp"
    return (
        f"This system lacks {library}, which a library that timingcam uses needs: install it with "
        f"'apt-get install {debian}' on Debian or Ubuntu, or with 'dnf install {fedora}' on Fedora."
    )


def _as_sentence(words: str) -> str:
    """One line with a capital and a full stop; what a file name could do to a terminal is shown, not done."""
    line = " ".join("".join(c if c.isprintable() or c.isspace() else repr(c)[1:-1] for c in words).split())
    line = line[:1].upper() + line[1:]
    return line if line.endswith((".", "!", "?")) else line + "."


def _tell(words: str, status: int, error: BaseException, debug: bool) -> int:
    if debug:
        traceback.print_exception(error)
    click.echo(words, err=True)
    return status


def _status_of(leaving: SystemExit) -> int:
    return leaving.code if isinstance(leaving.code, int) else DONE if leaving.code is None else PROGRAM_FAULT


def _print_what_the_terminal_can() -> None:
    # A terminal or a pipe that knows no degree sign, or a file name that is no text, must not end a measurement.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@contextmanager
def _ended_like_ctrl_c() -> Iterator[None]:
    """Being asked to end, or losing the terminal, is taken like Ctrl-C: what is half written goes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    asked = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    # Whoever has other plans for them (nohup, a program that uses us) keeps those.
    before = {one: signal.signal(one, interrupt) for one in asked if signal.getsignal(one) is signal.SIG_DFL}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _let_go_of_output() -> None:
    # As the documentation of Python's signal module advises: else the interpreter complains again as it ends.
    try:
        number = sys.stdout.fileno()
    except (OSError, ValueError):
        return
    os.dup2(os.open(os.devnull, os.O_WRONLY), number)
