"""Memory that was let go of, given back to the machine.

In:  nothing.
Out: nothing.
Not here: how much is used.

The GNU C library keeps what was freed for what comes next. The stages of measuring need arrays of different sizes, so
that each keeps what the others cannot use. Other libraries give it back by themselves.
"""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Give what was freed back, where the C library knows how to."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return  # another C library than GNU's; on Windows there is no name for it all
    trim(0)
