"""How an interruption is raised, so that the exit status is 130 whenever it comes.

In:  a signal.
Out: `Interrupted`.
Not here: what is said of it (`faults.py`).

Where a `KeyboardInterrupt` itself goes through an `exec` of text, with which Python makes dataclasses and named tuples
while modules load, Python remembers it as unhandled, whoever catches it, and ends itself by SIGINT. It asks for that
very class, and no other.
"""

from __future__ import annotations

import signal


class Interrupted(KeyboardInterrupt):
    """Ctrl-C, or being asked to end."""


def interrupt(*_: object) -> None:
    """Raise it; a signal's handler.

    Raises
    ------
    Interrupted
    """
    raise Interrupted


def hear_ctrl_c() -> None:
    """Have Ctrl-C raise `Interrupted`, unless somebody has other plans for it."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, interrupt)
