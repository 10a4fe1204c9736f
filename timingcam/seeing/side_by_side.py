"""Work on several things at once, results in the order of the things.

In:  a function without side effects, things to call it with.
Out: what it returns for each, in order.
Not here: any work; clips side by side (`batch`).

OpenCV, NumPy and SciPy let go of the interpreter while they work, and so does the decoder. The results are those of one
thread, as each call sees nothing of the others.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Thing = TypeVar("Thing")
Result = TypeVar("Result")

MOST_WORKERS = 4  # our choice: beyond it the interpreter itself is what they wait for
AHEAD = 2  # our choice: things a worker that may wait, so that memory stays flat


def side_by_side(work: Callable[[Thing], Result], things: Iterable[Thing]) -> Iterator[Result]:
    """Do the work for each thing, some at a time.

    Parameters
    ----------
    work : callable
    things : iterable
        Taken one by one, no further ahead than a few.

    Yields
    ------
    Result
        In the order of the things.
    """
    workers = min(MOST_WORKERS, os.cpu_count() or 1)
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for thing in things:
                waiting.append(pool.submit(work, thing))
                if len(waiting) > AHEAD * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            # Whoever stops listening, or a fault, leaves nothing running on.
            pool.shutdown(wait=True, cancel_futures=True)
