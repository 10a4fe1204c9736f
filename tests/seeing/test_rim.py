"""Which ring is the rim: of drawn rotors with rings on rotor and case, tilted, and with a lead across."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_clips import GAP, LIGHT, N_FLASHES, clip, posed
from drawn_rotors import SIZE, rim_ellipse

from timingcam.errors import CannotMeasure
from timingcam.seeing import rim
from timingcam.seeing.mosaic import lay
from timingcam.seeing.pose import Pose
from timingcam.seeing.rim import EACH_ROW_SHOWN, MOST_RINGS, PLAINLY, pose_of, rim_of, seen_in
from timingcam.seeing.rings import Ring, find_rings, whole_enough
from timingcam.seeing.stack import Stack
from timingcam.seeing.stills import some_of
from timingcam.seeing.turning_edge import Edge, _best_split


@cache
def rim_found(tilt_deg: float, toward_deg: float, lead_px: float = 0.0) -> tuple[Ring, Stack]:
    """The rim of a drawn clip, and its pictures laid on one another; once for all tests."""
    stack, mean, known = lay(LIGHT, clip(posed(tilt_deg, toward_deg), lead_px))
    return rim_of(stack, [find_rings(mean, known)], mean.shape)[0], stack


WITH_LEAD = [(0, 0, 26.0), (12, 200, 26.0), (25, 70, 26.0)]


@pytest.mark.parametrize(
    ("tilt_deg", "toward_deg", "lead_px"),
    [(12, 200, 0.0), (25, 70, 0.0), (34, 300, 26.0),
     *(pytest.param(*case, marks=pytest.mark.slow) for case in [(0, 0, 0.0), (34, 300, 0.0), *WITH_LEAD])],
)  # fmt: skip
def test_the_rim_is_where_the_turning_ends(tilt_deg: float, toward_deg: float, lead_px: float) -> None:
    ring, _ = rim_found(tilt_deg, toward_deg, lead_px)
    _, (_, long) = rim_ellipse(posed(tilt_deg, toward_deg))
    # Half of the gap: the bore's edge, three percent larger, is the nearest that it could be taken for.
    assert ring.size_px == pytest.approx(long, rel=(GAP - 1) / 2)
    assert ring.sign == -1


@pytest.mark.parametrize("shine", [0.0, -0.2, -0.6])
def test_a_hub_whose_shine_stands_still_is_no_end_of_the_turning(shine: float) -> None:
    """It may have as many votes as what turns further out: the split is where that ends, by all of its votes."""
    gain, fewest, at = _best_split(np.r_[np.full(20, shine), np.full(20, 0.3), np.full(40, -0.5)])
    assert at == 39
    assert gain[at] - fewest[at] == pytest.approx(20 * 0.3)


def test_of_a_rotor_that_stands_still_the_rim_is_the_ring_beside_a_gap() -> None:
    """Nothing tells where the turning ends; a step of the case is as round, larger, and better supported."""
    pictures = clip(posed(5, 0), turned_deg=0.0)
    stack, mean, known = lay(LIGHT, pictures)
    rings = find_rings(mean, known)
    step = next(ring for ring in rings if ring.size_px > 1.06 * 165 and ring.sign < 0)
    rings = [replace(step, coverage=1.0), *(ring for ring in rings if ring is not step)]
    found = rim_of(stack, [rings], mean.shape)[0]
    assert found.size_px == pytest.approx(165, rel=(GAP - 1) / 2) and found.sign < 0


def test_the_pose_of_a_ring_is_round_in_it() -> None:
    ring, _ = rim_found(25, 70)
    found = pose_of(ring, (SIZE[1], SIZE[0]))
    assert found.tilt_deg == pytest.approx(25, abs=1.5)  # an axis of 150 px that is off by a pixel


def test_half_a_ring_is_no_rim() -> None:
    """Nothing turns, and of the one ring that there is too little is seen: it could be the shadow of anything round."""
    pictures = clip(posed(0, 0), turned_deg=0.0)
    ring = Ring(np.array([310.0, 245.0]), (165.0, 165.0), 0.0, 0.5, -1)
    stack, _, _ = lay(LIGHT, pictures)
    shape = (SIZE[1], SIZE[0])
    assert rim_of(stack, [[ring]], shape)[0] is ring
    with pytest.raises(CannotMeasure, match="50% shows an edge"):
        whole_enough(ring, shape)
    assert whole_enough(replace(ring, coverage=0.9), shape).coverage == 0.9


def test_a_rim_that_the_picture_cuts_off_shows_all_that_can_be_seen_of_it() -> None:
    """Half of it lies in the picture, and nearly all of that shows: no shadow does so."""
    ring = Ring(
        np.array([-10.0, 245.0]), (165.0, 165.0), 0.0, 0.46, -1
    )  # acos(10/165)/180 degrees: 0.48 of it is inside
    assert whole_enough(ring, (SIZE[1], SIZE[0])) is ring
    for less in (replace(ring, coverage=0.38), replace(ring, centre_px=np.array([310.0, 245.0]))):
        with pytest.raises(CannotMeasure, match="shows an edge"):
            whole_enough(less, (SIZE[1], SIZE[0]))


def test_a_hub_with_all_of_its_ring_in_view_is_not_the_rim() -> None:
    """What turns goes on far beyond it."""
    rim, stack = rim_found(12, 200)
    hub = replace(rim, axes_px=(0.4 * rim.axes_px[0], 0.4 * rim.axes_px[1]), coverage=1.0)
    assert rim_of(stack, [[hub, rim]], (SIZE[1], SIZE[0]))[0] is rim


def test_a_ring_of_the_case_in_a_plane_of_its_own_is_not_the_rim() -> None:
    """Seen at an angle its centre lies elsewhere: about that, the rim is no circle."""
    rim, stack = rim_found(25, 70)
    larger = (1.08 * rim.axes_px[0], 1.08 * rim.axes_px[1])
    case = Ring(rim.centre_px + np.array([3.0, 10.0]), larger, rim.angle_deg, 1.0, 1)
    assert rim_of(stack, [[case, rim]], (SIZE[1], SIZE[0]))[0] is rim


def test_a_case_that_a_hand_moves_a_little_is_no_rotor(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within its ring most flashes show one angle, but for a few that were misread; within the rotor's they differ."""
    found, stack = rim_found(5, 0)
    case = replace(found, axes_px=(1.45 * found.axes_px[0], 1.45 * found.axes_px[1]))
    swaying = np.r_[np.linspace(-0.3, 0.3, 34), -4.0, -4.5, -5.0]
    turning = np.linspace(0, 22, 37)

    def seen_in(_: Stack, __: object, one: Pose) -> tuple[Stack, Pose, np.ndarray]:
        return stack, one, swaying if one.radius_px > 1.2 * found.size_px else turning

    monkeypatch.setattr(rim, "seen_in", seen_in)
    monkeypatch.setattr(rim, "_edges_in", lambda seen, _: [])
    shape = (SIZE[1], SIZE[0])
    assert rim_of(stack, [[case, found]], shape)[0] is found
    assert rim_of(stack, [[case]], shape)[0] is case  # where there is no other


def test_a_rotor_that_stands_off_the_case_has_rings_of_its_own() -> None:
    """Seen at an angle, the case's rings are about another centre, and nothing like the rotor's rim is among them."""
    rim, stack = rim_found(25, 70)
    case = [
        Ring(rim.centre_px + np.array([18.0, -20.0]), (f * rim.axes_px[0], f * rim.axes_px[1]), rim.angle_deg, 1.0, -1)
        for f in (1.5, 1.42)
    ]
    asked: list[Ring] = []

    def within(ring: Ring) -> list[Ring]:
        asked.append(ring)
        return [rim]

    ring, rings = rim_of(stack, [case], (SIZE[1], SIZE[0]), within)
    assert ring is rim and rings == [rim]
    assert asked == [case[1]] or asked == [case[0]]
    # With a rim that plainly ends what turns, nobody asks.
    assert rim_of(stack, [[rim]], (SIZE[1], SIZE[0]), within)[0] is rim and len(asked) == 1


def test_a_cover_with_more_rings_than_the_rotor_is_left_for_where_something_turns() -> None:
    rim, stack = rim_found(12, 200)
    cover = [Ring(np.array([80.0, 90.0]), (r, r), 0.0, 1.0, -1) for r in (70.0, 50.0, 30.0)]
    ring, rings = rim_of(stack, [cover, [rim]], (SIZE[1], SIZE[0]))
    assert ring is rim
    assert rings == [rim]
    assert rim_of(stack, [cover], (SIZE[1], SIZE[0]))[0] in cover


def test_rings_are_asked_in_the_pixels_that_they_were_found_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only some pictures tell what turns; among them is the one that all were laid on, or a hand's move comes in."""
    moves = [(round(12 * np.sin(k)), round(10 * np.cos(2.1 * k))) for k in range(N_FLASHES)]
    steady = clip(posed(8, 40))
    pictures = [replace(one, luma=np.roll(one.luma, move, (1, 0))) for one, move in zip(steady, moves, strict=True)]
    first = pictures[4]
    assert first not in some_of(pictures, SIZE[1], EACH_ROW_SHOWN)  # of sixteen, fourteen
    stack, mean, known = lay(LIGHT, [first, *(one for one in pictures if one is not first)])
    asked: list[Stack] = []

    def recorded(*what: Any) -> Any:
        seen = seen_in(*what)
        asked.append(seen[0])
        return seen

    monkeypatch.setattr(rim, "seen_in", recorded)
    rim_of(stack, [find_rings(mean, known)], mean.shape)
    assert asked
    for one in asked:
        assert one.lit[0] is first
        assert np.array_equal(one.shifts[0].matrix(), np.eye(3))


def test_the_rim_may_come_after_many_rings_of_the_case() -> None:
    """Rings about which all stands still are passed over, however many of them are better seen."""
    found, stack = rim_found(5, 0)
    of_case = [
        replace(found, axes_px=(f * found.axes_px[0], f * found.axes_px[1])) for f in (1.5, 1.45, 1.4, 1.35, 1.3)
    ]
    assert len(of_case) > MOST_RINGS
    assert rim_of(stack, [[*of_case, found]], (SIZE[1], SIZE[0]))[0] is found


def test_what_hardly_speaks_for_a_ring_is_held_against_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a ring that has a half of the case and a half of the rotor within it, flashes look alike at two angles."""
    found, stack = rim_found(5, 0)
    wide, other = (replace(found, axes_px=(f * found.axes_px[0], f * found.axes_px[1])) for f in (1.1, 1.2))
    spoken: dict[float, float] = {}

    def seen_in(_: Stack, __: object, one: Pose) -> tuple[Stack, Pose, np.ndarray]:
        return stack, one, np.linspace(0, 20, 12)

    def edges_in(seen: list[tuple[Stack, Pose, np.ndarray]], _: object) -> list[tuple[Edge, Pose]]:
        one = seen[0][1]
        return [(Edge(1.0, 1.0, spoken[round(one.radius_px / found.size_px, 1)]), one)]

    monkeypatch.setattr(rim, "seen_in", seen_in)
    monkeypatch.setattr(rim, "_edges_in", edges_in)
    for told, expected in (
        ({1.1: 0.5 * PLAINLY, 1.0: 1.5 * PLAINLY, 1.2: 9 * PLAINLY}, found),  # no more is asked for than what is plain
        ({1.1: 0.5 * PLAINLY, 1.0: 0.7 * PLAINLY, 1.2: 0.2 * PLAINLY}, found),
        ({1.1: 0.8 * PLAINLY, 1.0: 0.7 * PLAINLY, 1.2: 0.2 * PLAINLY}, wide),
        ({1.1: 1.2 * PLAINLY, 1.0: 9 * PLAINLY, 1.2: 9 * PLAINLY}, wide),
    ):
        spoken.update(told)
        assert rim_of(stack, [[wide, found, other]], (SIZE[1], SIZE[0]))[0] is expected
