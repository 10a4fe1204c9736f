"""What was seen, put together: signs of turning, parallax, delay and dial, and why a flash does not count."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from made_seen import (
    EXPOSURE_S,
    FPS,
    HEIGHT,
    INDEX_DEG,
    LINE_S,
    made_engine,
    made_pose,
    made_seen,
    with_flashes,
    with_turns,
)

from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.assemble import (
    NOT_LIT,
    Height,
    Strobe,
    advance_readings,
    btdc_of_marks,
    camera_facts,
    clip_facts,
    flash_angles,
    index_height,
    index_parallax_deg,
    refuse_backwards,
    refuse_impossible_speed,
    strobe_facts,
    with_used,
)
from timingcam.reckoning.budget import INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM
from timingcam.reckoning.result import UNTOLD, Readings
from timingcam.reckoning.tacho import Speed
from timingcam.seeing.clip import Orientation

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
ADVANCE = np.linspace(9, 31, 24)
SENSE = {"clockwise": 1, "anticlockwise": -1}


def at_speed(rpm: np.ndarray, **marked: np.ndarray) -> Speed:
    n = len(rpm)
    return Speed(rpm, np.full(n, 2.0), np.arange(n), marked.get("double", np.zeros(n, bool)), (), marked.get("stray"))


@pytest.mark.parametrize("turns", SENSE)
def test_advance_as_it_looks(turns: str) -> None:
    seen = made_seen(ADVANCE, SENSE[turns])
    angles = flash_angles(seen, made_engine(turns), "one")
    assert angles.seen_deg == pytest.approx(ADVANCE, abs=1e-9)  # sums of degrees
    assert angles.seen_sd_deg == pytest.approx(0.08)
    assert angles.time_s == pytest.approx(seen.flashes.time_s)


@pytest.mark.parametrize("turns", SENSE)
@pytest.mark.parametrize("above_mm", [-3.0, 4.0])
@pytest.mark.parametrize("lean", [(0.3, 0.0), (-0.2, 0.2)])
def test_the_index_s_height_is_taken_out(turns: str, above_mm: float, lean: tuple[float, float]) -> None:
    """The index stands where the marks' plane has INDEX_DEG less its parallax: a picture worked out by projection.

    A point `above_mm` over the plane is projected and read back in the plane; there the index was found. What it would
    show on the plane itself is the true advance.
    """
    engine = made_engine(turns, index_above_mm=above_mm)
    seen = made_seen(ADVANCE, SENSE[turns], lean_rad=lean)
    pose, height = made_pose(lean), above_mm / 50.0
    # Where must it stand to appear at INDEX_DEG? Found by stepping: parallax is a degree or so.
    stands = INDEX_DEG
    for _ in range(30):
        at = 1.03 * np.array([np.cos(np.radians(stands)), np.sin(np.radians(stands))])
        image = np.append(at, 1.0) @ pose.matrix_to_image(height).T
        x, y = pose.to_plane(image[:2] / image[2])
        stands -= (np.degrees(np.arctan2(y, x)) - INDEX_DEG + 180) % 360 - 180
    shift = stands - INDEX_DEG
    assert abs(shift) > 0.1
    # Turning clockwise, an index that stands further clockwise is met later: marks are further from it, more advance.
    expected = ADVANCE + SENSE[turns] * shift
    # The radius at which it stands is a few hundredths off the one at which it is seen, and so is the parallax.
    assert flash_angles(seen, engine, "one").seen_deg == pytest.approx(expected, abs=0.03 * abs(shift) + 1e-6)


@pytest.mark.parametrize(("rows", "counts"), [(0.2, True), (0.3, False)], ids=["in slices", "much of the picture"])
def test_without_a_mark_a_slice_is_told_by_what_else_it_shows(rows: float, counts: bool) -> None:
    """But not where the flash lit much of the picture: video coding may carry its texture over; nor where it says
    little."""
    seen = made_seen(ADVANCE)
    first = np.full(24, HEIGHT - int(rows * HEIGHT))  # marks and index are at the top
    sd_deg = np.where(np.arange(24) < 20, 0.08, 0.52)
    covariance = np.zeros((24, 3, 3))
    covariance[:, 0, 0] = np.radians(sd_deg) ** 2
    seen = with_turns(with_flashes(seen, piece_first=first), turn_sd_deg=sd_deg, covariance=covariance)
    told = np.isfinite(flash_angles(seen, made_engine(), "one").seen_deg)
    assert (told == (counts & (np.arange(24) < 20))).all()


def test_height_of_the_index_when_the_file_does_not_say() -> None:
    assert index_height(made_engine()) == Height(0.0, 0.2, "file")
    bare = made_engine().model_copy()
    rotor = bare.rotor.model_copy(update={"index_above_mm": None, "index_above_sd_mm": None})
    assert index_height(bare.model_copy(update={"rotor": rotor})) == Height(INDEX_ABOVE_MM, INDEX_ABOVE_SD_MM, "usual")
    rotor = bare.rotor.model_copy(update={"index_above_sd_mm": None})
    assert index_height(bare.model_copy(update={"rotor": rotor})) == Height(0.0, 0.5, "file")


def test_parallax_grows_with_the_height() -> None:
    seen = made_seen(ADVANCE, lean_rad=(0.3, 0.0))
    one, two = (index_parallax_deg(seen, made_engine(), mm) for mm in (1.0, 2.0))
    assert two / one == pytest.approx(2.0, rel=0.05)  # an angle and its tangent


@pytest.mark.parametrize(("aside_deg", "side"), [(0.0, 0), (90.0, 1), (180.0, 0), (-90.0, -1)])
def test_where_the_lens_is_by_the_plane_of_shaft_and_index(aside_deg: float, side: int) -> None:
    """Lines of sight by the pose's own projection: where a point a millimetre over the index's place is seen."""
    away = np.radians(INDEX_DEG + aside_deg + 180.0)  # the axis leans away from where the lens stands
    seen = made_seen(ADVANCE, lean_rad=(0.2 * np.cos(away), 0.2 * np.sin(away)))
    index = camera_facts(seen, made_engine()).index
    assert index is not None and (index.above_mm, index.above_sd_mm, index.source) == (0.0, 0.2, "file")
    # The rotor's centre lies 3 px beside the lens's axis: at 600 px 0.3 degrees, and at its 200 mm 1 mm.
    distance_mm = 600.0 / 150.0 * 50.0
    assert index.lens_aside_mm == pytest.approx(side * distance_mm * np.sin(0.2), abs=1.5)
    a, radius_mm = np.radians(INDEX_DEG), 1.03 * 50.0
    place = 1.03 * np.array([np.cos(a), np.sin(a), 1.0 / 1.03])
    up = seen.view.face.matrix_to_image(1.0 / 50.0) @ place
    x, y = seen.view.face.to_plane(up[:2] / up[2])
    back_deg = np.degrees(np.arctan2(y, x)) - INDEX_DEG
    assert (back_deg + 180) % 360 - 180 == pytest.approx(
        -np.degrees(np.tan(np.radians(index.sight_deg)) / radius_mm), abs=0.02
    )


@given(st.floats(0, 200), st.floats(0, 20), st.floats(500, 9000))
def test_delay_and_dial(delay_us: float, dial_deg: float, rpm: float) -> None:
    """formats: advance = seen + dial + 6·rpm·delay."""
    seen = made_seen(ADVANCE)
    angles = flash_angles(seen, made_engine(), "one")
    readings = advance_readings(
        seen, angles, at_speed(np.full(24, rpm)), Strobe(delay_s=delay_us * 1e-6, dial_deg=dial_deg)
    )
    assert readings.advance_deg == pytest.approx(ADVANCE + dial_deg + 6 * rpm * delay_us * 1e-6, abs=1e-9)
    assert readings.used.all() and set(readings.reason) == {""}


def test_why_a_flash_does_not_count() -> None:
    seen = made_seen(ADVANCE)
    turn = seen.turns.turn_deg.copy()
    turn[3] = np.nan
    reason = tuple("the rotor cannot be recognised" if k == 3 else "" for k in range(24))
    seen = with_turns(seen, turn_deg=turn, reason=reason)
    first = seen.flashes.piece_first.copy()
    first[5] = HEIGHT // 2  # the index is at the top
    seen = with_flashes(seen, piece_first=first)
    rpm = np.full(24, 3000.0)
    rpm[7] = np.nan
    double, stray = np.zeros(24, bool), np.zeros(24, bool)
    double[9] = stray[11] = True
    angles = flash_angles(seen, made_engine(), "one")
    readings = advance_readings(seen, angles, at_speed(rpm, double=double, stray=stray), Strobe())
    assert np.flatnonzero(~readings.used).tolist() == [3, 5, 7, 9, 11]
    assert readings.reason[3] == "the rotor cannot be recognised"
    assert readings.reason[5] == NOT_LIT and np.isnan(readings.advance_deg[5])
    assert "speed" in readings.reason[7]
    assert "second flash" in readings.reason[9]
    assert "spark" in readings.reason[11]
    assert all((reason == "") == used for reason, used in zip(readings.reason, readings.used, strict=True))


def test_what_is_told_to_no_better_than_a_degree_shows_no_timing() -> None:
    """Not even where all are told as badly, as before a background that says nothing of how the phone moved."""
    seen = made_seen(ADVANCE)
    rpm, sd_deg = np.full(24, 3000.0), np.full(24, 1.2)
    sd_deg[4] = 0.8
    angles = replace(flash_angles(seen, made_engine(), "one"), seen_sd_deg=sd_deg)
    readings = advance_readings(seen, angles, at_speed(rpm), Strobe())
    assert np.flatnonzero(readings.used).tolist() == [4]
    assert set(readings.reason) == {"", UNTOLD}


def test_what_the_fit_leaves_out_keeps_an_earlier_reason() -> None:
    seen = made_seen(ADVANCE)
    rpm = np.full(24, 3000.0)
    rpm[7] = np.nan
    readings = advance_readings(seen, flash_angles(seen, made_engine(), "one"), at_speed(rpm), Strobe())
    used = readings.used.copy()
    used[2] = False
    after = with_used(readings, used, "off the curve")
    assert after.reason[2] == "off the curve" and "speed" in after.reason[7]
    assert np.array_equal(after.used, used) and after.reason[0] == ""


def test_the_first_frame_that_a_flash_lit() -> None:
    """A flash across two frames: the earlier one."""
    seen = made_seen(ADVANCE)
    flashes = replace(
        seen.flashes,
        piece_of=np.array([0, 0, *range(1, 24)]),
        piece_frame=np.array([0, 1, *range(2, 48, 2)]),
        piece_first=np.zeros(25, int),
        piece_last=np.full(25, HEIGHT - 1),
    )
    seen = replace(seen, flashes=flashes)
    readings = advance_readings(seen, flash_angles(seen, made_engine(), "one"), at_speed(np.full(24, 3000.0)), Strobe())
    assert readings.frame[:3].tolist() == [0, 2, 4]


def test_windows_in_which_a_flash_is_seen() -> None:
    windows = made_seen(ADVANCE).windows_s()
    assert windows is not None
    assert windows[10] == pytest.approx([10 / FPS, 10 / FPS + HEIGHT * LINE_S + EXPOSURE_S])
    assert with_flashes(made_seen(ADVANCE), line_time_s=None).windows_s() is None


def test_marks_in_mm_become_degrees() -> None:
    engine = read_engine(ENGINES / "millimetre-two-stroke.toml")
    degs = btdc_of_marks(engine)
    assert degs["dot/barrel"] == 0.0
    # 1.9 mm on stroke 47.2, rod 91, by the slider-crank's own formula.
    r, rod, a = 23.6, 91.0, np.radians(degs["M/barrel"])
    assert r + rod - (r * np.cos(a) + np.sqrt(rod**2 - (r * np.sin(a)) ** 2)) == pytest.approx(1.9, abs=1e-9)


def falling(rpm: np.ndarray, advance: np.ndarray) -> Readings:
    n = len(rpm)
    return Readings(
        np.arange(n) * 0.05, rpm, np.full(n, 2.0), advance, np.full(n, 0.1), np.ones(n, bool), ("",) * n, np.arange(n)
    )


def test_an_advance_that_falls_all_the_way_is_a_picture_the_wrong_way_round() -> None:
    rng = np.random.default_rng(1)
    rpm = np.linspace(1200, 5500, 80)
    curve = np.interp(rpm, [1800, 3600], [9, 31]) + 0.3 * rng.standard_normal(80)
    refuse_backwards(falling(rpm, curve))
    with pytest.raises(CannotMeasure) as refusal:
        refuse_backwards(falling(rpm, 18.0 - curve))
    assert "falls by 22 degrees" in refusal.value.found
    assert "turns" in refusal.value.do and "mirrored" in refusal.value.do


def test_a_little_retard_is_none() -> None:
    """Flat, with 100 µs of delay: 3 degrees less at 5000 rpm."""
    rpm = np.linspace(1200, 5500, 80)
    refuse_backwards(falling(rpm, 28.0 - 6 * rpm * 100e-6))
    # One speed tells nothing of rise or fall.
    refuse_backwards(falling(np.full(80, 3000.0) + np.arange(80), np.linspace(30, 10, 80)))


def test_facts() -> None:
    turned = made_seen(ADVANCE, orientation=Orientation(640, HEIGHT, 1))
    facts = camera_facts(turned, made_engine())
    # A quarter turn clockwise: 322, 238 of 640 x 480 goes to 479 - 238, 322.
    assert facts.rotor_centre_px == pytest.approx((241.0, 322.0))
    assert facts.line_time_s == LINE_S and facts.exposure_s == EXPOSURE_S and facts.rotor_radius_px == 150.0
    readings = advance_readings(
        turned, flash_angles(turned, made_engine(), "one"), at_speed(np.full(24, 3000.0)), Strobe()
    )
    strobe = strobe_facts(Strobe(40e-6, 4e-6, 0.0), readings, None)
    assert (strobe.delay_s, strobe.delay_sd_s, strobe.flashes_seen, strobe.flashes_used) == (40e-6, 4e-6, 24, 24)


def test_facts_of_the_clip(tmp_path: Path) -> None:
    seen = made_seen(ADVANCE, orientation=Orientation(640, HEIGHT, 1))
    (tmp_path / "a clip.mp4").write_bytes(b"abc")
    seen = replace(seen, info=replace(seen.info, path=tmp_path / "a clip.mp4"))
    facts = clip_facts(seen)
    assert facts.path == "a clip.mp4"
    assert (facts.width, facts.height, facts.frames) == (HEIGHT, 640, 48)
    assert facts.fps == pytest.approx(FPS) and facts.duration_s == pytest.approx(48 / FPS)
    assert facts.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4, "abc"


@pytest.mark.parametrize(
    ("usual_deg", "one_deg", "counts"),
    [(0.008, 0.09, True), (0.008, 0.11, False), (0.08, 0.31, True), (0.08, 0.33, False), (0.08, np.nan, False)],
)
def test_readings_far_less_sure_than_the_others(usual_deg: float, one_deg: float, counts: bool) -> None:
    """Four times as unsure, and worse than a tenth of a degree: a reading that is good to that is not given away."""
    seen = made_seen(ADVANCE)
    angles = flash_angles(seen, made_engine(), "one")
    sd = np.full(24, usual_deg)
    sd[5] = one_deg
    angles = replace(angles, seen_sd_deg=sd, time_s=angles.time_s.copy(), seen_deg=angles.seen_deg.copy())
    readings = advance_readings(seen, angles, at_speed(np.full(24, 3000.0)), Strobe())
    assert readings.used[5] == counts
    assert readings.used.sum() == 23 + counts


def test_speeds_that_the_engine_cannot_run_at() -> None:
    told = made_engine()
    told = told.model_copy(update={"crank": told.crank.model_copy(update={"idle_rpm": 1200.0, "max_rpm": 8000.0})})
    curve = np.full(80, 20.0)
    for rpm in (np.linspace(900, 5000, 80), np.linspace(1200, 9000, 80)):
        refuse_impossible_speed(falling(rpm, curve), told, "flashes")
    # Slow motion stored as if filmed in real time; exposures merged, so that one flash is taken for several.
    for rpm in (np.linspace(150, 625, 80), np.linspace(7000, 17000, 80)):
        with pytest.raises(CannotMeasure) as refusal:
            refuse_impossible_speed(falling(rpm, curve), told, "flashes")
        assert f"{rpm.min():.0f} to {rpm.max():.0f} rpm" in refusal.value.found
        assert "--capture-fps" in refusal.value.do
        refuse_impossible_speed(falling(rpm, curve), told, "given")
    unknown = told.model_copy(update={"crank": told.crank.model_copy(update={"idle_rpm": None, "max_rpm": None})})
    refuse_impossible_speed(falling(np.linspace(150, 625, 80), curve), unknown, "flashes")
