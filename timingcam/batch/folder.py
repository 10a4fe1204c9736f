"""The batch folder: what is done, what was refused, and where the rest goes.

In:  its path.
Out: the result folders that are whole, the refusals noted; each written whole or not at all.
Not here: the table and the picture (`summary.py`, `picture.py`).

    OUT/batch.json, batch.csv, batch.png     what `timingcam batch` ends with
    OUT/CLIP-CYLINDER-KEY/                    a result folder
    OUT/refused/CLIP-CYLINDER-KEY.json        why a clip cannot be measured honestly

There is no list of what is done, which a kill could leave behind the truth: a clip is done when its folder is there.
"""

from __future__ import annotations

import json
import secrets
from pathlib import Path

from timingcam.batch.job import Task, key_in
from timingcam.errors import CannotUse
from timingcam.reckoning.result import Measurement
from timingcam.showing.results import FILES, load
from timingcam.showing.swapping import clear_leftovers
from timingcam.showing.writing import write_file, write_folder

BATCH_FORMAT, REFUSAL_FORMAT = "timingcam-batch/1", "timingcam-refusal/1"
BATCH_FILES = ("batch.json", "batch.csv", "batch.png")
MAX_BYTES = 100_000_000  # our choice: a row of batch.json has half a kilobyte
MAX_REFUSAL_BYTES = 1_000_000  # our choice: a sentence


def open_folder(out: Path) -> str:
    """Make a batch folder, or go on with one.

    Parameters
    ----------
    out : Path

    Returns
    -------
    str
        By which the folder is known again from another machine.

    Raises
    ------
    CannotUse
        If something else lies there, or it cannot be written to.
    """
    if out.exists():
        content = _read(out / "batch.json", MAX_BYTES)
        if content is None or content.get("format") != BATCH_FORMAT or not isinstance(content.get("folder_id"), str):
            raise CannotUse(
                found=f"'{out.name}', which exists already and holds no batch",
                expected="a new name, or a folder that timingcam batch has written",
                do="give another name to --out",
            )
        rehearse(out)
        _clear(out)
        return str(content["folder_id"])
    folder_id = secrets.token_hex(8)
    first = {"format": BATCH_FORMAT, "folder_id": folder_id, "clips": []}

    def fill(inside: Path) -> None:
        (inside / "batch.json").write_text(json.dumps(first) + "\n", encoding="utf-8")

    write_folder(out, fill, files=BATCH_FILES)
    return folder_id


def results_by_key(out: Path) -> dict[str, str]:
    """Names of the whole result folders, by the keys of their contents.

    Parameters
    ----------
    out : Path

    Returns
    -------
    dict
    """
    return {key_in(place.name): place.name for place in sorted(out.iterdir()) if is_whole(place)}


def refusals_by_key(out: Path) -> dict[str, str]:
    """Why clips were refused before, by the keys of their contents.

    Parameters
    ----------
    out : Path

    Returns
    -------
    dict
    """
    found = {}
    for path in sorted((out / "refused").glob("*.json")):
        content = _read(path, MAX_REFUSAL_BYTES)
        if content is not None and content.get("format") == REFUSAL_FORMAT and isinstance(content.get("reason"), str):
            found[key_in(path.stem)] = str(content["reason"])
    return found


def rehearse(out: Path) -> None:
    """Write nothing, as results will be written: what stands in the way is told before hours are spent."""
    probe = out / f"probe-{secrets.token_hex(4)}"
    write_file(probe, b"")
    probe.unlink()


def stands_here(out: Path, folder_id: str) -> bool:
    """Whether this machine sees that very batch folder."""
    content = _read(out / "batch.json", MAX_BYTES)
    return content is not None and content.get("folder_id") == folder_id


def is_whole(place: Path) -> bool:
    """Whether a result folder is there; it appears whole or not at all, but somebody may have taken files out of it."""
    return all((place / name).is_file() for name in FILES)


def read_back(place: Path) -> Measurement | None:
    """A whole result; None where there is none that can be read, as after somebody wrote into it.

    Parameters
    ----------
    place : Path

    Returns
    -------
    Measurement or None
    """
    if not is_whole(place):
        return None
    try:
        return load(place)
    except CannotUse:
        return None


def take_in(out: Path, task: Task, files: dict[str, bytes]) -> None:
    """Write a result that came from elsewhere as bytes.

    Parameters
    ----------
    out : Path
    task : Task
    files : dict of bytes
        By name; anything but the files of a result folder is left out.

    Raises
    ------
    CannotUse
        If it cannot be written.
    """

    def fill(inside: Path) -> None:
        for name in FILES:
            (inside / name).write_bytes(files[name])

    write_folder(out / task.name, fill, files=FILES, replace=True)


def note_refusal(out: Path, task: Task, reason: str) -> None:
    """Note why a clip was refused, so that the next run need not find it out again.

    Parameters
    ----------
    out : Path
    task : Task
    reason : str
    """
    (out / "refused").mkdir(exist_ok=True)
    content = {"format": REFUSAL_FORMAT, "clip": task.job.clip.name, "cylinder": task.job.cylinder, "reason": reason}
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    write_file(out / "refused" / f"{task.name}.json", text.encode("utf-8", "backslashreplace"), replace=True)


def _clear(out: Path) -> None:
    """Clear away what killed runs left of results."""
    for found in sorted(out.glob(".*.*.*")):
        name, _, _ = found.name[1:].rpartition(".")
        clear_leftovers(out / name.rpartition(".")[0])


def _read(path: Path, max_bytes: int) -> dict[str, object] | None:
    """A JSON file's table; None where there is none that can be read."""
    try:
        if not path.is_file() or path.stat().st_size > max_bytes:
            return None
        content = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) else None
