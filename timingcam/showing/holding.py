"""Ctrl-C and its like made to wait while something is half done that must be finished or undone.

In:  a stretch of the program.
Out: the same, with what was asked meanwhile done at its end.
Not here: what a signal does (`cli/faults.py`).

Masking signals would not do: with several threads the system hands a signal to one that does not mask it, and Python
still runs the handler in the main thread. So for as long as a stretch lasts, the handler only remembers.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

WAITING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class Hold:
    """What keeps signals waiting; `let_through` gives way for a stretch within it."""

    def __init__(self) -> None:
        self._before: dict[signal.Signals, Any] = {}
        self._asked: list[int] = []

    def _begin(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return  # only the main thread is interrupted, and only it may set handlers
        for one in WAITING:
            # What was ignored, or was not set from Python, stays as it is.
            if callable(handler := signal.getsignal(one)):
                self._before[one] = handler
                signal.signal(one, self._remember)

    def _end(self) -> None:
        while self._before:
            signal.signal(*self._before.popitem())
        asked, self._asked = self._asked, []
        for number in asked[:1]:
            signal.raise_signal(number)

    def _remember(self, number: int, _: FrameType | None) -> None:
        self._asked.append(number)

    @contextmanager
    def let_through(self) -> Iterator[None]:
        """Signals do what they always do, first of all those that waited."""
        try:
            self._end()
            yield
        finally:
            self._begin()


@contextmanager
def signals_wait() -> Iterator[Hold]:
    """Have interruptions wait until the end of the context.

    Yields
    ------
    Hold
        Its `let_through` is for a long stretch within, after which there is an orderly way out.
    """
    hold = Hold()
    try:
        hold._begin()
        yield hold
    finally:
        hold._end()
