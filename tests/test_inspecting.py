"""Is a clip any good: a good one, one without flashes, one that is moved and out of focus; the words and statuses."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

import timingcam
from timingcam.cli.main import main
from timingcam.errors import CannotUse
from timingcam.inspecting import inspect
from timingcam.reckoning.fitness import FlashLook, Inspection
from timingcam.seeing.clip import frames, open_clip
from timingcam.seeing.part import cut_part
from timingcam.seeing.sharpness import edge_width_px
from timingcam.showing.inspect_file import inspect_json, inspect_rows
from timingcam.staging.render import render_clip
from timingcam.staging.scene import scene_from_text

if TYPE_CHECKING:
    from conftest import SmallClip

ENGINES = Path(__file__).parents[1] / "shared" / "engines"


@pytest.fixture(scope="module")
def good(small_clip: SmallClip) -> Inspection:
    return inspect(small_clip.path, small_clip.engine, "left")


def test_a_good_clip(good: Inspection, small_clip: SmallClip) -> None:
    told = json.loads(small_clip.truth_json.read_text())
    assert good.fit
    assert good.flashes is not None and good.rotor is not None and good.engine is not None
    assert good.flashes.exposure_s == pytest.approx(told["camera"]["exposure_s"], rel=0.03)
    assert good.flashes.line_time_s == pytest.approx(told["camera"]["line_time_us"] * 1e-6, rel=0.05)
    # A rim is found to a few percent, as `view.py` says.
    assert good.rotor.radius_px == pytest.approx(told["at_time_0_as_shown"]["rotor_radius_px"], rel=0.04)
    assert np.hypot(*np.subtract(good.rotor.centre_px, told["at_time_0_as_shown"]["centre_px"])) < 6
    assert good.rotor.shake_px < 0.5  # on a tripod
    assert good.rotor.edge_px < 4.5  # in focus
    assert {mark.name for mark in good.engine.marks} == {"T", "S", "A", "index"}
    assert 0 < good.engine.single_sd_deg < 0.5


def test_told_for_a_person_and_for_scripts(good: Inspection) -> None:
    rows = dict(inspect_rows(good))
    assert {"Clip", "Flashes", "Rotor", "Index", "To expect"} <= set(rows)
    content = json.loads(inspect_json(good))
    assert content["format"] == "timingcam-inspect/1"
    assert content["fit"] is True
    assert content["refusal"] is None
    assert content["engine"]["most_doubt_from"] in {row["source"] for row in content["engine"]["budget"]}


def test_advice_follows_what_was_seen(good: Inspection) -> None:
    assert good.rotor is not None and good.flashes is not None
    bad = replace(
        good,
        rotor=replace(good.rotor, radius_px=60.0, edge_px=7.0, shake_px=30.0, tilt_deg=25.0, ambient_share=0.9),
        flashes=replace(good.flashes, lit_rows_share=0.1),
        clip=replace(good.clip, lost_share=0.2, duration_s=2.0),
    )
    advice = " ".join(bad.advice)
    for word in ("nearer", "focus", "rest the phone", "square-on", "darker", "half-darkness", "missing", "2.0 s"):
        assert word in advice, word
    whole = replace(good, flashes=FlashLook(40, 20.0, None, None, 1.0))
    assert "whole frames" in " ".join(whole.advice)


@pytest.fixture(scope="module")
def dark(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = """
seed = 4
[engine]
file = "demo-twin.toml"
cylinder = "left"
[run]
duration_s = 1.0
rpm = 2000
[strobe]
brightness = 0.0
[camera]
width = 320
height = 240
[light]
ambient = 0.5
"""
    return render_clip(scene_from_text(text, ENGINES), tmp_path_factory.mktemp("dark") / "dark.mp4")["clip"]


def test_no_flash_is_told_and_ends_in_3(dark: Path, tmp_path: Path) -> None:
    ran = CliRunner().invoke(main, ["inspect", str(dark), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 3
    assert "Cannot be measured" in ran.output
    assert "no flash" in ran.output.lower()
    assert "seizures" in ran.output  # it says to film again, so the cautions stand there as well
    assert not (tmp_path / "out").exists()
    found = json.loads(inspect_json(timingcam.inspect(dark)))
    assert found["fit"] is False
    assert "flash" in found["refusal"]["found"]


@pytest.mark.slow
def test_a_strobe_of_its_own_rate_is_told() -> None:
    found = inspect(
        ENGINES.parents[1] / "sample_media" / "refused-free-running.mp4", ENGINES / "demo-twin.toml", "left"
    )
    assert found.refusal is not None
    assert "spread over" in found.refusal.found


def test_engine_and_cylinder_go_together(dark: Path) -> None:
    with pytest.raises(CannotUse, match="cylinder"):
        inspect(dark, ENGINES / "demo-twin.toml")
    with pytest.raises(CannotUse, match="middle"):
        inspect(dark, ENGINES / "demo-twin.toml", "middle")


def test_a_part_keeps_pictures_and_stamps(small_clip: SmallClip, tmp_path: Path) -> None:
    whole = open_clip(small_clip.path)
    part = cut_part(whole, tmp_path, 1.0, middle=False)
    cut, full = list(frames(part.info)), list(frames(whole))
    assert 55 <= len(cut) <= 65  # a second at 60 frames a second, give or take the coder's reordering
    for one, other in zip(cut, full[: len(cut)], strict=True):
        assert np.array_equal(one.luma, other.luma)
    steps = np.diff([frame.stamp_s for frame in cut])
    assert np.abs(steps - 1 / 60).max() < 1e-6  # copied, not rounded to a millisecond


@pytest.mark.parametrize("sd_px", [1.0, 1.5, 2.5, 4.0])
def test_width_of_an_edge(sd_px: float) -> None:
    """An edge blurred by a Gaussian: its height over its steepest slope is sqrt(2 pi) sd."""
    picture = np.zeros((120, 160), np.float32)
    picture[:, 80:] = 1.0
    picture = cv2.GaussianBlur(picture, (0, 0), sd_px)
    wide = edge_width_px(picture, np.ones(picture.shape, bool))
    # Sobel's own two pixels add to it; the foot below 8 % of the steepest step is cut off.
    assert wide == pytest.approx(np.sqrt(2 * np.pi * (sd_px**2 + 0.5)), rel=0.12)
