"""A new folder or file put in the place of an old one, and what killed runs left beside it cleared away.

In:  names in one folder.
Out: the new one under the old one's name, at one stroke where the system can; leftovers gone.
Not here: what is in them (`writing.py` has them filled).

What is being written lies beside its target as `.NAME.TOKEN.new`, held by a lock that ends with the process, however it
ends. So whoever finds such a name and can lock it knows that its writer is no more. Where two names cannot be exchanged
at one stroke, the old one steps aside as `.NAME.TOKEN.old`; if the process dies in between, the next one puts it back.
"""

from __future__ import annotations

import ctypes
import errno
import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

from timingcam.showing.holding import signals_wait

# Linux, renameat2(2): paths seen from the working directory; the flag that exchanges two names.
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
_CANNOT_EXCHANGE = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM)
LONGEST_NAME = 255 - len("..12345678.new")  # bytes; Linux file systems allow 255 to a name
TRIES = 20  # our choice: a name is taken back only by a clearing of the same moment


def name_beside(target: Path, token: str, ending: str) -> Path:
    """The name under which something lies beside its target, of at most 255 bytes.

    Parameters
    ----------
    target : Path
    token : str
        Eight characters.
    ending : {"new", "old"}

    Returns
    -------
    Path
    """
    return target.with_name(f".{_stem(target)}.{token}.{ending}")


@contextmanager
def fresh_place(target: Path, *, folder: bool) -> Iterator[Path]:
    """An empty folder or file beside the target, held as long as the context lasts.

    Parameters
    ----------
    target : Path
        What it is to become.
    folder : bool
        Whether it is a folder.

    Yields
    ------
    Path
        Whatever of it is left at the end is removed.
    """
    with signals_wait() as hold:
        fresh, handle = _made(target, folder)
        try:
            with hold.let_through():
                yield fresh
        finally:
            if handle is not None:
                os.close(handle)
            _remove(fresh)


def swap_in(fresh: Path, target: Path) -> None:
    """Put a folder in its place; an old one there is whole under its name until the new one is.

    Parameters
    ----------
    fresh : Path
        The new folder.
    target : Path
        Its place; a folder that may lie there goes.
    """
    if not target.exists():
        fresh.rename(target)
        return
    if _exchanged(fresh, target):
        return  # what is called fresh now is the old one, and goes as whatever is left of a fresh place does
    old = name_beside(target, secrets.token_hex(4), "old")
    with signals_wait():
        target.rename(old)
        try:
            fresh.rename(target)
        except BaseException:
            old.rename(target)
            raise
        _remove(old)


def clear_leftovers(target: Path) -> None:
    """Clear away what killed runs left beside a target; put back an old one that had stepped aside.

    Parameters
    ----------
    target : Path
        The folder or file that they were writing.
    """
    if sys.platform == "win32" or not target.parent.is_dir():
        return
    prefix = f".{_stem(target)}."
    for found in sorted(target.parent.iterdir()):
        token, _, ending = found.name.removeprefix(prefix).partition(".")
        if not found.name.startswith(prefix) or len(token) != 8 or ending not in ("new", "old"):
            continue
        if ending == "old" and not target.exists():
            found.rename(target)
        elif (handle := _held(found)) is not None:
            _remove(found)
            os.close(handle)


def sync(path: Path) -> None:
    """Have a file, or a folder with all that is in it, on the disk before it gets its name.

    Parameters
    ----------
    path : Path
    """
    if path.is_dir():
        for inside in path.iterdir():
            sync(inside)
        if sys.platform == "win32":
            return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _stem(target: Path) -> str:
    # Cut between characters, not within one. Names that agree so far share their leftovers, which is only told apart
    # by the lock: still nobody's but those of writers who are no more.
    return os.fsencode(target.name)[:LONGEST_NAME].decode(errors="ignore") or target.name[: LONGEST_NAME // 4]


def _made(target: Path, folder: bool) -> tuple[Path, int | None]:
    for _ in range(TRIES):
        fresh = name_beside(target, secrets.token_hex(4), "new")
        fresh.mkdir() if folder else fresh.touch(exist_ok=False)
        if sys.platform == "win32":
            return fresh, None
        # Somebody who clears away may have been quicker than our lock: then another name.
        handle = _held(fresh)
        if handle is not None and fresh.exists():
            return fresh, handle
        if handle is not None:
            os.close(handle)
    raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(target))


def _held(path: Path) -> int | None:
    """A handle with a lock on it; None where its writer lives, or it is gone."""
    if sys.platform == "win32":
        return None
    import fcntl

    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with suppress(OSError):
            path.unlink(missing_ok=True)


@cache
def _renameat2() -> Any:
    """The C library's function; None where there is none."""
    if not sys.platform.startswith("linux"):
        return None
    return getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)


def _exchanged(one: Path, other: Path) -> bool:
    call = _renameat2()
    if call is None:
        return False
    if call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _CANNOT_EXCHANGE:  # an older kernel, or a file system that cannot
        return False
    raise OSError(number, os.strerror(number), str(other))
