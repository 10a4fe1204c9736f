"""What a clip showed, made up: a rotor at known turns under a known camera, as far as the reckoning looks at it."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from timingcam.engine import Engine, engine_from_dict
from timingcam.reckoning.assemble import Seen
from timingcam.seeing.clip import ClipInfo, Orientation
from timingcam.seeing.clock import FrameClock
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.marks import Index, Mark, Marks
from timingcam.seeing.pose import Pose
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.view import View

WIDTH, HEIGHT, FPS = 640, 480, 60.0
LINE_S, EXPOSURE_S = 20e-6, 5e-3
INDEX_DEG, ZERO_DEG = -90.0, -30.0
MARKS = (("N", 0.0), ("P", 9.0), ("Q", 31.0))


def made_engine(turns: str = "clockwise", **rotor: Any) -> Engine:
    return engine_from_dict(
        {
            "format": 1,
            "name": "made",
            "crank": {"strokes": 4, "sparks_per_rev": 0.5},
            "cylinder": [{"name": "one", "tdc_deg": 0.0}],
            "rotor": {
                "turns": turns,
                "rim_diameter_mm": 100.0,
                "index_above_mm": 0.0,
                "index_above_sd_mm": 0.2,
                "mark": [{"name": name, "cylinder": ["one"], "btdc_deg": btdc} for name, btdc in MARKS],
            }
            | rotor,
            "spec": {"curve": [[1000, 9.0], [2000, 9.0], [4000, 31.0], [7000, 31.0]], "tolerance_deg": 2.0},
        }
    )


def made_pose(lean_rad: tuple[float, float] = (0.0, 0.0)) -> Pose:
    return Pose(np.array([322.0, 238.0]), 150.0, np.array(lean_rad), 600.0, np.array([319.5, 239.5]))


def made_seen(
    advance_deg: np.ndarray, sense: int = 1, *, lean_rad: tuple[float, float] = (0.0, 0.0),
    orientation: Orientation | None = None, pose_sd: float = 0.0,
) -> Seen:  # fmt: skip
    """A clip whose flashes, one each in every second frame and all of its rows, show this advance.

    At top dead centre the mark "N" is at the index; `a` before it the rotor has still to turn by `a` in its sense.
    """
    n = len(advance_deg)
    turns = INDEX_DEG - ZERO_DEG - sense * advance_deg
    marks = tuple(
        Mark(name, ZERO_DEG + sense * btdc, 0.1, 0.8, 0.97, 1.2, sense * btdc, 0.05) for name, btdc in MARKS
    )  # a mark that passes the index earlier stands further on in the sense of turning
    pieces = np.arange(n)
    flashes = Flashes(
        2 * pieces / FPS + 0.0123, np.full(n, 10e-6), pieces.copy(), 2 * pieces, np.zeros(n, int),
        np.full(n, HEIGHT - 1), LINE_S, 0.1e-6, EXPOSURE_S, 40e-6, (),
    )  # fmt: skip
    read = FlashTurns(
        np.asarray((turns + 180) % 360 - 180), np.full(n, 0.08), np.zeros((n, 2)),
        np.tile(np.diag([np.radians(0.08) ** 2, 0.0, 0.0]), (n, 1, 1)), np.full(n, 0.9), ("",) * n,
        np.tile(np.eye(3), (n, 1, 1)), np.array([0, n - 1]), np.zeros((2, 40, 40), np.uint8),
        np.array([[100.0, 50.0]] * 2), 2.0, np.zeros((n, 2, 2)),
    )  # fmt: skip
    info = ClipInfo(
        Path("made.mp4"), "h264", orientation or Orientation(WIDTH, HEIGHT), FPS, None, 8, False, False, False, 2 * n
    )
    clock = FrameClock(np.arange(2 * n) / FPS, 1 / FPS, 0.0, True)
    found = Marks(marks, Index(INDEX_DEG, 0.05, 1.03, 1.0), ZERO_DEG, 0.06, 0.03, ())
    return Seen(info, clock, None, flashes, made_view(lean_rad, pose_sd), read, found)


def made_view(lean_rad: tuple[float, float], pose_sd: float) -> View:
    """Only the pose and its doubt; what is drawn from pictures is left empty."""
    given: dict[str, Any] = {
        "pose": made_pose(lean_rad),
        "pose_covariance": np.diag(np.full(6, pose_sd**2)),
        "turns_deg": np.zeros(0),
        "warnings": (),
    }
    whole: dict[str, Any] = {field.name: given.get(field.name) for field in fields(View)}
    return View(**whole)


def with_turns(seen: Seen, **changed: Any) -> Seen:
    return replace(seen, turns=replace(seen.turns, **changed))


def with_flashes(seen: Seen, **changed: Any) -> Seen:
    return replace(seen, flashes=replace(seen.flashes, **changed))
