"""Scene files: short ones are enough, faulty ones are refused in words."""

from __future__ import annotations

import re

import pytest

from timingcam.errors import CannotUse
from timingcam.staging.scene import read_scene, scene_from_text


def test_short_scene_is_enough(staged, tmp_path):
    staged()  # writes the engine file
    scene = scene_from_text('[engine]\nfile = "engine.toml"\ncylinder = "near"\n', tmp_path)
    assert scene.camera.fps == 30
    assert scene.advance == ((1000, 8), (2000, 8), (4000, 32), (9000, 32))
    assert scene.line_time_s * scene.camera.height < 1 / scene.camera.fps


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ({"camera": "exposur_s = 0.01"}, r"camera\.exposur_s.*exposure_s"),
        ({"rotor": 'finish = "gilded"'}, r"rotor\.finish.*gilded"),
        ({"run": "rpm = -3"}, r"run\.rpm"),
        ({"run": "rpm = [[0, 1000], [0, 2000]]"}, r"run\.rpm.*rise"),
        ({"camera": "line_time_us = 90.0"}, r"480 rows.*33\.33 ms"),
        ({"strobe": 'lead = "middle"'}, r"strobe\.lead.*middle.*near, far"),
    ],
)
def test_faults_in_words(staged, lines, words):
    with pytest.raises(CannotUse) as caught:
        staged(**lines)
    assert re.search(words, str(caught.value), re.S)


def test_unknown_key_in_an_inner_table(staged):
    with pytest.raises(CannotUse) as caught:
        staged(tail="[camera.shake]\nturn_pz = 3.0\n")
    assert "turn_px" in caught.value.do


def test_edge_marks_only_under_a_pointer(staged):
    with pytest.raises(CannotUse, match="pointer"):
        staged(extra='marks_on = "edge"', stator="window = true")


def test_missing_and_broken_files(tmp_path):
    with pytest.raises(CannotUse):
        read_scene(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("[engine\n", encoding="utf-8")
    with pytest.raises(CannotUse):
        read_scene(tmp_path / "bad.toml")


def test_no_curve_anywhere_is_refused(tmp_path):
    (tmp_path / "e.toml").write_text(
        'format = 1\nname = "x"\n[crank]\nstrokes = 2\nsparks_per_rev = 1\n[[cylinder]]\nname = "a"\ntdc_deg = 0\n'
        '[rotor]\nturns = "clockwise"\nrim_diameter_mm = 80\n[[rotor.mark]]\n'
        'name = "M"\ncylinder = "a"\nbtdc_deg = 20\n',
        encoding="utf-8",
    )
    with pytest.raises(CannotUse, match=r"run\.advance"):
        scene_from_text('[engine]\nfile = "e.toml"\ncylinder = "a"\n', tmp_path)
