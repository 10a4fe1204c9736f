"""Where the rotor stands, against what the renderer knows; and pictures that show none."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from photographs import photograph

from timingcam.errors import CannotMeasure
from timingcam.seeing import whole_view
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.pose import Pose
from timingcam.seeing.shift import Shift, no_shift
from timingcam.seeing.stack import Stack
from timingcam.seeing.whole_view import _as_the_place_shows, _into_reference, find_view

if TYPE_CHECKING:
    from seeing_journey import Journey


def test_pose_of_the_rotor(journey: Journey) -> None:
    told = journey.told["at_time_0_as_shown"]
    pose = journey.view.pose
    # A rim of 144 px in coded pictures, its edge known to 0.3 px all round, and stated so; a bevel of a millimetre at
    # the rim is 3 px, and either of its edges may be taken for it.
    assert pose.centre_px == pytest.approx(told["centre_px"], abs=1.0)
    assert pose.radius_px == pytest.approx(told["rotor_radius_px"], abs=3.5)
    sd = np.sqrt(np.diag(journey.view.pose_covariance))
    off = (pose.centre_px - np.array(told["centre_px"])) / pose.size_px
    assert np.all(np.abs(off) < 4 * sd[:2])
    assert pose.tilt_deg < 4 * np.degrees(np.hypot(sd[3], sd[4])) + 1.0


def test_the_same_rotor_in_every_picture(journey: Journey) -> None:
    turns = journey.view.turns_deg
    assert np.isfinite(turns).mean() > 0.8
    # The advance goes from 9 to 35 degrees and the delay's share with it: that much the rotor is seen to turn.
    assert 20 < np.ptp(turns[np.isfinite(turns)]) < 30


def test_where_the_user_points(journey: Journey) -> None:
    told = np.array(journey.told["at_time_0_as_shown"]["centre_px"])
    view = find_view(journey.light, journey.lit, told + np.array([6.0, -5.0]))
    assert view.pose.centre_px == pytest.approx(told, abs=1.0)
    with pytest.raises(CannotMeasure) as refusal:
        find_view(journey.light, journey.lit, np.array([40.0, 40.0]))
    assert "circle" in refusal.value.found and "--centre" in refusal.value.do


def light() -> FlashLight:
    table = np.linspace(0, 1, 256, dtype=np.float32) ** 2
    return FlashLight(table, np.sqrt(table), None)


def test_nothing_to_look_at() -> None:
    with pytest.raises(CannotMeasure) as refusal:
        find_view(light(), [])
    assert "no flash" in refusal.value.found


def test_a_garden_path_is_no_rotor() -> None:
    gravel = (255 * photograph("gravel")).astype(np.uint8)
    pictures = [LitPicture(np.roll(gravel, 2 * k, axis=1), k, k, 0, 511) for k in range(6)]
    with pytest.raises(CannotMeasure):
        find_view(light(), pictures)


def test_the_place_pointed_at_is_in_the_first_picture() -> None:
    """The stack begins with the tallest picture, whose pixels are the reference's; the user looks at the first."""
    luma = np.zeros((8, 8), np.uint8)
    about = np.array([4.0, 4.0])
    moved = Shift(np.array([20.0, -10.0, 0.0, 0.0]), np.zeros((4, 4)), about, 0.0)
    stack = Stack(
        light(), [LitPicture(luma, 31, 5, 0, 7), LitPicture(luma, 2, 0, 0, 5), LitPicture(luma, 9, 1, 0, 5)],
        [no_shift(about), moved, no_shift(about)],
    )  # fmt: skip
    assert _into_reference(stack, np.array([120.0, 90.0])) == pytest.approx([100.0, 100.0])


def test_the_place_s_own_light_in_the_pixels_of_the_reference() -> None:
    """By daylight all of the rotor shows without a flash; the reference's picture was filmed some pixels aside."""
    table = np.linspace(0, 1, 256, dtype=np.float32) ** 2
    ambient = np.full((40, 60), 0.25, np.float32)
    ambient[20, 30], ambient[:4] = 1.0, 0.0  # a bright dot; rows that always were lit
    by_day = FlashLight(table, np.sqrt(table), ambient)
    about = np.array([30.0, 20.0])
    one, other = (
        LitPicture(np.zeros((40, 60), np.uint8), 3, 1, 0, 9),
        LitPicture(np.zeros((40, 60), np.uint8), 5, 2, 0, 9),
    )
    aside = Shift(np.array([5.0, -3.0, 0.0, 0.0]), np.zeros((4, 4)), about, 0.1)
    stack = Stack(by_day, [one, other], [no_shift(about), aside])
    shown = _as_the_place_shows(by_day, Stack(by_day, [one], [aside]), stack)
    assert shown is not None
    picture, known = shown
    assert picture[17, 35] == pytest.approx(1.0) and picture[17, 34] == pytest.approx(0.5)
    assert known[10, 30] and not known[0, 30] and not known[10, 2]  # beyond the picture as filmed
    assert _as_the_place_shows(by_day, Stack(by_day, [other], [aside]), stack) is None
    assert _as_the_place_shows(light(), Stack(light(), [one], [aside]), stack) is None


def _seen_by_lens(monkeypatch: pytest.MonkeyPatch, shares: dict[float, float], lean_deg: float) -> tuple[float, int]:
    """Which lens is taken where each leaves such a share unexplained, and how often the flashes were read for that."""
    read = []

    def starts(zoom: float) -> list[whole_view._Start]:
        pose = Pose(
            np.array([320.0, 240.0]), 190.0, np.radians([lean_deg, 0.0]), 576.0 * zoom, np.array([319.5, 239.5])
        )
        return [whole_view._Start(pose, np.zeros((0, 2)))]

    def evidence(*_: object) -> SimpleNamespace:
        read.append(1)
        return SimpleNamespace(turns_deg=np.arange(8.0))

    monkeypatch.setattr(whole_view, "_evidence", evidence)
    monkeypatch.setattr(whole_view, "unexplained", lambda pose, _: shares[round(pose.focal_px / 576.0, 1)])
    stack = Stack(FlashLight(np.zeros(256), np.zeros(256), None), [], [])
    start, _ = whole_view._through_its_lens(stack, starts(1.0)[0], starts, ())
    return round(start.pose.focal_px / 576.0, 1), len(read)


def test_the_lens_with_which_the_rotor_turns_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another than the usual one only where it leaves a seventh less, and of a rotor that leans; the flashes are read
    again in the pose that it makes."""
    zoomed = {0.7: 0.5, 1.0: 0.3, 1.4: 0.2, 2.0: 0.18, 2.8: 0.25}
    assert _seen_by_lens(monkeypatch, zoomed, 20.0) == (2.0, 2)
    assert _seen_by_lens(monkeypatch, zoomed, 2.0) == (1.0, 1)
    assert _seen_by_lens(monkeypatch, {**zoomed, 1.4: 0.27, 2.0: 0.26, 2.8: 0.28}, 20.0) == (1.0, 1)
