"""What several folders of tests need: one small clip whose truth is known, rendered once."""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import settings

# No time limit a single example: on a busy machine it would fail tests of which nothing is wrong.
settings.register_profile("timingcam", deadline=None)
settings.load_profile("timingcam")

Made = TypeVar("Made")
ENGINES = Path(__file__).parents[1] / "shared" / "engines"

# Square-on, large and well lit: as good a clip as 640 x 360 pixels allow. Up and down once in four seconds.
SMALL_SCENE = """
seed = 5
[engine]
file = "demo-twin.toml"
cylinder = "left"
[run]
duration_s = 4.0
rpm = [[0.0, 1300], [0.3, 1300], [1.8, 5600], [2.2, 5600], [3.7, 1300], [4.0, 1300]]
jitter_deg = 0.2
[strobe]
delay_us = 30.0
flash_us = 20.0
[camera]
width = 640
height = 360
fps = 60
line_time_us = 36.0
exposure_s = 0.012
rotor_share = 0.4
[rotor]
paint = "white"
"""


@dataclass(frozen=True, slots=True)
class SmallClip:
    """A rendered clip of the demo twin's left cylinder, its truth, and the engine file that belongs to it."""

    path: Path
    truth_csv: Path
    truth_json: Path
    engine: Path
    strobe_delay_us: float


class MadeOnce:
    """What takes long, made by one of the processes that run the tests, and read by the others."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, name: str, make: Callable[[], Made]) -> Made:
        """What was made under a name; it has to be something that can be pickled, of classes of the package."""
        path = self.folder / f"{name}.pickle"
        with (self.folder / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not path.exists():
                new = path.with_suffix(".new")
                new.write_bytes(pickle.dumps(make()))
                new.rename(path)
            made: Made = pickle.loads(path.read_bytes())
            return made


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> MadeOnce:
    """In the folder that all processes of one run share."""
    own = tmp_path_factory.getbasetemp()
    return MadeOnce(own.parent if "PYTEST_XDIST_WORKER" in os.environ else own)


@pytest.fixture(scope="session")
def small_scene() -> str:
    """The text of its scene, for clips of other engines."""
    return SMALL_SCENE


@pytest.fixture(scope="session")
def small_clip(tmp_path_factory: pytest.TempPathFactory) -> SmallClip:
    """Render it once for all tests; do not write beside it."""
    from timingcam.staging.render import render_clip
    from timingcam.staging.scene import scene_from_text

    written = render_clip(scene_from_text(SMALL_SCENE, ENGINES), tmp_path_factory.mktemp("small") / "small.mp4")
    return SmallClip(written["clip"], written["truth_csv"], written["truth_json"], ENGINES / "demo-twin.toml", 30.0)
