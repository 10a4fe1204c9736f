"""Lines to names: the signs for both ways of turning, constellations, and what must not be named."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_strips import GRID, add_line, ground

from timingcam.engine import Engine, engine_from_dict
from timingcam.errors import CannotMeasure
from timingcam.reckoning.assemble import btdc_of_marks
from timingcam.seeing.constellation import Reading, best_reading, evenness_about, index_candidates
from timingcam.seeing.lines import Line, find_lines
from timingcam.seeing.marks import Hints, Maps, Marks, advance_seen, mark_places, rotor_angle_deg
from timingcam.seeing.naming import NotThere, _refuse_drifting, find_marks
from timingcam.seeing.pose import square_on
from timingcam.seeing.strips import even_out
from timingcam.seeing.ways import CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS, PLAIN_A_ROW, least_clear, ways_to_lay, zeros_of

SENSE = {"clockwise": 1, "anticlockwise": -1}
# A column of the strips is 0.18 degrees. White noise of 0.08 of a line's height would leave a line of that width, over
# 17 rows, to 0.035 columns (bound of Cramér and Rao); texture that is alike over some five cells each way, five times
# that: 0.03 degrees. Five sds.
CLOSE_DEG = 0.15


def apart_deg(a: float, b: float) -> float:
    """Between two directions."""
    return abs((a - b + 180) % 360 - 180)


def engine(turns: str = "clockwise", marks: tuple[tuple[str, str, float], ...] | None = None, **more: Any) -> Engine:
    marks = marks or (("N", "one", 0.0), ("P", "one", 8.0), ("Q", "one", 31.0))
    names = list(dict.fromkeys(cylinder for _, cylinder, _ in marks))
    return engine_from_dict(
        {
            "format": 1,
            "name": "marked",
            "crank": {"strokes": 4, "sparks_per_rev": 0.5},
            "cylinder": [
                {"name": n, "tdc_deg": tdc} for n, tdc in zip(names, more.get("tdc", [0.0, 540.0]), strict=False)
            ],
            "rotor": {
                "turns": turns,
                "rim_diameter_mm": 100.0,
                "mark": [
                    {"name": m, "cylinder": [c], "btdc_deg": b, "sd_deg": 0.05, "paint": more.get("paint")}
                    for m, c, b in marks
                ],
            },
            "spec": {"curve": [[1000, 8.0], [2000, 8.0], [4000, 31.0], [7000, 31.0]], "tolerance_deg": 2.0},
        }
    )


def drawn(
    engine: Engine, zero_deg: float, index_deg: float, advance: np.ndarray, cylinder: str = "one", *,
    missing: tuple[str, ...] = (), seed: int = 1,
) -> Maps:  # fmt: skip
    """The maps of a rotor whose mark of engine angle 0 stands at `zero_deg` on its map.

    Worked out anew: turning clockwise carries a mark to greater angles (clockwise as seen). When the advance is `a`,
    the crank stands at tdc - a, so the mark that passes the index there, and it alone, is at the index.
    """
    sense = SENSE[engine.rotor.turns]
    rotor, still = ground(GRID, seed=seed), ground(GRID, seed=seed + 50)
    tdc = {c.name: c.tdc_deg for c in engine.cylinder}
    for mark in engine.rotor.mark:
        assert mark.btdc_deg is not None
        if mark.name not in missing:
            # Passing the index later means standing further back against the turning.
            add_line(rotor, GRID, zero_deg - sense * (tdc[mark.cylinder[0]] - mark.btdc_deg), (0.8, 0.97))
    add_line(still, GRID, index_deg, (1.03, 1.2))
    # At crank angle p the rotor has turned by sense·p from where zero stood at the index.
    turns = index_deg - zero_deg + sense * (tdc[cylinder] - advance)
    return Maps(
        GRID,
        rotor,
        still,
        (turns + 180) % 360 - 180,
        1.0,
        sense,
        square_on(np.array([320.0, 180.0]), 120.0, (640, 360)),
        np.zeros((6, 6)),
    )


ADVANCE = np.linspace(8, 31, 40)


def named(maps: Maps, engine: Engine, cylinder: str = "one", hints: Hints | None = None) -> Marks:
    return find_marks(maps, engine, cylinder, btdc_of_marks(engine), hints or Hints())


# Signs, each in words.


@pytest.mark.parametrize(("turns", "sense"), SENSE.items())
def test_a_mark_past_the_index_means_less_advance(turns: str, sense: int) -> None:
    """formats: δ > 0 past the index in the direction of rotation; advance = btdc - δ."""
    one = engine(turns, (("P", "one", 10.0),))
    marks = named(drawn(one, 40.0, -60.0, np.full(20, 10.0)), one)
    (mark,) = marks.marks
    at_index = float(marks.index.deg - mark.deg)  # the turn that brings the mark to the index
    for past_deg in (-4.0, 0.0, 2.5):
        turn = at_index + sense * past_deg
        assert advance_seen(marks, np.array([turn]), one, "one", sense) == pytest.approx([10.0 - past_deg], abs=1e-6)


@pytest.mark.parametrize("turns", SENSE)
def test_where_marks_stand_on_the_rotor(turns: str) -> None:
    """Turning clockwise: a mark 31 before top dead centre passes before one at 8, so it stands further clockwise."""
    sense = SENSE[turns]
    assert rotor_angle_deg(0.0, 31.0, sense) - rotor_angle_deg(0.0, 8.0, sense) == sense * 23.0
    # A cylinder that fires a quarter of a turn later has its mark a quarter further back.
    assert rotor_angle_deg(90.0, 0.0, sense) == -sense * 90.0


@pytest.mark.parametrize("turns", SENSE)
@pytest.mark.parametrize("n", [12, pytest.param(48, marks=pytest.mark.slow)])
def test_named_and_read_anywhere(turns: str, n: int) -> None:
    one = engine(turns)
    whole = 0
    for seed in range(n):
        zero_deg, index_deg = np.random.default_rng(seed).uniform(-180, 180, 2)
        maps = drawn(one, zero_deg, index_deg, ADVANCE, seed=seed)
        marks = named(maps, one)
        whole += len(marks.marks) == 3
        assert apart_deg(marks.index.deg, index_deg) < CLOSE_DEG
        assert apart_deg(marks.zero_deg, zero_deg) < CLOSE_DEG
        # Index and zero together.
        seen = advance_seen(marks, maps.turns_deg, one, "one", maps.sense)
        assert np.abs(seen - ADVANCE).max() < np.sqrt(2) * CLOSE_DEG
    # Texture may swallow a mark's neighbour now and then; the reading stands without.
    assert whole >= 5 * n // 6


def test_the_mirror_image_of_a_clip_reads_alike() -> None:
    """Mirrored, all angles change their sign and so does the turning: the advance does not."""
    one, other = engine("clockwise"), engine("anticlockwise")
    plain = drawn(one, 33.0, -75.0, ADVANCE)
    mirrored = Maps(
        GRID, np.roll(plain.rotor[:, ::-1], 1, axis=1), np.roll(plain.still[:, ::-1], 1, axis=1), -plain.turns_deg, 1.0,
        -plain.sense, plain.pose, plain.pose_covariance,
    )  # fmt: skip
    a, b = named(plain, one), named(mirrored, other)
    seen = advance_seen(a, plain.turns_deg, one, "one", 1), advance_seen(b, mirrored.turns_deg, other, "one", -1)
    assert seen[0] == pytest.approx(seen[1], abs=2 * CLOSE_DEG)


# The 180° twin.

TWIN = (("Fn", "one", 0.0), ("Ff", "one", 31.0), ("Rn", "two", 0.0), ("Rf", "two", 31.0))


@pytest.mark.parametrize("turns", SENSE)
@pytest.mark.parametrize("cylinder", ["one", "two"])
def test_half_turn_twin_reads_the_cylinder_named(turns: str, cylinder: str) -> None:
    """Both groups look alike: the one at the index is taken to be that of the cylinder under the strobe."""
    twin = engine(turns, TWIN)
    maps = drawn(twin, 12.0, 100.0, ADVANCE, cylinder)
    marks = named(maps, twin, cylinder)
    assert advance_seen(marks, maps.turns_deg, twin, cylinder, maps.sense) == pytest.approx(ADVANCE, abs=2 * CLOSE_DEG)


def test_places_of_marks_that_two_cylinders_share() -> None:
    """A 360° twin: both cylinders' marks fall on the same lines, counted once."""
    data = engine("clockwise").model_dump(mode="json", exclude_none=True, exclude_unset=True)
    data["cylinder"] = [{"name": "one", "tdc_deg": 0.0}, {"name": "two", "tdc_deg": 360.0}]
    for mark in data["rotor"]["mark"]:
        mark["cylinder"] = ["one", "two"]
    twin = engine_from_dict(data)
    places = mark_places(twin, btdc_of_marks(twin), 1)
    assert {p.name: p.deg for p in places} == {"N": 0.0, "P": 8.0, "Q": 31.0}


# Constellations.


def test_a_mark_that_cannot_be_seen_moves_the_rest_by_little() -> None:
    """What texture offers in its place lies within 1.6 degrees of it and counts by a third."""
    one = engine()
    told = 0
    for seed in range(10):
        marks = named(drawn(one, 33.0, -75.0, ADVANCE, missing=("P",), seed=seed), one)
        assert apart_deg(marks.zero_deg, 33.0) < 1.6 / 3 + CLOSE_DEG
        told += any("Not found" in w and "P" in w for w in marks.warnings)
    assert told >= 5


def test_a_mark_out_of_place_is_told() -> None:
    """By 0.9 degrees; the mean over three marks takes a third of it, and what is left is more than half a degree."""
    one, true = engine(), engine(marks=(("N", "one", 0.0), ("P", "one", 8.9), ("Q", "one", 31.0)))
    marks = named(drawn(true, 33.0, -75.0, ADVANCE, seed=2), one)
    assert any("Mark P stands" in w and "check the file" in w for w in marks.warnings)


def test_scratches_that_look_like_marks_do_not_lead_it_astray() -> None:
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    for deg in (60.0, 111.0, -20.0, 170.0):
        add_line(maps.rotor, GRID, deg, (0.75, 0.97), light=0.7)
    assert apart_deg(named(maps, one).zero_deg, 33.0) < CLOSE_DEG


def test_engraved_marks_are_dark() -> None:
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    dark = replace(maps, rotor=-maps.rotor, still=-maps.still)
    marks = named(dark, one)
    assert apart_deg(marks.zero_deg, 33.0) < CLOSE_DEG and apart_deg(marks.index.deg, -75.0) < CLOSE_DEG


def test_where_the_index_ends() -> None:
    """The index's radius is that of its end nearest the marks."""
    one = engine()
    marks = named(drawn(one, 33.0, -75.0, ADVANCE), one)
    assert marks.index.radius == pytest.approx(1.03, abs=0.02)  # a row of the strip is 0.01


def test_the_doubt_of_double_lines_covers_either_and_the_middle() -> None:
    one = engine()
    single = drawn(one, 33.0, -75.0, ADVANCE)
    assert "pairs" not in " ".join(named(single, one).warnings)
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    for btdc in (0.0, 8.0, 31.0):
        add_line(maps.rotor, GRID, 33.0 + btdc + 2.6, (0.8, 0.97))
    marks = named(maps, one)
    assert "pairs of lines" in " ".join(marks.warnings)
    assert all(apart_deg(marks.zero_deg, 33.0 + meant) < 3 * marks.zero_sd_deg for meant in (0.0, 1.3, 2.6))


@pytest.mark.parametrize("other_side", [False, True])
def test_both_lines_of_marks_drawn_as_two_are_one_way_to_name_them(other_side: bool) -> None:
    """Wider apart than ways to lay the marks that are one: pairs stand on one side of all, or they are something
    else."""
    index = Line(-75.0, 1.4, 1.03, 1.2, -1, 100.0)
    left = tuple(Line(deg, 0.6, 0.8, 0.97, -1, 210.0) for deg in (33.0, 41.0, 64.0))
    right = tuple(replace(line, deg=line.deg + 2.6, score=215.0) for line in left)
    if other_side:
        right = (*right[:2], replace(left[2], deg=left[2].deg - 2.6))
    readings = [Reading(33.0, index, left, 32.8, 105.0), Reading(35.6, index, right, 32.7, 105.0)]
    if other_side:
        with pytest.raises(CannotMeasure, match="two ways"):
            best_reading(readings, Hints(), rim=1.0)
    else:
        assert best_reading(readings, Hints(), rim=1.0).zero_deg == 33.0


def test_a_flank_is_no_index() -> None:
    """A pointer's side against the housing is as clear as any line, but what lies left of it is not what lies right."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    away = (np.arange(GRID.n_angles) * GRID.step_deg + 60 + 180) % 360 - 180
    rows = (GRID.radii >= 1.03) & (GRID.radii <= 1.4)
    maps.still[rows] += (1.0 * (away > 0) * np.exp(-np.clip(away, 0, None) / 1.5)).astype(np.float32)
    index = Line(-75.0, 1.4, 1.03, 1.2, 1, 50.0)
    flank = replace(index, deg=-60.0, outer=1.4)
    assert evenness_about(maps, -75.0, index) > 0.6 > 0.3 > evenness_about(maps, -60.0, flank)
    assert apart_deg(named(maps, one).index.deg, -75.0) < CLOSE_DEG


def test_a_pointer_held_by_a_screw_whose_slot_is_askew() -> None:
    """On its broad body the slot has more to say than flanks that lie further off: its sides are held by its tip, and a
    small thing elsewhere, as even as can be, takes nothing from it."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    away = (np.arange(GRID.n_angles) * GRID.step_deg + 75 + 180) % 360 - 180
    for row, radius in enumerate(GRID.radii):
        if 1.1 < radius < 1.4:  # the tip is drawn; the body is 9 degrees wide
            maps.still[row] += (0.8 * (np.abs(away) < 4.5)).astype(np.float32)
            slot = np.abs(away - 40 * (radius - 1.25)) < 0.6
            maps.still[row] -= (1.5 * slot * (np.abs(radius - 1.25) < 0.1)).astype(np.float32)
    add_line(maps.still, GRID, 120.0, (1.05, 1.2), light=0.8)
    assert apart_deg(named(maps, one).index.deg, -75.0) < CLOSE_DEG


def with_a_pointer(maps: Maps, light: float, aside_deg: float, shade: float) -> Maps:
    """Beside the rotor a pointer at -75 degrees, its tip 2 degrees wide and its body 5, and the same shape in another
    light some degrees aside, of which the pointer hides what it lies over."""
    away = (np.arange(GRID.n_angles) * GRID.step_deg + 75.0 + 180) % 360 - 180
    still = ground(GRID, seed=51)
    for row in np.flatnonzero((GRID.radii > 1.02) & (GRID.radii < 1.35)):
        half = 1.0 if GRID.radii[row] < 1.2 else 2.4
        still[row] = np.where(np.abs(away + aside_deg) < half, shade, still[row])
        still[row] = np.where(np.abs(away) < half, light, still[row])
    return replace(maps, still=still)


@pytest.mark.parametrize("aside_deg", [1.0, 1.5, 2.0, 3.0, -1.5, -3.0])
@pytest.mark.parametrize("light", [0.25, 0.4, 0.8])
def test_the_shadow_beside_a_pointer_is_no_index(light: float, aside_deg: float) -> None:
    """It is black and stands out more than the pointer; where both touch, neither has two sides that are alike."""
    one = engine()
    maps = with_a_pointer(drawn(one, 33.0, -75.0, ADVANCE), light, aside_deg, shade=-0.9)
    assert apart_deg(named(maps, one).index.deg, -75.0) < CLOSE_DEG


def test_what_is_not_black_beside_a_bright_line_may_be_the_index() -> None:
    one = engine()
    maps = with_a_pointer(drawn(one, 33.0, -75.0, ADVANCE), 0.2, 4.0, shade=-0.5)
    assert apart_deg(named(maps, one).index.deg, -79.0) < 2 * CLOSE_DEG


def test_faint_marks_count_where_they_are_the_plainest_lines() -> None:
    """Short marks on rough metal: each clearer than texture, together as many as the file's, and spaced as those."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    places = mark_places(one, btdc_of_marks(one), maps.sense)
    texture, least = (least_clear(maps.rotor, a_radius) for a_radius in (CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS))

    def ways(scores: tuple[float, float, float], beside: float = 0.0, third_deg: float = 64.0) -> list[float]:
        degs = (33.0, 41.0, third_deg, 140.0)
        lines = [Line(deg, 0.9, 0.8, 0.97, 1, score) for deg, score in zip(degs, (*scores, beside), strict=True)]
        return [zero for zero, _, _ in ways_to_lay(maps, lines, places, Hints())]

    faint = (0.99 * least, 0.95 * least, 0.9 * least)
    assert ways(faint) == [33.0]
    assert ways(faint, beside=0.98 * least) == []  # a scratch as plain as they are
    assert ways(faint, third_deg=67.0) == []
    assert ways((0.99 * least, 0.95 * least, 0.9 * texture)) == []
    # Between two marks near one another the ground looks like a line of the other sign, as plain as they are.
    close = engine(marks=(("N", "one", 0.0), ("P", "one", 3.0), ("Q", "one", 31.0)))
    lines = [Line(deg, 0.9, 0.8, 0.97, 1, 0.9 * least) for deg in (33.0, 36.0, 64.0)]
    lines.append(Line(34.5, 0.9, 0.8, 0.97, -1, 0.95 * least))
    placed = mark_places(close, btdc_of_marks(close), maps.sense)
    assert [zero for zero, _, _ in ways_to_lay(maps, lines, placed, Hints())] == [33.0]


def test_marks_in_the_order_of_a_rotor_that_turns_the_other_way() -> None:
    """Two of three stand as the file says by chance, that the rotor turned the other way all three would. With a mark
    less the two are as good, and nothing is said of it."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    assert {mark.name for mark in named(maps, one).marks} == {"N", "P", "Q"}
    with pytest.raises(CannotMeasure, match="turns the other way round"):
        named(replace(maps, sense=-maps.sense), one)
    assert {mark.name for mark in named(drawn(one, 33.0, -75.0, ADVANCE, missing=("P",), seed=2), one).marks} == {
        "N",
        "Q",
    }


def test_faint_marks_count_where_all_are_there_and_half_of_them_are_clear() -> None:
    """A twin's marks in white and in red, which the strobe's light hardly shows; holes and scratches are plainer."""
    marks = [(f"{name}{c}", c, deg) for c in ("one", "two") for name, deg in (("N", 0.0), ("P", 8.0), ("Q", 31.0))]
    twin = engine(marks=tuple(marks), tdc=[0.0, 180.0])
    maps = drawn(twin, 33.0, -75.0, ADVANCE)
    places = mark_places(twin, btdc_of_marks(twin), maps.sense)
    texture, least = (least_clear(maps.rotor, a_radius) for a_radius in (CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS))

    def ways(red: tuple[float, float, float], white: float = 2.0 * least) -> list[float]:
        lines = [Line(deg, 0.9, 0.8, 0.97, 1, white) for deg in (33.0, 41.0, 64.0)]
        lines += [
            Line(deg + 180.0, 0.9, 0.8, 0.97, 1, score) for deg, score in zip((33.0, 41.0, 64.0), red, strict=True)
        ]
        lines += [Line(deg, 0.9, 0.8, 0.97, 1, 1.2 * least) for deg in (110.0, 155.0, 300.0)]
        return [zero % 180.0 for zero, _, _ in ways_to_lay(maps, lines, places, Hints())]

    faint = (0.9 * least, 0.8 * least, 0.75 * least)
    assert set(ways(faint)) == {33.0}
    assert ways((0.9 * least, 0.8 * least, 0.9 * texture)) == []
    assert ways(faint, white=0.95 * least) == []


def test_marks_that_are_alike_count_where_a_cover_hides_the_others() -> None:
    """Short ones, no clearer than a spoke's edge further in; beneath the cover the other cylinder's would be."""
    marks = [(f"{name}{c}", c, deg) for c in ("one", "two") for name, deg in (("N", 0.0), ("P", 8.0), ("Q", 31.0))]
    twin = engine(marks=tuple(marks), tdc=[0.0, 180.0])
    whole = drawn(twin, 33.0, -75.0, ADVANCE)
    away = (np.arange(GRID.n_angles) * GRID.step_deg - 50.0 + 180) % 360 - 180
    covered = replace(whole, rotor=np.where(np.abs(away)[None, :] < 90.0, whole.rotor, 0.0).astype(np.float32))
    places = mark_places(twin, btdc_of_marks(twin), whole.sense)
    texture, least = (least_clear(covered.rotor, a_radius) for a_radius in (CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS))

    def ways(maps: Maps, scores: tuple[float, ...], inner: float = 0.85) -> list[float]:
        degs = (33.0, 41.0, 64.0)
        lines = [Line(deg, 0.9, inner, 0.97, 1, score) for deg, score in zip(degs, scores, strict=False)]
        lines = [replace(lines[0], inner=0.85), *lines[1:]]
        lines += [Line(deg, 0.9, 0.5, 0.69, 1, 0.95 * least) for deg in (10.0, 90.0, 105.0)]
        return [zero % 180.0 for zero, _, _ in ways_to_lay(maps, lines, places, Hints())]

    faint = (0.9 * least, 0.8 * least, 0.75 * least)
    assert set(ways(covered, faint)) == {33.0}
    assert ways(whole, faint) == []  # there, half of them are missing
    assert ways(covered, faint[:2]) == []
    assert ways(covered, (0.9 * least, 0.8 * least, 0.9 * texture)) == []
    assert ways(covered, faint, inner=0.75) == []


def test_through_a_hole_the_plainest_lines_are_the_marks_of_one_cylinder() -> None:
    """Three of a twin's six, of which one is of a paint that hardly shows; fainter lines are texture."""
    marks = [(f"{name}{c}", c, deg) for c in ("one", "two") for name, deg in (("N", 0.0), ("P", 8.0), ("Q", 31.0))]
    twin = engine(marks=tuple(marks), tdc=[0.0, 180.0])
    whole = drawn(twin, 33.0, -75.0, ADVANCE)
    away = (np.arange(GRID.n_angles) * GRID.step_deg - 50.0 + 180) % 360 - 180
    shown = np.where(np.abs(away)[None, :] < 24.0, whole.rotor, 0.0).astype(np.float32)
    maps = replace(whole, rotor=shown, whole=False)
    places = mark_places(twin, btdc_of_marks(twin), maps.sense)
    texture, least = (least_clear(maps.rotor, a_radius) for a_radius in (CLEAR_A_RADIUS, CLEAR_MARK_A_RADIUS))

    def ways(scores: tuple[float, float, float], beside: float = 0.0, further_in: float = 0.0) -> list[float]:
        degs = (33.0, 41.0, 64.0, 52.0)
        lines = [Line(deg, 0.9, 0.8, 0.97, 1, score) for deg, score in zip(degs, (*scores, beside), strict=True)]
        lines.append(Line(47.0, 2.0, 0.6, 0.7, -1, further_in))
        # Half a turn on they would be the other cylinder's.
        return [zero % 180.0 for zero, _, _ in ways_to_lay(maps, lines, places, Hints())]

    assert set(ways((3.0 * least, 1.6 * least, 0.8 * least), beside=0.9 * texture)) == {33.0}
    assert ways((3.0 * least, 1.6 * least, 0.8 * least), beside=1.1 * texture) == []
    assert ways((3.0 * least, 1.6 * least, 0.9 * texture)) == []
    # A bore further in is no mark, however plain; but nothing is beside it where it is the plainest of all.
    assert set(ways((3.0 * least, 1.6 * least, 0.8 * least), further_in=2.0 * least)) == {33.0}
    assert ways((3.0 * least, 1.6 * least, 0.8 * least), further_in=4.0 * least) == []


def test_dots_beside_letters() -> None:
    """Dots have no length to be clear by: each must be plain in all its rows, and one like the other."""
    two = engine(marks=(("P", "one", 8.0), ("Q", "one", 31.0)))
    maps = drawn(two, 33.0, -75.0, ADVANCE, missing=("P", "Q"))
    places = mark_places(two, btdc_of_marks(two), maps.sense)
    rows = int(((maps.grid.radii >= 0.88) & (maps.grid.radii <= 0.94)).sum())
    plain = 1.4 * PLAIN_A_ROW * rows
    assert plain < least_clear(maps.rotor, CLEAR_MARK_A_RADIUS)

    def ways(*dots: Line) -> list[float]:
        letter = Line(30.0, 0.6, 0.85, 0.94, 1, 1.2 * plain)
        return [zero for zero, _, _ in ways_to_lay(maps, [letter, *dots], places, Hints())]

    near, far = Line(41.0, 2.1, 0.88, 0.94, 1, plain), Line(64.0, 2.1, 0.88, 0.94, 1, 0.95 * plain)
    assert ways(near, far) == [33.0]
    assert ways(near) == []
    assert ways(near, replace(far, deg=67.0)) == []
    assert ways(near, replace(far, sign=-1)) == []  # a hole is no dot of paint
    assert ways(near, replace(far, inner=0.7)) == []
    assert ways(near, replace(far, width_deg=0.6)) == []
    faint = 0.6 * PLAIN_A_ROW * rows
    assert ways(replace(near, score=faint), replace(far, score=faint)) == []
    # One mark alone has no other to be like.
    one = engine(marks=(("P", "one", 8.0),))
    assert ways_to_lay(maps, [near], mark_places(one, btdc_of_marks(one), maps.sense), Hints()) == []


def test_a_dot_is_told_from_the_letter_below_it() -> None:
    """Letter and dot make one line, which is not plain in all its rows; at the radii of the other dot it is a dot."""

    def ways(second_deg: float, paint: str | None = "white", light: float = 1.0) -> list[float]:
        two = engine(marks=(("P", "one", 8.0), ("Q", "one", 31.0)), paint=paint)
        maps = drawn(two, 33.0, -75.0, ADVANCE, missing=("P", "Q"))
        for deg in (41.0, second_deg):
            add_line(maps.rotor, GRID, deg, (0.89, 0.94), light=light, width_deg=1.4)
        add_line(maps.rotor, GRID, 64.0, (0.75, 0.88), light=0.12 * light, width_deg=1.4)
        inside = GRID.radii < 0.985
        lines = find_lines(maps.rotor[inside], GRID.some(inside))
        return [
            round(zero) for zero, _, _ in ways_to_lay(maps, lines, mark_places(two, btdc_of_marks(two), 1), Hints())
        ]

    assert ways(64.0) == [33]
    assert ways(67.0) == []
    # Stamped letters beside marks that do not show are spaced as those are, but aside: they are not paint.
    assert ways(64.0, light=-1.0) == []
    assert ways(64.0, paint=None) == []


# What must not be named.


def test_few_flashes_laid_on_another_hole_make_no_advance_that_no_engine_has() -> None:
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    some = np.arange(len(ADVANCE)) % 14 == 3
    assert apart_deg(named(replace(maps, turns_deg=maps.turns_deg + 60.0 * some), one).index.deg, -75.0) < CLOSE_DEG
    with pytest.raises(NotThere, match="no index"):
        named(replace(maps, turns_deg=maps.turns_deg + 60.0 * (np.arange(len(ADVANCE)) % 4 == 3)), one)


def test_the_clearest_index_counts_though_it_shows_what_no_engine_has() -> None:
    """A faint line where the advance would be plausible is no way out."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, np.linspace(100, 120, 40))
    add_line(maps.still, GRID, 12.0, (1.15, 1.3), light=0.25)
    with pytest.raises(CannotMeasure) as refusal:
        named(maps, one)
    assert "no index mark" in refusal.value.found


def test_two_lines_that_could_be_the_index() -> None:
    one = engine()
    maps = drawn(one, 33.0, -75.0, np.linspace(12, 24, 40))
    add_line(maps.still, GRID, -68.0, (1.03, 1.2))
    with pytest.raises(CannotMeasure) as refusal:
        named(maps, one)
    assert "7 degrees apart" in refusal.value.found and "--index" in refusal.value.do
    marks = named(maps, one, hints=Hints(index_deg=-75.8))
    assert apart_deg(marks.index.deg, -75.0) < CLOSE_DEG


def test_marks_that_fit_two_ways() -> None:
    """Four lines 8 degrees apart where the file knows three so spaced: it could be the first three or the last."""
    one = engine(marks=(("N", "one", 0.0), ("P", "one", 8.0), ("Q", "one", 16.0)))
    maps = drawn(one, 33.0, -75.0, np.linspace(10, 16, 40))
    add_line(maps.rotor, GRID, 33.0 - 8.0, (0.8, 0.97))
    with pytest.raises(CannotMeasure) as refusal:
        named(maps, one)
    assert "two ways" in refusal.value.found and "--mark" in refusal.value.do
    marks = named(maps, one, hints=Hints(marks_deg=(("N", 33.5),)))
    assert apart_deg(marks.zero_deg, 33.0) < CLOSE_DEG


@pytest.mark.parametrize("paint", ["yellow", "bright white", None])
def test_letters_beside_marks_are_not_of_their_paint(paint: str | None) -> None:
    """Letters, dark and as plain as the marks, stand 6 degrees before each of them: without a word for the paint nobody
    can tell."""
    one = engine(paint=paint)
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    for btdc in (0.0, 8.0, 31.0):
        add_line(maps.rotor, GRID, 33.0 + btdc - 6.0, (0.8, 0.97), light=-0.5)
    if paint is None:
        with pytest.raises(CannotMeasure, match="two ways"):
            named(maps, one)
    else:
        assert apart_deg(named(maps, one).zero_deg, 33.0) < CLOSE_DEG


def test_paint_that_is_darker_than_chrome_is_still_a_mark() -> None:
    one = engine(paint="white")
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    dark = replace(maps, rotor=-maps.rotor)
    assert apart_deg(named(dark, one).zero_deg, 33.0) < CLOSE_DEG


def test_a_pole_in_line_with_one_mark_draws_it_nowhere() -> None:
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    add_line(maps.rotor, GRID, 41.0 - 0.9, (0.5, 0.79), 1.0, light=0.6)
    marks = named(maps, one)
    place = {mark.name: mark.deg for mark in marks.marks}
    assert apart_deg(place["P"], 41.0) < CLOSE_DEG and apart_deg(marks.zero_deg, 33.0) < CLOSE_DEG


@pytest.mark.parametrize(
    ("scores", "told"), [((190.0, 200.0, 205.0), True), ((150.0, 150.0, 150.0), False), ((250.0, 250.0, 95.0), False)]
)
def test_marks_painted_anew_beside_their_old_lines(scores: tuple[float, ...], told: bool) -> None:
    """Spaced alike, the old lines stand where all marks could: new paint is clearer in each, and plainly in all."""
    index = Line(-75.0, 1.4, 1.03, 1.2, 1, 100.0)
    new = tuple(Line(deg, 0.9, 0.8, 0.97, 1, score) for deg, score in zip((33.0, 41.0, 64.0), scores, strict=True))
    old = tuple(
        replace(line, deg=line.deg - 3.5, score=score) for line, score in zip(new, (120, 105, 100), strict=True)
    )
    readings = [Reading(33.0, index, new, 32.7, 105.0), Reading(29.5, index, old, 31.4, 100.0)]
    if told:
        assert best_reading(readings, Hints(), rim=1.0).zero_deg == 33.0
    else:
        with pytest.raises(CannotMeasure, match="two ways"):
            best_reading(readings, Hints(), rim=1.0)


def test_the_ground_between_new_paint_and_old_lines_is_neither() -> None:
    """It is near to both, and fits as well as either: the clearest of the three goes first, and takes it along."""
    one = engine()
    clear = {0.0: (199.0, 197.0, 191.0), 1.9: (161.0, 135.0, 168.0), 3.7: (132.0, 117.0, 124.0)}
    lines = [
        Line(33.0 + btdc + off, 0.9, 0.8, 0.97, -1 if off == 1.9 else 1, score)
        for off, scores in clear.items()
        # Of the old lines each stands just where the others say, of the new ones not quite.
        for btdc, score in zip((0.0, 8.0, 31.0 + 0.2 * (off == 0.0)), scores, strict=True)
    ]
    places = mark_places(one, btdc_of_marks(one), 1)
    found = zeros_of(drawn(one, 33.0, -75.0, ADVANCE), lines, places, Hints())
    assert [round(zero) for zero, _, _ in found] == [33, 37]


def test_a_line_that_could_be_either_of_two_marks_is_no_old_paint() -> None:
    """Four lines evenly apart, of which three are marks, each clearer than the one before."""
    index = Line(-75.0, 1.4, 1.03, 1.2, 1, 100.0)
    four = [Line(25.0 + 8.0 * k, 0.9, 0.8, 0.97, 1, score) for k, score in enumerate((60.0, 100.0, 160.0, 250.0))]
    readings = [Reading(33.0, index, tuple(four[1:]), 32.7, 105.0), Reading(25.0, index, tuple(four[:3]), 31.4, 100.0)]
    with pytest.raises(CannotMeasure, match="two ways"):
        best_reading(readings, Hints(), rim=1.0)


def test_a_strobe_of_its_own_rate() -> None:
    one = engine()
    with pytest.raises(CannotMeasure) as refusal:
        named(drawn(one, 33.0, -75.0, np.linspace(-170, 170, 60)), one)
    assert "degrees" in refusal.value.found and "strobe" in refusal.value.do


def test_the_pose_s_doubt_goes_into_the_marks() -> None:
    """A lean of 11 degrees known to 2: marks far from the index suffer, one at it does not."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    leaning = replace(maps.pose, lean_rad=np.array([0.2, 0.0]))
    covariance = np.diag([0, 0, 0, np.radians(2.0) ** 2, np.radians(2.0) ** 2, 0])
    known, doubtful = replace(maps, pose=leaning), replace(maps, pose=leaning, pose_covariance=covariance)
    turn = float(np.median(maps.turns_deg))
    assert doubtful.bend_sd_deg(-75.0 - turn, -75.0) < 0.1 * doubtful.bend_sd_deg(15.0 - turn, -75.0)
    assert named(doubtful, one).zero_sd_deg > 1.2 * named(known, one).zero_sd_deg


@pytest.mark.parametrize(("spread_deg", "drifts"), [(60.0, False), (150.0, True), (300.0, True)])
def test_a_strobe_that_drifts_is_told_by_the_spread(spread_deg: float, drifts: bool) -> None:
    """Also where it drifted by less than half a turn, and with a tenth of stray flashes."""
    degs = np.concatenate([np.linspace(0, spread_deg, 36), [170.0, -100.0]])
    if drifts:
        with pytest.raises(CannotMeasure, match="spread over"):
            _refuse_drifting(degs)
    else:
        _refuse_drifting(degs)


def test_a_lug_is_no_way_out_where_the_pointer_shows_the_other_cylinder() -> None:
    """The strobe on cylinder two, which fires half a turn later; half a turn from the pointer stands a fainter lug."""
    own, theirs = [("N", "one", 0.0), ("P", "one", 8.0), ("Q", "one", 31.0)], [("U", "two", 0.0), ("V", "two", 26.0)]
    twin = engine(marks=(*own, *theirs), tdc=[0.0, 180.0])
    maps = drawn(twin, 33.0, -75.0, ADVANCE, cylinder="two")
    add_line(maps.still, GRID, 105.0, (1.03, 1.12), light=0.5)
    with pytest.raises(CannotMeasure, match="as if the strobe were on cylinder two"):
        named(maps, twin, "one")
    assert apart_deg(named(maps, twin, "two").index.deg, -75.0) < CLOSE_DEG


def test_the_flanks_of_a_broad_notch_are_no_marks() -> None:
    """Bright on both sides of it, spaced as two of three marks are: it is one line, and they are its ground."""
    one = engine()
    flanks = [Line(33.0, 3.2, 0.87, 0.98, 1, 95.0), Line(41.0 - 0.8, 4.8, 0.87, 0.98, -1, 138.0)]
    places = mark_places(one, btdc_of_marks(one), 1)
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    assert zeros_of(maps, flanks, places, Hints()) == []
    # As narrow as marks are, and further apart than any ground of theirs, they may be two of different paint.
    marks = [replace(line, width_deg=0.9) for line in flanks]
    assert len(zeros_of(maps, marks, places, Hints())) == 1


def test_the_other_cylinders_marks_are_not_taken_for_fewer_of_ones_own() -> None:
    """Half a turn on, all lie on each other but one, which a trace of ground stands in for."""
    own, theirs = [("N", "one", 0.0), ("P", "one", 14.0), ("Q", "one", 37.0)], [("U", "two", 0.0), ("V", "two", 37.0)]
    twin = engine(marks=(*own, *theirs), tdc=[0.0, 180.0])
    maps = drawn(twin, 33.0, -75.0, ADVANCE, cylinder="two")
    add_line(maps.rotor, GRID, 33.0 + 180.0 + 13.0, (0.8, 0.97), light=0.22)
    with pytest.raises(CannotMeasure, match="as if the strobe were on cylinder two"):
        named(maps, twin, "one")
    assert apart_deg(named(maps, twin, "two").zero_deg, 33.0) < CLOSE_DEG


def test_letters_beside_marks_are_no_way_to_name_them() -> None:
    """They stand as the marks do, one step on, so that a mark is among them; but they are plainly fainter."""
    one = engine()
    places, maps = mark_places(one, btdc_of_marks(one), 1), drawn(one, 33.0, -75.0, ADVANCE)

    def ways(letters: float, last: float = 280.0) -> set[int]:
        marks = [Line(deg, 0.9, 0.8, 0.98, -1, score) for deg, score in ((33.0, last), (41.0, 280.0), (64.0, 280.0))]
        beside = [Line(deg, 1.4, 0.85, 0.92, -1, letters) for deg in (49.0, 72.0)]
        return {round(zero) for zero, _, _ in zeros_of(maps, [*marks, *beside], places, Hints())}

    assert ways(110.0) == {33}
    assert ways(200.0) == {33, 41}
    assert ways(110.0, last=150.0) == {33, 41}


def test_the_ground_beside_plain_lines_is_no_way_to_name_them() -> None:
    """Broad, of the other sign and fainter, beside two of three lines, and spaced as the marks are by chance."""
    index = Line(-75.0, 1.4, 1.03, 1.2, 1, 100.0)
    plain = tuple(Line(deg, 0.9, 0.82, 0.97, -1, 137.0) for deg in (33.0, 39.0, 61.0))
    ground = (Line(28.0, 7.0, 0.84, 0.97, 1, 113.0), plain[0], Line(56.5, 4.8, 0.84, 0.97, 1, 97.0))
    readings = [Reading(33.0, index, plain, 30.8, 84.0), Reading(27.5, index, ground, 24.8, 84.0)]
    assert best_reading(readings, Hints(), rim=1.0).zero_deg == 33.0
    # As plain as the lines themselves it may be marks.
    ground = tuple(replace(line, score=140.0) for line in ground)
    readings[1] = Reading(27.5, index, ground, 29.0, 84.0)
    with pytest.raises(CannotMeasure, match="two ways"):
        best_reading(readings, Hints(), rim=1.0)


def test_on_a_smooth_rotor_the_ground_between_marks_is_no_way_to_name_them() -> None:
    """Nothing but marks, lit as if drawn: the ground beside them, alike in its spacing, scores as they do."""
    one = engine(turns="anticlockwise", marks=(("N", "one", 0.0), ("P", "one", 8.0), ("Q", "one", 33.0)))
    strip, places = 0.4 + ground(GRID, 2e-4), mark_places(one, btdc_of_marks(one), -1)
    for place in places:
        add_line(strip, GRID, 33.0 + place.deg, (0.8, 0.97), width_deg=1.2)
    strip, _ = even_out(strip, np.ones(strip.shape, bool), GRID)
    inside = GRID.radii < 0.985
    lines = find_lines(strip[inside], GRID.some(inside))
    maps = replace(drawn(one, 33.0, -75.0, ADVANCE), rotor=strip)
    ways = zeros_of(maps, lines, places, Hints())
    assert [way[0] for way in ways] == [pytest.approx(33.0, abs=CLOSE_DEG)]
    # Two traces, and the third not there: no way at all.
    traces = [Line(deg, 0.9, 0.8, 0.97, 1, 0.5) for deg in (33.0, 25.0)]
    assert zeros_of(maps, traces, places, Hints()) == []
    # As plain as each other they are not told apart.
    alike = [replace(line, contrast=0.0, score=190.0) for line in lines[:9]]
    assert len(zeros_of(maps, alike, places, Hints())) > 1


DARK = 0.8  # plain in each row, and in all three together less than texture may reach over all radii


def in_a_hole(index_deg: float, *, notch: bool) -> Maps:
    """The maps of a part of a rotor, beside which nothing shows but a notch of few rows, or an edge of as many."""
    maps = drawn(engine(), 33.0, -75.0, ADVANCE)
    beside = GRID.radii > 1.01
    still = np.where(beside[:, None], 0.2, 1.0) * maps.still
    away = (np.arange(GRID.n_angles) * GRID.step_deg - index_deg + 180) % 360 - 180
    shown = (GRID.radii > 1.01) & (GRID.radii < 1.2)
    still[beside & ~shown] = 0.0
    still[shown] = ground(GRID, seed=9)[shown]
    rows = np.flatnonzero((GRID.radii > 1.1) & (GRID.radii < 1.135))
    still[rows] += np.where(np.abs(away) < 1.0, -DARK, 0.0) if notch else np.where(away > 0, -DARK, 0.0)
    return replace(maps, still=still.astype(np.float32), whole=False)


def test_a_notch_that_shows_in_few_rows_is_an_index_beside_a_hole() -> None:
    found = index_candidates(in_a_hole(-75.0, notch=True), Hints())
    assert min(apart_deg(line.deg, -75.0) for line in found) < CLOSE_DEG + GRID.step_deg


def test_the_edge_of_a_hole_is_none() -> None:
    assert all(apart_deg(line.deg, -75.0) > 3.0 for line in index_candidates(in_a_hole(-75.0, notch=False), Hints()))


def test_the_tip_of_a_pointer_over_the_gap_beside_an_edge_is_an_index() -> None:
    """It ends before radius 1, where the opening does; the rotor ended before it."""
    maps = in_a_hole(-40.0, notch=False)
    rotor = np.where(GRID.radii[:, None] < 0.93, maps.rotor, 0.0).astype(np.float32)
    away = (np.arange(GRID.n_angles) * GRID.step_deg + 75.0 + 180) % 360 - 180
    still = maps.still.copy()
    tip = np.flatnonzero((GRID.radii > 0.95) & (GRID.radii < 1.0))
    still[tip] += np.where(np.abs(away) < 1.0, -DARK, 0.0).astype(np.float32)
    assert candidates_near(replace(maps, rotor=rotor, still=still)) < CLOSE_DEG + GRID.step_deg
    # Where the rotor itself reaches as far, what stands still there may be a mark of its own.
    assert candidates_near(replace(maps, still=still)) > 3.0


def test_an_index_on_a_lip_is_plain_by_what_is_about_it() -> None:
    """The hole's own edges cross the same radii further round, and stand out more than a line on the lip does."""
    maps = in_a_hole(-75.0, notch=False)
    away = (np.arange(GRID.n_angles) * GRID.step_deg + 75.0 + 180) % 360 - 180
    # Lips that bend away from the index, dark and bright, and plain metal on either side of it.
    bent = GRID.radii[:, None] - 1.09 + 0.0014 * away[None, :] ** 2
    shown = np.abs(away[None, :]) < 15.0  # as much as a hole shows
    still = np.where(GRID.radii[:, None] > 1.01, shown * 0.5 * np.tanh(bent / 0.01), maps.still)
    texture = shown * 0.02 * np.random.default_rng(3).standard_normal(still.shape)
    lip = (GRID.radii > 1.02) & (GRID.radii < 1.06)
    line = still + texture
    line[lip] += np.where(np.abs(away) < 0.8, 0.35, 0.0)
    found = [candidates_near(replace(maps, still=s.astype(np.float32))) for s in (still + texture, line)]
    assert found[0] > 3.0
    assert found[1] < CLOSE_DEG + GRID.step_deg


def candidates_near(maps: Maps) -> float:
    """How near to the place the nearest is."""
    return min((apart_deg(line.deg, -75.0) for line in index_candidates(maps, Hints())), default=180.0)


def elsewhere(radii: tuple[float, float], index_deg: float = -75.0, *, whole: bool = True) -> Maps:
    """The maps of a rotor of which nothing shows within 0.7, with an index at certain radii only."""
    maps = drawn(engine(), 33.0, -75.0, ADVANCE)
    rotor = np.where(GRID.radii[:, None] > 0.7, maps.rotor, 0.0).astype(np.float32)
    still = ground(GRID, seed=51)
    add_line(still, GRID, index_deg, radii)
    return replace(maps, rotor=rotor, still=still, whole=whole)


def test_an_index_on_the_shafts_side_of_a_hole() -> None:
    found = named(elsewhere((0.6, 0.68), whole=False), engine()).index
    assert apart_deg(found.deg, -75.0) < CLOSE_DEG
    assert found.radius == pytest.approx(0.68, abs=2 * (GRID.radii[1] - GRID.radii[0]))  # its end nearest the marks
    # Of a rotor that is seen as a whole, what lies there is its own.
    with pytest.raises(NotThere, match="no index"):
        named(elsewhere((0.6, 0.68)), engine())
    with pytest.raises(NotThere, match="no index"):
        named(elsewhere((0.6, 0.68), 60.0, whole=False), engine())


def test_a_pointer_that_reaches_over_the_rim() -> None:
    """Beside the rim too little of it shows to be an index; what stands still and ends within the rim is a mark that
    rested there."""
    assert apart_deg(named(elsewhere((0.9, 1.03)), engine()).index.deg, -75.0) < CLOSE_DEG
    with pytest.raises(NotThere, match="no index"):
        named(elsewhere((0.86, 0.98)), engine())


def test_where_the_index_is_covered_the_edge_of_what_covers_it_is_none() -> None:
    """A rag that ends beside the marks: one edge, with no other side, from which the timing would be far off the
    file's. Drawn as a line of that place and score, with two sides, it would be read."""
    one = engine()
    maps = drawn(one, 33.0, -75.0, ADVANCE)
    step = (np.arange(GRID.n_angles) * GRID.step_deg + 60.0 + 180) % 360 - 180
    beside = (GRID.radii > 1.06) & (GRID.radii < 1.13)
    still = ground(GRID, seed=51)
    still[beside] += np.where((step > 0) & (step < 9), 1 - step / 9, 0.0).astype(np.float32)
    with pytest.raises(NotThere, match="no index"):
        named(replace(maps, still=still), one)
    line = ground(GRID, seed=51)
    add_line(line, GRID, -60.0, (1.06, 1.2))
    assert apart_deg(named(replace(maps, still=line), one).index.deg, -60.0) < CLOSE_DEG


def test_marks_that_the_picture_cuts_off_are_not_missed() -> None:
    """Close to, a twin's other marks stand half a turn on, below the picture; not so if they should have shown."""
    own, theirs = (("N", "one", 0.0), ("P", "one", 8.0), ("Q", "one", 31.0)), [("U", 0.0), ("V", 8.0), ("W", 31.0)]
    twin = engine(marks=(*own, *((name, "two", deg) for name, deg in theirs)), tdc=[0.0, 180.0])
    maps = drawn(twin, 33.0, -75.0, ADVANCE, missing=("U", "V", "W"))
    away = (np.arange(GRID.n_angles) * GRID.step_deg - 53.0 + 180) % 360 - 180
    cut_off = replace(maps, rotor=np.where(np.abs(away)[None, :] < 120.0, maps.rotor, 0.0).astype(np.float32))
    assert apart_deg(named(cut_off, twin).zero_deg, 33.0) < CLOSE_DEG
    with pytest.raises(NotThere, match="no lines"):
        named(maps, twin)
    # One line that is left of three says nothing.
    two = replace(cut_off, rotor=np.where(np.abs(away - 11.0)[None, :] < 8.0, maps.rotor, 0.0).astype(np.float32))
    with pytest.raises(NotThere, match="no lines"):
        named(two, twin)


def test_the_end_of_what_shows_of_a_rotor_is_no_mark() -> None:
    maps = replace(elsewhere((1.03, 1.2)), whole=False)
    away = (np.arange(GRID.n_angles) * GRID.step_deg - 64.0 + 180) % 360 - 180
    part = replace(maps, rotor=np.where(away[None, :] < 1.0, maps.rotor, 0.0).astype(np.float32))
    line = Line(64.0, 1.4, 0.8, 0.97, 1, 90.0)
    assert maps.shows_about(line) and not part.shows_about(line)
    assert part.shows_about(replace(line, deg=41.0))
