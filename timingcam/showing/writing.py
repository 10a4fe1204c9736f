"""Files and folders written whole or not at all.

In:  where, and what fills it.
Out: the folder or file, or nothing.
Not here: what is in them.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from timingcam.errors import CannotUse
from timingcam.showing.swapping import clear_leftovers, fresh_place, swap_in, sync

__all__ = ["write_file", "write_folder"]


def write_folder(
    folder: str | Path, fill: Callable[[Path], None], *, files: tuple[str, ...], replace: bool = False
) -> Path:
    """Write a folder whole or not at all.

    Parameters
    ----------
    folder : str or Path
        Where it is to be.
    fill : callable
        Writes the files into the folder it is given, which lies beside the target under another name.
    files : tuple of str
        All that a folder of this kind may hold: one that holds anything else is not replaced.
    replace : bool
        Whether an existing folder of this kind may be replaced.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CannotUse
        If something of that name exists and may not be replaced, or the disk cannot be written to.
    """
    # The real place: renaming a link to a folder would move the link.
    target = Path(os.path.realpath(folder))
    made: list[Path] = []
    try:
        clear_leftovers(target)
        _refuse_existing(target, files, replace)
        _make_parents(target, made)
        with fresh_place(target, folder=True) as fresh:
            fill(fresh)
            sync(fresh)
            swap_in(fresh, target)
    except BaseException as error:
        # Also on Ctrl-C: nothing half-written may stay behind.
        for parent in reversed(made):
            with suppress(OSError):  # somebody else may have put something there meanwhile
                parent.rmdir()
        if isinstance(error, OSError):
            raise _unwritable(target, error) from error
        raise
    return Path(folder)


def write_file(path: str | Path, data: bytes, *, replace: bool = False) -> Path:
    """Write one file whole or not at all.

    Parameters
    ----------
    path : str or Path
        Where; its folder must be there.
    data : bytes
        What it is to hold.
    replace : bool
        Whether an existing file may be written over.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CannotUse
        If something of that name exists and may not be replaced, or the disk cannot be written to.
    """
    target = Path(os.path.realpath(path))
    try:
        clear_leftovers(target)
        if target.exists() and not replace:
            raise _exists(target)
        if target.is_dir():
            raise CannotUse(found=f"a folder '{target.name}'", expected="a file", do="give another name to --out")
        with fresh_place(target, folder=False) as fresh:
            fresh.write_bytes(data)
            sync(fresh)
            fresh.replace(target)
    except OSError as error:
        raise _unwritable(target, error) from error
    return Path(path)


def _refuse_existing(target: Path, files: tuple[str, ...], replace: bool) -> None:
    if not target.exists():
        return
    if not replace:
        raise _exists(target)
    if not target.is_dir():
        raise CannotUse(found=f"a file '{target.name}'", expected="a folder", do="give another name to --out")
    strangers = sorted(entry.name for entry in target.iterdir() if entry.name not in files)
    if strangers:
        raise CannotUse(
            found=f"'{strangers[0]}' in '{target.name}', which is not part of such a folder",
            expected="a folder that holds nothing else than " + ", ".join(files),
            do="move it elsewhere, or give another name to --out",
        )


def _exists(target: Path) -> CannotUse:
    return CannotUse(
        found=f"'{target.name}', which exists already",
        expected="a new name",
        do="give another name to --out, or add --replace to write over it",
    )


def _make_parents(target: Path, made: list[Path]) -> None:
    for parent in reversed([p for p in target.parents if not p.exists()]):
        with suppress(FileExistsError):  # made by another process at the same moment
            parent.mkdir()
            made.append(parent)


def _unwritable(target: Path, error: OSError) -> CannotUse:
    return CannotUse(
        found=f"'{target}' that cannot be written: {error.strerror or error}",
        expected="a folder on a disk with room that you may write to",
        do="give another place with --out",
    )
