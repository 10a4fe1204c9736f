"""Memory that was let go of, given back to the machine.

In:  nothing.
Out: nothing.
Not here: how much is used.

The GNU C library keeps what was freed for what comes next. The stages of measuring need arrays of different sizes, so
that each keeps what the others cannot use. Other libraries give it back by themselves.
"""

from __future__ import annotations

import ctypes

M_ARENA_MAX = -8  # of GNU's malloc.h


def give_back() -> None:
    """Give what was freed back, where the C library knows how to."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return  # another C library than GNU's; on Windows there is no name for it all
    trim(0)


def few_heaps() -> None:
    """Let all threads share two heaps, where the C library has more: each keeps what it once needed for itself."""
    try:
        tune = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    tune(M_ARENA_MAX, 2)
