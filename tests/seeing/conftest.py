"""The stages' results on the small clip, worked out once for the tests of the later stages."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from seeing_journey import Journey

from timingcam.engine import read_engine
from timingcam.reckoning.assemble import btdc_of_marks
from timingcam.seeing.bands import bands_of_clip
from timingcam.seeing.clip import linear_light, open_clip
from timingcam.seeing.clock import frame_clock
from timingcam.seeing.flashes import find_flashes
from timingcam.seeing.marks import Hints, Marks, maps_of, sense_of
from timingcam.seeing.naming import find_marks
from timingcam.seeing.readout import FlashTurns, read_flashes
from timingcam.seeing.stills import lit_pictures
from timingcam.seeing.survey import survey
from timingcam.seeing.view import View
from timingcam.seeing.whole_view import find_view

if TYPE_CHECKING:
    from conftest import MadeOnce, SmallClip


@pytest.fixture(scope="session")
def journey(small_clip: SmallClip, made_once: MadeOnce) -> Journey:
    """Go through the stages one by one."""
    info, engine = open_clip(small_clip.path), read_engine(small_clip.engine)
    table = linear_light(info)
    looked = survey(info, table)
    bands = bands_of_clip(looked.light)
    flashes = find_flashes(bands, frame_clock(looked.stamp_s))
    light, lit = lit_pictures(looked, bands, flashes, table)

    def seen() -> tuple[View, FlashTurns, Marks]:
        view = find_view(light, lit)
        turns = read_flashes(info, flashes, light, view)
        return view, turns, find_marks(maps_of(view, sense_of(engine)), engine, "left", btdc_of_marks(engine), Hints())

    view, turns, marks = made_once("journey", seen)
    with small_clip.truth_csv.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["missed"] == "no"]
    return Journey(
        info, engine, looked, bands, flashes, light, lit, view, turns, marks,
        json.loads(small_clip.truth_json.read_text()),
        np.array([float(row["time_s"]) for row in rows]), np.array([float(row["seen_deg"]) for row in rows]),
        np.array([row["index_lit"] == row["marks_lit"] == "yes" for row in rows]),
    )  # fmt: skip
