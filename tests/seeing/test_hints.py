"""What a person points at, turned into angles on the maps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from timingcam.engine import read_engine
from timingcam.errors import CannotUse
from timingcam.seeing.clip import Orientation
from timingcam.seeing.hints import Pointed, hints_on_maps, refuse_unknown_marks
from timingcam.seeing.readout import FlashTurns

if TYPE_CHECKING:
    from seeing_journey import Journey


def apart_deg(a: float, b: float) -> float:
    """Between two directions."""
    return abs((a - b + 180) % 360 - 180)


def first_read(turns: FlashTurns) -> int:
    return int(np.flatnonzero(np.isfinite(turns.turn_deg))[0])


def test_pointing_at_the_index(journey: Journey) -> None:
    """At the place that the renderer knows: the pointer's tip, seen without a shake."""
    x, y = journey.told["at_time_0_as_shown"]["index_px"]
    hints = hints_on_maps(journey.view, journey.turns, journey.info, Pointed(index_px=(x, y)))
    assert hints.index_deg is not None
    # The index found is its centreline, and the tip is on it: a pixel is 0.4 degrees.
    assert apart_deg(hints.index_deg, journey.marks.index.deg) < 0.4


def test_pointing_at_a_mark(journey: Journey) -> None:
    """Where the mark stood in the first flash that could be read, by the renderer's own plane."""
    first = first_read(journey.turns)
    seen = float(journey.true_seen_deg[journey.truth_of()[first]])
    mark = next(m for m in journey.told["rotor"]["marks"] if m["name"] == "A")
    index_at = journey.told["index"]["at_deg"]
    # Not yet at the index by (seen - btdc) degrees; turning anticlockwise it comes from the clockwise side.
    clock = np.radians(index_at + seen - mark["btdc_deg"])
    radius = 0.9 * journey.told["rotor"]["radius_mm"]
    u, v, w = np.array(journey.told["at_time_0_as_shown"]["plane_to_picture"]) @ [
        radius * np.sin(clock), -radius * np.cos(clock), 1.0
    ]  # fmt: skip
    hints = hints_on_maps(journey.view, journey.turns, journey.info, Pointed(marks_px=(("A", u / w, v / w),)))
    ((name, deg),) = hints.marks_deg
    found = next(m for m in journey.marks.marks if m.name == "A")
    assert name == "A" and apart_deg(deg, found.deg) < 0.4


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_picture_as_shown_is_what_is_pointed_at(journey: Journey, quarter_turns: int, mirrored: bool) -> None:
    orientation = Orientation(journey.info.width, journey.info.height, quarter_turns, mirrored)
    info = replace(journey.info, orientation=orientation)
    stored = np.array(journey.told["at_time_0_as_shown"]["index_px"])
    x, y = orientation.to_shown(stored)
    plain = hints_on_maps(journey.view, journey.turns, journey.info, Pointed(index_px=tuple(stored)))
    turned = hints_on_maps(journey.view, journey.turns, info, Pointed(index_px=(float(x), float(y))))
    assert turned.index_deg == pytest.approx(plain.index_deg, abs=1e-6)
    centre = Pointed(centre_px=(float(x), float(y))).centre_stored(info)
    assert centre == pytest.approx(stored, abs=1e-6)


def test_a_mark_in_a_clip_of_which_no_flash_could_be_read(journey: Journey) -> None:
    blind = replace(journey.turns, turn_deg=np.full(len(journey.turns.turn_deg), np.nan))
    with pytest.raises(CannotUse) as refusal:
        hints_on_maps(journey.view, blind, journey.info, Pointed(marks_px=(("A", 300.0, 100.0),)))
    assert "mark" in refusal.value.found
    # The index needs no turn.
    assert hints_on_maps(journey.view, blind, journey.info, Pointed(index_px=(300.0, 100.0))).index_deg is not None


def test_a_mark_that_the_engine_file_does_not_have() -> None:
    engine = read_engine(Path(__file__).parents[2] / "shared" / "engines" / "demo-twin.toml")
    refuse_unknown_marks(engine, Pointed(marks_px=(("A", 1.0, 1.0), ("T", 2.0, 2.0))))
    with pytest.raises(CannotUse, match=r"'B' pointed at.*T, S, A"):
        refuse_unknown_marks(engine, Pointed(marks_px=(("A", 1.0, 1.0), ("B", 2.0, 2.0))))


def test_nothing_pointed_at(journey: Journey) -> None:
    hints = hints_on_maps(journey.view, journey.turns, journey.info, Pointed())
    assert hints.index_deg is None and hints.marks_deg == ()
    assert Pointed().centre_stored(journey.info) is None
    assert Path(journey.info.path).exists()
