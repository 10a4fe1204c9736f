"""What one clip of the gauntlet is: a scene, an engine file that may tell something else, what ought to come of it.

In:  the changes that a case makes to the base scene, as dotted keys of a scene file.
Out: `Case`, with the texts of its files.
Not here: which cases there are (`gauntlet_scenes.py`, `gauntlet_refusals.py`).
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, field
from typing import Any

from gauntlet_engines import engine_text

DELAY_US = 30.0
# Up and down once, into both flats: a hundred flashes in four seconds.
SWEEP = [[0.0, 1350], [0.35, 1350], [1.8, 5000], [2.2, 5000], [3.65, 1350], [4.0, 1350]]
BASE: dict[str, Any] = {
    "run.duration_s": 4.0,
    "run.rpm": SWEEP,
    "run.jitter_deg": 0.2,
    "strobe.delay_us": DELAY_US,
    "strobe.flash_us": 12.0,
    "camera.width": 640,
    "camera.height": 480,
    "camera.fps": 60.0,
    "camera.line_time_us": 27.0,
    "camera.exposure_s": 0.0085,
    "camera.rotor_share": 0.4,
    "rotor.paint": "white",
}


@dataclass(frozen=True)
class Case:
    """One clip and what is asked of its measurement.

    Attributes
    ----------
    name : str
    changes : dict
        Dotted keys of the scene file, over `BASE`.
    engine : str
        What is filmed, of `gauntlet_engines.KINDS`.
    above_mm : float
        True height of the index over the marks.
    given : bool
        Whether the engine file tells that height.
    told : str, optional
        The kind of engine file that the measurement gets, where it is not the one filmed.
    cylinder : str
        The cylinder that the measurement is told.
    options : dict
        Of `timingcam.measure.Options`.
    refused : str
        Words, as a regular expression, that `found` of the right refusal holds; empty: it must be measured.
    rms_deg, bias_deg : float
        What is asked of the readings; the bias only where the height is given.
    draw : int
        Which of the clips that could be drawn of this scene: another number, another seed.
    """

    name: str
    changes: dict[str, Any] = field(default_factory=dict)
    engine: str = "pair"
    above_mm: float = 2.0
    given: bool = True
    told: str = ""
    spec: bool = True
    cylinder: str = "L"
    options: dict[str, Any] = field(default_factory=dict)
    refused: str = ""
    rms_deg: float = 0.3
    bias_deg: float = 0.25
    draw: int = 0

    @property
    def filmed_engine(self) -> str:
        """The engine file that the scene names."""
        return engine_text(self.engine, self.above_mm)

    @property
    def told_engine(self) -> str:
        """The engine file that the measurement gets."""
        return engine_text(self.told or self.engine, self.above_mm if self.given else None, self.spec)

    @property
    def scene(self) -> str:
        """The scene file's text; the seed follows from the name, so that a case does not change with the list."""
        tables: dict[str, dict[str, Any]] = {}
        for key, value in {**BASE, **self.changes}.items():
            table, _, last = key.rpartition(".")
            tables.setdefault(table, {})[last] = value
        seed = 700_000 + zlib.crc32(self.name.encode()) % 100_000 + 100_000 * self.draw
        parts = [f'seed = {seed}\n[engine]\nfile = "filmed.toml"\ncylinder = "L"\n']
        for table in sorted(tables):  # a table before its own sub-tables
            lines = [f"{key} = {_toml(value)}" for key, value in tables[table].items() if value is not None]
            parts.append(f"[{table}]\n" + "\n".join(lines) + "\n")
        return "".join(parts)


def _toml(value: Any) -> str:
    return json.dumps(value)  # numbers, words, lists, true and false are written alike
