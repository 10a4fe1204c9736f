"""`timingcam log`: results of one engine over the years.

In:  result folders, or the log.
Out: an entry in the log; words on the terminal; `log.json` and `log.png` in a folder.
Not here: how the log is kept (`keeping/store.py`).
"""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from timingcam.keeping.entry import Entry, Figure

FILES = ("log.json", "log.png")
_LABELS = {
    "low_speed_advance_deg": ("Advance at low speed", "°", 2),
    "full_advance_deg": ("Full advance", "°", 2),
    "starts_rpm": ("Starts to rise at", " rpm", 0),
    "full_rpm": ("Full from", " rpm", 0),
    "scatter_deg": ("Scatter of single sparks (sd)", "°", 2),
    "hysteresis_deg": ("Higher on the way down by", "°", 2),
}
_VERDICTS = {"in": "in spec", "out": "OUT of spec", "unsure": "cannot tell", None: "not judged"}

_log_file = click.option(
    "--log",
    "log_file",
    type=click.Path(path_type=Path),
    default=Path("bench-log.jsonl"),
    show_default=True,
    help="The log: one line an entry, only ever added to.",
)


@click.group()
def log() -> None:
    """Keep results of an engine over the years."""


@log.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--date", type=click.DateTime(["%Y-%m-%d"]), help="Day of the measurement; today if left out.")
@click.option("--note", default="", help="Anything worth remembering.")
@click.option("--moved", multiple=True, help="What was moved before this measurement. May be given several times.")
@click.option("--again", is_flag=True, help="Add it although this clip is in the log already.")
@_log_file
def add(
    folder: Path, date: datetime.datetime | None, note: str, moved: tuple[str, ...], again: bool, log_file: Path
) -> None:
    """Add the result in FOLDER to the log."""
    from timingcam.errors import CannotUse
    from timingcam.keeping.entry import MAX_NOTE, entry_of
    from timingcam.keeping.store import append
    from timingcam.showing.results import load

    for words in (note, *moved):
        if len(words) > MAX_NOTE:
            raise CannotUse(
                found=f"a note of {len(words)} characters",
                expected=f"at most {MAX_NOTE}",
                do="shorten it, or name in it the file that holds the rest",
            )
    day = datetime.date.today() if date is None else date.date()
    entry = entry_of(load(folder), day, note=note, moved=moved, folder=str(folder))
    number = append(log_file, entry, again=again)
    click.echo(f"Number {number} in {log_file}: {entry.engine}, {entry.cylinder}, {entry.date}.")


@log.command(name="list")
@click.option("--engine", "engine_name", help="Only entries of this engine.")
@_log_file
def list_entries(engine_name: str | None, log_file: Path) -> None:
    """List the log, one line an entry."""
    entries, unreadable = _read(log_file, engine_name)
    rows = [("no.", "date", "engine", "cylinder", "low speed", "full", "verdict", "moved before; note")]
    for number, entry in entries:
        words = "; ".join(part for part in (", ".join(entry.moved), entry.note) if part)
        rows.append(
            (
                str(number),
                str(entry.date),
                entry.engine,
                entry.cylinder,
                _short(entry.low_speed_advance_deg),
                _short(entry.full_advance_deg),
                _VERDICTS[entry.verdict],
                words,
            )
        )
    widths = [max(len(_plain(row[i])) for row in rows) for i in range(7)]
    for row in rows:
        cells = [_plain(cell).ljust(width) for cell, width in zip(row[:7], widths, strict=True)]
        click.echo("  ".join([*cells, _plain(row[7])]).rstrip())
    _tell(unreadable)


@log.command()
@click.argument("number", type=click.IntRange(min=1), required=False)
@click.option("--engine", "engine_name", help="Which engine's history, where the log holds several.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write log.json and the trend, log.png, into.")
@click.option("--replace", is_flag=True, help="Write over an existing folder of this kind.")
@_log_file
def show(number: int | None, engine_name: str | None, out: Path | None, replace: bool, log_file: Path) -> None:
    """Show entry NUMBER in full; without a number, how one engine went over time."""
    entries, unreadable = _read(log_file, engine_name)
    if number is not None:
        entries = [one for one in entries if one[0] == number]
        if not entries:
            _refuse(f"no entry {number} in {log_file}", "a number that timingcam log list shows")
        for line in _in_full(*entries[0]):
            click.echo(_plain(line))
    else:
        _one_engine(entries)
        for line in _over_time(entries):
            click.echo(_plain(line))
    _tell(unreadable)
    if out is not None:
        _write([entry for _, entry in entries], out, replace)
        click.echo(f"Written: {out}")


def _read(log_file: Path, engine_name: str | None) -> tuple[list[tuple[int, Entry]], tuple[str, ...]]:
    from timingcam.keeping.store import read_log

    found = read_log(log_file)
    numbered = list(enumerate(found.entries, start=1))
    if engine_name is not None:
        numbered = [(number, entry) for number, entry in numbered if entry.engine == engine_name]
        if not numbered:
            known = ", ".join(sorted({entry.engine for entry in found.entries})) or "no engine at all"
            _refuse(f"no entry of {engine_name} in {log_file}", f"one of: {known}")
    return numbered, found.unreadable


def _one_engine(entries: list[tuple[int, Entry]]) -> None:
    names = sorted({entry.engine for _, entry in entries})
    if not names:
        _refuse("no readable entry in the log", "at least one")
    if len(names) > 1:
        _refuse(f"entries of {len(names)} engines", f"one engine, named with --engine: {', '.join(names)}")


def _refuse(found: str, expected: str) -> NoReturn:
    from timingcam.errors import CannotUse

    raise CannotUse(found=found, expected=expected, do="see timingcam log list")


def _in_full(number: int, entry: Entry) -> list[str]:
    lines = [f"{number}. {entry.engine}, {entry.cylinder}, {entry.date}: {_VERDICTS[entry.verdict]}"]
    for name, (label, unit, decimals) in _LABELS.items():
        figure: Figure | None = getattr(entry, name)
        value = "not had"
        if figure is not None:
            value = f"{figure.value:.{decimals}f}{unit} (95 %: {figure.low:.{decimals}f} to {figure.high:.{decimals}f})"
        lines.append(f"  {label}: {value}")
    for what, limits in (("low speed", entry.low_speed_limits_deg), ("full advance", entry.full_limits_deg)):
        if limits is not None:
            lines.append(f"  The spec allowed at {what}: {limits[0]:g} to {limits[1]:g}°")
    lines += [f"  Moved before: {words}" for words in entry.moved]
    lines += [f"  Note: {entry.note}"] if entry.note else []
    return [*lines, f"  Clip: {entry.clip}, SHA-256 {entry.sha256}", f"  Result: {entry.folder}"]


def _over_time(entries: list[tuple[int, Entry]]) -> list[str]:
    lines = [entries[0][1].engine]
    for cylinder in dict.fromkeys(entry.cylinder for _, entry in entries):
        lines.append(f"  {cylinder}:")
        before: Entry | None = None
        for number, entry in sorted(
            (one for one in entries if one[1].cylinder == cylinder), key=lambda one: one[1].date
        ):
            for words in entry.moved:
                lines.append(f"      moved: {words}")
            low, full = entry.low_speed_advance_deg, entry.full_advance_deg
            lines.append(
                f"    {entry.date}  no. {number}: low speed {_short(low)}"
                f"{_since(low, before.low_speed_advance_deg if before else None)}, full {_short(full)}"
                f"{_since(full, before.full_advance_deg if before else None)}, {_VERDICTS[entry.verdict]}"
                + (f" ({entry.note})" if entry.note else "")
            )
            before = entry
    return lines


def _since(now: Figure | None, before: Figure | None) -> str:
    """The change since the entry before, where it stands out from the doubt of both."""
    if now is None or before is None:
        return ""
    change = now.value - before.value
    # 95 % of a difference of two independent figures.
    stands_out = abs(change) > 1.959964 * (now.sd**2 + before.sd**2) ** 0.5
    return f" ({change:+.1f}°)" if stands_out else " (no change that can be told)"


def _short(figure: Figure | None) -> str:
    return "-" if figure is None else f"{figure.value:.1f} ± {(figure.high - figure.low) / 2:.1f}°"


def _plain(text: str) -> str:
    """Text without control characters: a log from elsewhere must not steer the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _tell(unreadable: tuple[str, ...]) -> None:
    for sentence in unreadable:
        click.echo(f"! {sentence}", err=True)


def _write(entries: list[Entry], out: Path, replace: bool) -> None:
    from timingcam.showing.history_picture import history_picture
    from timingcam.showing.plots import picture_bytes
    from timingcam.showing.results import write_folder

    data = {"format": "timingcam-log/1", "entries": [entry.model_dump(mode="json") for entry in entries]}
    picture = picture_bytes(history_picture(entries[0].engine, [entry.point() for entry in entries]))

    def fill(inside: Path) -> None:
        (inside / "log.json").write_text(json.dumps(data, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        (inside / "log.png").write_bytes(picture)

    write_folder(out, fill, files=FILES, replace=replace)
