"""The list of a batch: a CSV file, or a folder of clips, to jobs.

In:  the path, and what the command line gives for all of its clips.
Out: `Job`s; or a sentence that names the row and the column of the first fault.
Not here: what is done with them (`batch/`).

A column is an option of `timingcam measure` with its dashes as underscores, read by the same rules. An empty cell, or a
column that is left out, takes what the command line says.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from timingcam.cli.measure import KNOWN, measure, options_of
from timingcam.errors import CannotUse

if TYPE_CHECKING:
    from timingcam.batch.job import Job
    from timingcam.engine import Engine

COLUMNS = ("clip", "engine", "cylinder", *KNOWN)
NEEDED = ("clip", "engine", "cylinder")
MAX_BYTES = 10_000_000  # our choice: some hundred thousand rows
MARKS_APART = ";"  # several marks in one cell
# Endings under which phones and cameras write clips.
ENDINGS = {".mp4", ".mov", ".m4v", ".3gp", ".mkv", ".webm", ".avi", ".mts", ".m2ts"}
ENGINE_IN_FOLDER = "engine.toml"

Given = Mapping[str, Any]


class Engines:
    """Engine files, each read once."""

    def __init__(self) -> None:
        self._read: dict[Path, tuple[Engine, str]] = {}

    def get(self, path: Path) -> tuple[Engine, str]:
        """The engine and its file's SHA-256; CannotUse as `read_engine`."""
        from timingcam.engine import read_engine
        from timingcam.seeing.clip import sha256_of

        if path not in self._read:
            self._read[path] = (read_engine(path), sha256_of(path))
        return self._read[path]


def jobs_in(path: Path, given: Given) -> list[Job]:
    """The jobs of a list, or of a folder.

    Parameters
    ----------
    path : Path
        A CSV file, or a folder.
    given : mapping
        What the command line gives: `engine_file`, `cylinder`, and options of `timingcam measure`.

    Returns
    -------
    list of Job
        At least one.

    Raises
    ------
    CannotUse
        If there is nothing to measure, or anything in the list cannot be used; row and column are named.
    """
    engines = Engines()
    jobs = list(_in_folder(path, given, engines) if path.is_dir() else _in_list(path, given, engines))
    if not jobs:
        what = "clip" if path.is_dir() else "row below the header"
        raise CannotUse(found=f"no {what} in {path.name!r}", expected="at least one", do="check that this is the one")
    return jobs


def _in_folder(folder: Path, given: Given, engines: Engines) -> Iterator[Job]:
    engine_file: Path = given["engine_file"] or folder / ENGINE_IN_FOLDER
    if given["engine_file"] is None and not engine_file.exists():
        raise CannotUse(
            found=f"no engine file for the clips in {folder.name!r}",
            expected=f"--engine FILE, or a file {ENGINE_IN_FOLDER} in the folder",
            do="give one of them; where clips are of several engines, write a list",
        )
    engine, sha256 = engines.get(engine_file)
    options = options_of(given)  # type: ignore[arg-type]
    for clip in sorted(folder.iterdir()):
        if clip.suffix.lower() in ENDINGS and not clip.name.startswith("."):
            cylinder = given["cylinder"] or _named_in(clip, engine)
            yield _job(clip, clip.name, (engine, sha256), _known_to(engine, cylinder, "--cylinder"), options)


def _named_in(clip: Path, engine: Engine) -> str:
    """The one cylinder whose name stands in the clip's, as a word."""
    names = [one.name for one in engine.cylinder]
    if len(names) == 1:
        return names[0]
    words = _words(clip.stem)
    found = [name for name in names if f" {_words(name).strip()} " in words]
    if len(found) != 1:
        raise CannotUse(
            found=f"{' and '.join(found) or 'no cylinder'} in the name of {clip.name!r}",
            expected="the name of one cylinder as a word in it, of " + ", ".join(names),
            do="rename the clip, give --cylinder, or write a list",
        )
    return found[0]


def _words(name: str) -> str:
    return " " + " ".join(re.findall(r"[^\W_]+", name.lower())) + " "


def _in_list(path: Path, given: Given, engines: Engines) -> Iterator[Job]:
    rows = _rows(path)
    header = _header(path.name, next(rows, (1, []))[1], given)
    for number, row in rows:
        if any(cell.strip() for cell in row):
            if len(row) != len(header):
                _refuse(path.name, number, "", f"{len(row)} values", f"{len(header)}, one for each column")
            cells = {name: cell.strip() for name, cell in zip(header, row, strict=True) if cell.strip()}
            yield _job_of_row(path, number, cells, given, engines)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        if path.exists() and not path.is_file():
            raise CannotUse(
                found=f"{path.name!r}, which is neither a file nor a folder", expected="a list of clips in a CSV file",
                do="give the file itself",
            )  # fmt: skip
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            raise CannotUse(found=f"{path.name}, longer than 10 MB", expected="a list of clips", do="split it")
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else "not a text file in UTF-8"
        raise CannotUse(
            found=f"{path.name}: {why}", expected="a list of clips in a CSV file, or a folder of them",
            do="check its name",
        ) from fault  # fmt: skip
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for row in reader:
            yield reader.line_num, row
    except csv.Error as fault:
        raise CannotUse(
            found=f"{path.name}, row {reader.line_num}: not comma-separated text ({fault})",
            expected="a CSV file", do="save it again as CSV with commas and UTF-8",
        ) from fault  # fmt: skip


def _header(name: str, row: list[str], given: Given) -> list[str]:
    header = [cell.strip() for cell in row]
    for column in header:
        if column not in COLUMNS:
            near = difflib.get_close_matches(column, COLUMNS, 1)
            raise CannotUse(
                found=f"{name}, row 1: column {column!r}" if column else f"{name}, row 1: a column without a name",
                expected="one of " + ", ".join(COLUMNS),
                do=f"write {near[0]}" if near else "rename it, or leave it out",
            )
        if header.count(column) > 1:
            raise CannotUse(found=f"{name}, row 1: column {column!r} twice", expected="it once", do="leave one out")
    for column in NEEDED:
        if column not in header and given.get(_key(column)) is None:
            raise CannotUse(
                found=f"{name}, row 1: no column {column!r}",
                expected="the columns clip, engine and cylinder",
                do="add it" if column == "clip" else f"add it, or give --{column} for all clips",
            )
    return header


def _job_of_row(path: Path, number: int, cells: dict[str, str], given: Given, engines: Engines) -> Job:
    def place(column: str) -> Path:
        # As the list's reader sees it: beside the list.
        return path.parent / cells[column] if column in cells else Path(given[_key(column)])

    for column in NEEDED:
        if column not in cells and given.get(_key(column)) is None:
            _refuse(path.name, number, column, "an empty cell", "a value")
    try:
        engine = engines.get(place("engine"))
    except CannotUse as fault:
        raise _at(path.name, number, "engine", fault) from fault
    cylinder = _known_to(engine[0], cells.get("cylinder") or given["cylinder"], f"{path.name}, row {number}, cylinder:")
    known = dict(given)
    for column in KNOWN:
        if column in cells:
            known[column] = _value(path, number, column, cells[column])
    options = options_of(known)  # type: ignore[arg-type]
    return _job(place("clip"), cells["clip"], engine, cylinder, options)


def _value(path: Path, number: int, column: str, cell: str) -> Any:
    param = next(one for one in measure.params if one.name == column)
    assert isinstance(param, click.Option)
    try:
        if param.multiple:
            return tuple(param.type.convert(one.strip(), None, None) for one in cell.split(MARKS_APART))
        value = param.type.convert(cell, None, None)
    except CannotUse as fault:
        raise _at(path.name, number, column, fault) from fault
    return path.parent / value if isinstance(value, Path) else value


def _job(clip: Path, shown: str, engine: tuple[Engine, str], cylinder: str, options: Any) -> Job:
    from dataclasses import replace

    from timingcam.batch.job import Job

    if isinstance(options.rpm, Path):
        options = replace(options, rpm=options.rpm.absolute())
    return Job(clip.absolute(), shown, *engine, cylinder, options)


def _known_to(engine: Engine, cylinder: str, where: str) -> str:
    names = [one.name for one in engine.cylinder]
    if cylinder not in names:
        raise CannotUse(
            found=f"{where} {cylinder!r}", expected=f"a cylinder of {engine.name}: {', '.join(names)}",
            do="name one of these",
        )  # fmt: skip
    return cylinder


def _key(column: str) -> str:
    return {"engine": "engine_file", "clip": "no option"}.get(column, column)


def _at(name: str, number: int, column: str, fault: CannotUse) -> CannotUse:
    return CannotUse(found=f"{name}, row {number}, {column}: {fault.found}", expected=fault.expected, do=fault.do)


def _refuse(name: str, number: int, column: str, found: str, expected: str) -> NoReturn:
    where = f"{name}, row {number}" + (f", {column}" if column else "")
    raise CannotUse(found=f"{where}: {found}", expected=expected, do="mend that row")
