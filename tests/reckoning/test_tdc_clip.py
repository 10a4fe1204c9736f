"""True TDC on rendered clips: each mark's own error within 0.1 degrees."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from by_hand_clips import STOPS, TDC, HandClip, rendered

from timingcam.errors import CannotMeasure
from timingcam.reckoning.tdc import TrueTdc, true_tdc

# What true TDC has to reach. Measured on these clips, the worst of all marks: 0.06.
WITHIN_DEG = 0.1


def check(found: TrueTdc, clip: HandClip) -> None:
    true = {mark["name"]: mark["error_deg"] for mark in clip.truth["rotor"]["marks"]}
    own = [mark for mark in found.marks if mark.cylinder == clip.cylinder]
    assert {mark.name for mark in own} == set(true)
    for mark in own:
        assert abs(mark.error_deg - true[mark.name]) < WITHIN_DEG
        assert mark.btdc_deg.low < mark.file_btdc_deg + true[mark.name] < mark.btdc_deg.high


@pytest.mark.slow
def test_once_each_way(tmp_path: Path) -> None:
    clip = rendered(
        TDC, tmp_path, turns="clockwise", course=STOPS, seed=9, camera="tilt_deg = 6.0\ntilt_from_deg = 200.0"
    )
    found = true_tdc(clip.path, clip.engine, clip.cylinder)
    check(found, clip)
    assert found.t_mark == "T"
    # The stop was staged to hold 25 degrees either side, give and all.
    assert found.blocked_deg == pytest.approx(25.0, abs=0.1)
    assert [one.ahead for one in found.contacts if one.used] == [True, False]
    assert any("only once" in words for words in found.warnings)


@pytest.mark.slow
@pytest.mark.parametrize("turns", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize(
    ("seed", "camera"),
    [(21, "rotation = 180\ntilt_deg = 4.0\ntilt_from_deg = 80.0"), (9, "tilt_deg = 12.0\ntilt_from_deg = 120")],
)
def test_either_way_of_turning_other_cameras(tmp_path: Path, turns: str, seed: int, camera: str) -> None:
    clip = rendered(TDC, tmp_path, turns=turns, course=STOPS, seed=seed, camera=camera)
    check(true_tdc(clip.path, clip.engine, clip.cylinder), clip)


@pytest.mark.slow
def test_a_twin_with_marks_of_its_own_for_each_cylinder(tmp_path: Path) -> None:
    course = "[[0,740],[0.2,740],[2.0,885],[2.8,885],[5.2,555],[6.0,555],[7.5,680],[8,690]]"
    clip = rendered(TDC, tmp_path, engine="half-turn-twin.toml", cylinder="rear", course=course, seed=4)
    found = true_tdc(clip.path, clip.engine, "rear")
    true = {mark["name"]: mark["error_deg"] for mark in clip.truth["rotor"]["marks"]}
    for mark in found.marks:
        assert abs(mark.error_deg - true[mark.name]) < WITHIN_DEG


@pytest.mark.slow
@pytest.mark.parametrize(
    ("course", "words"),
    [
        ("[[0,200],[0.2,200],[3.0,480],[3.8,480],[6.2,100],[7.0,100],[8,150]]", "less than a full turn"),
        ("[[0,200],[0.2,200],[2.0,320],[2.5,320],[5,200],[8,200]]", "degrees only"),
    ],
)
def test_clips_without_a_stop_are_refused(tmp_path: Path, course: str, words: str) -> None:
    text = TDC.replace("stop_deg = 25.0\n", "")
    clip = rendered(text, tmp_path, course=course)
    with pytest.raises(CannotMeasure, match=words):
        true_tdc(clip.path, clip.engine, clip.cylinder)
