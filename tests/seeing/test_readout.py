"""Every flash's turn, against what the renderer's marks show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.seeing.angles import Turn
from timingcam.seeing.readout import FlashTurns, _together
from timingcam.seeing.view import CENTRE_SD

if TYPE_CHECKING:
    from seeing_journey import Journey


def turn_errors(journey: Journey) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the turns read, one common zero aside, and their stated sds."""
    # Anticlockwise: more advance means that the rotor has turned less that way, so it stands further clockwise.
    true = journey.true_seen_deg[journey.truth_of()]
    read = np.isfinite(journey.turns.turn_deg)
    error = (journey.turns.turn_deg - true)[read]
    return (error - np.median(error) + 180) % 360 - 180, journey.turns.turn_sd_deg[read]


def test_turns_follow_the_marks(journey: Journey) -> None:
    error, _ = turn_errors(journey)
    # Where the marks are lit. 0.4 degrees are a pixel at this rim of 144 px, and the clip is coded to 1.7 Mbit/s: half
    # a pixel.
    lit = journey.true_covered[journey.truth_of()][np.isfinite(journey.turns.turn_deg)]
    assert np.sqrt(np.mean(error[lit] ** 2)) < 0.2
    assert np.isfinite(journey.turns.turn_deg).mean() > 0.9


def test_stated_sds(journey: Journey) -> None:
    error, sd = turn_errors(journey)
    pull = np.sqrt(np.mean((error / sd) ** 2))
    # Coding carries over from frame to frame, which no cell's noise shows: a factor 3 at most, and no boast of 4 less.
    assert 0.25 < pull < 3.0


def test_what_could_not_be_read_says_why(journey: Journey) -> None:
    for turn, reason in zip(journey.turns.turn_deg, journey.turns.reason, strict=True):
        assert np.isfinite(turn) == (reason == "")


def test_crops_show_the_rotor_where_it_is(journey: Journey) -> None:
    turns, pose = journey.turns, journey.view.pose
    assert 1 < len(turns.crops) <= 2 * 48
    assert np.all(np.diff(turns.crop_of) >= 0)
    size = turns.crops.shape[1] * turns.crop_scale
    for flash, crop, origin in zip(turns.crop_of, turns.crops, turns.crop_origin_px, strict=True):
        assert crop.shape[0] == crop.shape[1] and crop.dtype == np.uint8
        centre = turns.shift[flash][:2, :2] @ pose.centre_px + turns.shift[flash][:2, 2]
        assert origin + size / 2 == pytest.approx(centre, abs=2 * turns.crop_scale)


def made_turns(turn_deg: float, centre: tuple[float, float], covariance: np.ndarray, **changed: float) -> FlashTurns:
    """One flash, its sd that of the turn alone but for `roll_deg` of the case's own, its place to `place` radii."""
    roll_deg, place = changed.get("roll_deg", 0.0), changed.get("place", 0.0)
    sd_deg = float(np.hypot(np.degrees(np.sqrt(covariance[0, 0])), roll_deg))
    return FlashTurns(
        np.array([turn_deg]), np.array([sd_deg]), np.array([centre]), covariance[None], np.array([0.9]), ("",),
        np.eye(3)[None], np.zeros(0, int), np.zeros((0, 8, 8), np.uint8), np.zeros((0, 2)), 1.0,
        place**2 * np.eye(2)[None],
    )  # fmt: skip


@given(
    st.floats(-180, 180), st.floats(0.6, 1.2), st.floats(-60, 60), st.floats(-0.004, 0.004), st.floats(-0.004, 0.004)
)
def test_the_turn_where_the_index_stands(at_deg: float, radius: float, turn_deg: float, x: float, y: float) -> None:
    """A radial line of the rotor, by plane geometry: where it crosses the index's circle, clockwise about the pose."""
    own = np.radians(at_deg)
    # The line from the rotor's own centre in the direction `own` meets the circle about the pose's centre.
    way, centre = np.array([np.cos(own), np.sin(own)]), np.array([x, y])
    along = -centre @ way + np.sqrt((centre @ way) ** 2 + radius**2 - centre @ centre)
    at = centre + along * way
    on_map_deg = at_deg - turn_deg  # the line's angle on the rotor's map
    seen_deg, _ = made_turns(turn_deg, (x, y), np.diag([1e-6, 1e-6, 1e-6])).seen_at(at_deg, radius)
    off = np.degrees(np.arctan2(at[1], at[0])) - on_map_deg - seen_deg[0]
    # To second order: the centre's move over the radius, squared, in radians.
    assert abs((off + 180) % 360 - 180) < np.degrees((np.hypot(x, y) / radius) ** 2) + 1e-9


def test_what_a_shift_of_the_centre_does_to_the_turn_is_known_at_the_index() -> None:
    """Marks beside the index, at twelve o'clock: a turn to the right and a centre moved to the left look alike."""
    swing = np.array([1.0, 1.0 / 0.9, 0.0])  # of what is seen there, by turn, x and y: at -90 degrees, -sin is 1
    told = np.outer(swing, swing) / np.radians(0.02) ** 2 + np.diag([0.0, 1 / 0.003**2, 1 / 0.003**2])
    seen = made_turns(5.0, (0.0, 0.0), np.linalg.inv(told + 1e-6 * np.eye(3)))
    # By itself the turn is known no better than the centre: 0.003/0.9 rad, and the 0.02 degrees besides.
    assert seen.turn_sd_deg[0] == pytest.approx(np.hypot(np.degrees(0.003 / 0.9), 0.02), rel=1e-3)
    assert seen.seen_at(-90.0, 0.9)[1][0] == pytest.approx(0.02, rel=1e-3)
    # On the far side both add up: the turn and twice the swing.
    far = np.hypot(2 * np.degrees(0.003 / 0.9), 0.02)
    assert seen.seen_at(90.0, 0.9)[1][0] == pytest.approx(far, rel=1e-3)


def test_what_else_is_in_doubt_at_the_index() -> None:
    """The case's own turn in the picture, and where single things on the case stand: squares add up."""
    seen = made_turns(0.0, (0.0, 0.0), np.diag([np.radians(0.1) ** 2, 1e-12, 1e-12]), roll_deg=0.2, place=0.005)
    expected = np.sqrt(0.1**2 + 0.2**2 + np.degrees(0.005 / 1.05) ** 2)
    # The centre's own doubt, a millionth of the radius, is 6e-5 degrees.
    assert seen.seen_at(33.0, 1.05)[1][0] == pytest.approx(expected, rel=1e-5)


def test_a_flash_that_was_not_read_is_nowhere() -> None:
    blind = made_turns(np.nan, (np.nan, np.nan), np.full((3, 3), np.nan))
    assert np.isnan(blind.seen_at(10.0, 1.0)).all()


def line_pieces(info_sd_deg: float, places_deg: tuple[float, ...]) -> Turn:
    """A piece of a flash that shows lines at some places about the rotor, read with the centre's prior."""
    told = np.diag([0.0, 1 / CENTRE_SD**2, 1 / CENTRE_SD**2])
    for a in np.radians(places_deg):
        swing = np.array([1.0, -np.sin(a) / 0.85, np.cos(a) / 0.85])
        told += np.outer(swing, swing) / np.radians(info_sd_deg) ** 2
    covariance = np.linalg.inv(told)
    return Turn(4.0, float(np.degrees(np.sqrt(covariance[0, 0]))), 0.9, 0.1, 1.0, 0.9, (0.0, 0.0), covariance)


def test_two_pieces_of_a_flash_are_as_good_as_one_that_shows_both() -> None:
    """The prior of the centre is in each piece's reading, and counts once."""
    one, two = line_pieces(0.05, (0.0, 10.0, 25.0)), line_pieces(0.1, (80.0, 100.0))
    deg, centre, covariance = _together([one, two], CENTRE_SD)
    assert deg == pytest.approx(4.0) and centre == pytest.approx([0.0, 0.0], abs=1e-12)
    prior = np.diag([0.0, 1 / CENTRE_SD**2, 1 / CENTRE_SD**2])
    both = sum(np.linalg.inv(piece.covariance) for piece in (one, two) if piece.covariance is not None) - prior
    assert covariance == pytest.approx(np.linalg.inv(both), rel=1e-6)
    # A single piece stays what it is, and angles either side of half a turn are neighbours.
    assert _together([one], CENTRE_SD)[2] == pytest.approx(one.covariance, rel=1e-9)
    past = (replace(one, deg=179.9), replace(one, deg=-179.9))
    assert abs(abs(_together(list(past), CENTRE_SD)[0]) - 180.0) < 1e-9


@pytest.mark.parametrize("ratio", [1.5, 2.0, 3.0])
def test_pieces_whose_sectors_disagree(ratio: float) -> None:
    """Their covariance was widened whole, the prior's part with it: together they are still known, and between them."""
    one, two = (line_pieces(0.05, (a, a + 10.0, a + 25.0)) for a in (0.0, 40.0))
    wide = [replace(p, covariance=p.covariance * ratio**2) for p in (one, two) if p.covariance is not None]
    deg, _, covariance = _together([wide[0], replace(wide[1], deg=4.1)], CENTRE_SD)
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert 4.0 <= deg <= 4.1
    # No worse than the better one by itself.
    assert covariance[0, 0] <= min(float(p.covariance[0, 0]) for p in wide if p.covariance is not None)
