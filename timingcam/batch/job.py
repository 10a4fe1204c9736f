"""One clip of a batch: what is to be measured, by what it is known again, and how it ended.

In:  a clip, an engine, a cylinder, options.
Out: `Job`; the key of its content; `Outcome`.
Not here: measuring it (`work.py`), where it is written (`folder.py`).
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

from timingcam import __version__
from timingcam.engine import Engine
from timingcam.errors import CannotUse
from timingcam.measure import Options
from timingcam.reckoning.result import Estimate, Measurement, Verdict
from timingcam.seeing.clip import sha256_of
from timingcam.showing.sentences import spec_verdict

State = Literal["measured", "refused", "failed"]
KEY_DIGITS = 12  # our choice: two of a million different clips share 48 bits once in 560 batches
STEM_CHARACTERS = 40  # our choice: of the clip's and of the cylinder's name, in that of the result folder


@dataclass(frozen=True, slots=True)
class Job:
    """One clip to measure.

    Attributes
    ----------
    clip : Path
        Absolute.
    shown : str
        The clip as the list names it.
    engine : Engine
    engine_sha256 : str
        Of the engine file.
    cylinder : str
    options : Options
        `rpm`, where it is a file, absolute.
    """

    clip: Path
    shown: str
    engine: Engine
    engine_sha256: str
    cylinder: str
    options: Options = field(default_factory=Options)


@dataclass(frozen=True, slots=True)
class Task:
    """A job whose content is known: `name`, of its result folder, ends in the key of that content."""

    job: Job
    clip_sha256: str
    name: str


@dataclass(frozen=True, slots=True)
class Figures:
    """What the table and the picture show of one measurement; limits as they were judged, None where there are none."""

    flashes_used: int
    low: Estimate | None
    low_limits: tuple[float | None, float | None]
    full: Estimate | None
    full_limits: tuple[float | None, float | None]
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one clip ended.

    Attributes
    ----------
    job : Job
    state : {"measured", "refused", "failed"}
        Refused: it can be read but not be measured honestly. Failed: it cannot be used, or the program has a fault.
    status : int
        The exit status that `timingcam measure` gives for it.
    reason : str
        A sentence; empty where it was measured.
    folder : str
        Name of the result folder; empty where there is none.
    figures : Figures, optional
    before : bool
        Whether it was settled before this run, or by another row of this one.
    """

    job: Job
    state: State
    status: int = 0
    reason: str = ""
    folder: str = ""
    figures: Figures | None = None
    before: bool = False


def task_of(job: Job) -> Task:
    """Read a clip's content and give it its key.

    Parameters
    ----------
    job : Job

    Returns
    -------
    Task
        The same for the same content of clip, engine file and options, measured by the same version, whatever the
        files are called; the name begins as the clip's does.

    Raises
    ------
    CannotUse
        If the clip or a file of logged speeds cannot be read.
    """
    clip_sha256 = _sha256(job.clip)
    known = asdict(job.options)
    logged = rpm_file(job.options)
    if logged is not None:
        known["rpm"] = {"sha256": _sha256(logged)}
    content = [__version__, clip_sha256, job.engine_sha256, job.cylinder, known]
    key = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:KEY_DIGITS]
    return Task(job, clip_sha256, f"{_plain(job.clip.stem)}-{_plain(job.cylinder)}-{key}")


def rpm_file(options: Options) -> Path | None:
    """The file of logged speeds, where there is one: not a number, and not the word `sound`."""
    rpm = options.rpm
    return Path(rpm) if isinstance(rpm, str | Path) and rpm != "sound" else None


def key_in(name: str) -> str:
    """The key in the name of a result folder, or of a refusal's file without its ending."""
    return name.rpartition("-")[2]


def figures_of(measurement: Measurement) -> Figures:
    """What the table and the picture show of a measurement.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    Figures
    """
    limits = {check.name: (check.low, check.high) for check in measurement.checks}
    return Figures(
        flashes_used=measurement.strobe.flashes_used,
        low=measurement.curve.low_speed_advance_deg,
        low_limits=limits.get("low-speed advance", (None, None)),
        full=measurement.curve.full_advance_deg,
        full_limits=limits.get("full advance", (None, None)),
        verdict=spec_verdict(measurement),
    )


def _plain(name: str) -> str:
    """A name that every file system takes, and that no shell takes for an option."""
    return re.sub(r"[^\w.]+", "-", name[:STEM_CHARACTERS]).strip("-.") or "clip"


def _sha256(path: Path) -> str:
    try:
        # A pipe would be waited for, and a folder cannot be read.
        if path.exists() and not path.is_file():
            raise CannotUse(
                found=f"{path.name!r}, which is not a regular file", expected="a file", do="give the file itself"
            )
        return sha256_of(path)
    except FileNotFoundError as fault:
        raise CannotUse(
            found=f"no file {path.name!r}", expected="a file", do="check the name and the folder"
        ) from fault
    except OSError as fault:
        raise CannotUse(
            found=f"{path.name!r}, which cannot be read ({fault.strerror})",
            expected="a readable file",
            do="check its name and its permissions",
        ) from fault
