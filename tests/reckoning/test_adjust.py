"""The advice: signs above all, then bounds, blades, full advance, what is left alone."""

from __future__ import annotations

import importlib.util
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import read_engine
from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.adjust import advise
from timingcam.reckoning.adjusters import change_from_gaps, gap_for_change
from timingcam.reckoning.moves import Learned

_spec = importlib.util.spec_from_file_location("bench_engine", Path(__file__).with_name("bench_engine.py"))
assert _spec is not None and _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

ENGINES = sorted((Path(__file__).parents[2] / "shared" / "engines").glob("*.toml"))
EXACT_DEG = 1e-6  # sums of a few doubles; the solver stops at about 1e-10
HALF_THOU_DEG = 0.5 * 2 * math.degrees(0.0254 / 16.0)  # a blade misses by at most half a thou, on a camshaft of 16 mm


def off_by(left_deg: float, right_deg: float) -> dict:
    return {
        "left": bench.curve(bench.LOW_DEG + left_deg, bench.FULL_DEG + left_deg),
        "right": bench.curve(bench.LOW_DEG + right_deg, bench.FULL_DEG + right_deg),
    }


class TestSigns:
    """Every layout: rotor's direction, shaft, its direction facing the adjuster, kind of adjuster, cylinder.

    `rotor_turns` is what the camera sees, `shaft_turns` what the person facing the adjuster sees; that they agree or
    not is whether the camera looks from the adjuster's side or from the other.
    """

    @given(
        rotor_turns=st.sampled_from(["clockwise", "anticlockwise"]),
        shaft_turns=st.sampled_from(["clockwise", "anticlockwise"]),
        shaft=st.sampled_from(["camshaft", "crankshaft"]),
        kind=st.sampled_from(["turn", "slide", "gap"]),
        wider=st.sampled_from(["advances", "retards"]),
        own_of=st.sampled_from(["left", "right"]),
        both_deg=st.sampled_from([-6.0, -2.0, 2.0, 6.0]),
        own_deg=st.sampled_from([-1.5, 1.5]),
    )
    def test_following_the_advice_always_helps(
        self, rotor_turns, shaft_turns, shaft, kind, wider, own_of, both_deg, own_deg
    ) -> None:
        plate = bench.turn("plate", ["left", "right"], shaft, shaft_turns)
        own = {
            "turn": lambda: bench.turn("own", [own_of], shaft, shaft_turns),
            "slide": lambda: bench.slide("own", [own_of], shaft, wider),
            "gap": lambda: bench.gap("own", [own_of], wider, gap_range_thou=[8.0, 22.0]),
        }[kind]()
        engine = bench.engine([plate, own], rotor_turns)
        off = {"left": both_deg, "right": both_deg}
        off[own_of] += own_deg
        moves = advise(engine, off_by(off["left"], off["right"]))
        assert {move.adjuster for move in moves.steps} == {"plate", "own"}
        first = "own" if kind == "gap" else "plate"  # the gap sets the dwell, so it comes before the plate
        assert moves.steps[0].adjuster == first
        before = dict(off)
        for move in moves.steps:
            change = bench.follow(plate if move.adjuster == "plate" else own, move)
            for cylinder in move.cylinders:
                off[cylinder] += change
        for cylinder in off:
            assert abs(off[cylinder]) < abs(before[cylinder])
            assert abs(off[cylinder]) <= 0.3 + EXACT_DEG  # half a thou of any of these, at most

    @pytest.mark.parametrize("wider", ["advances", "retards"])
    @pytest.mark.parametrize("deg", [-3.0, -0.01, 0.01, 3.0])
    @pytest.mark.parametrize("kind", ["slide", "gap"])
    def test_gap_there_and_back(self, kind: str, wider: str, deg: float) -> None:
        data = bench.slide("s", ["left"], "camshaft", wider) if kind == "slide" else bench.gap("g", ["left"], wider)
        adjuster = bench.engine([data]).adjuster[0]
        gap = gap_for_change(adjuster, 15.0, deg)
        assert (gap > 15) == ((deg > 0) == (wider == "advances"))
        assert change_from_gaps(adjuster, 15.0, gap) == pytest.approx(deg, abs=EXACT_DEG)

    def test_on_paper(self) -> None:
        # Both 4 crank degrees late. Camshaft anticlockwise facing the plate, so clockwise advances; 4 crank degrees are
        # 2 at the plate, 48 mm · 2° = 1.6755 mm at its rim, 0.8 of a division of 5.
        plate = bench.turn("plate", ["left", "right"], "camshaft", "anticlockwise", division_crank_deg=5.0)
        (move,) = advise(bench.engine([plate]), off_by(-4.0, -4.0)).steps
        assert move.direction == "clockwise"
        assert move.change_deg == pytest.approx(4.0, abs=EXACT_DEG)
        assert move.shaft_deg == pytest.approx(2.0, abs=EXACT_DEG)
        assert move.rim_mm == pytest.approx(48 * math.radians(2), abs=EXACT_DEG)
        assert move.divisions == pytest.approx(0.8, abs=EXACT_DEG)


def plate_and_slide(**slide_keys) -> object:
    return bench.engine(
        [
            bench.turn("plate", ["left", "right"], "camshaft", "clockwise"),
            bench.slide("own", ["right"], "camshaft", "retards", **slide_keys),
        ]
    )


class TestSharing:
    def test_plate_alone_when_both_are_off_alike(self) -> None:
        moves = advise(plate_and_slide(), off_by(3.0, 3.0))
        assert [move.adjuster for move in moves.steps] == ["plate"]
        assert "too little to be worth it" in moves.left[0].leave

    def test_slide_alone_when_only_its_cylinder_is_off(self) -> None:
        (move,) = advise(plate_and_slide(), off_by(0.0, 2.0)).steps
        assert (move.adjuster, move.gap) == ("own", "wider")

    def test_plate_for_the_cylinder_that_has_nothing_of_its_own(self) -> None:
        plate, own = advise(plate_and_slide(), off_by(3.0, 1.0)).steps
        assert plate.change_deg == pytest.approx(-3.0, abs=EXACT_DEG)
        assert own.wanted_deg == pytest.approx(2.0, abs=EXACT_DEG)
        assert abs(own.wanted_deg - own.change_deg) <= HALF_THOU_DEG

    def test_slide_out_of_blades_leaves_the_plate_to_share(self) -> None:
        # Narrower advances; from 10 thou down to 2 is 8 thou, 1.455 degrees of the 4 that right needs.
        moves = advise(plate_and_slide(gap_thou=10.0), off_by(0.0, -4.0))
        own = next(move for move in moves.steps if move.adjuster == "own")
        plate = next(move for move in moves.steps if move.adjuster == "plate")
        assert own.at_limit and own.blade is not None and own.blade.to_thou == 2.0
        assert plate.change_deg > 0
        left, right = moves.outlook
        # The same doubt on both sides: what cannot be mended is shared evenly.
        assert left.left_over_deg == pytest.approx(-right.left_over_deg, abs=EXACT_DEG)
        assert any("cannot go as far" in warning for warning in moves.warnings)

    def test_makers_limits_hold(self) -> None:
        own = advise(plate_and_slide(gap_range_thou=[26.0, 34.0]), off_by(0.0, 4.0)).steps[-1]
        assert own.blade is not None and own.blade.to_thou == 34.0

    def test_range_of_the_plate_holds(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise", range_crank_deg=2.5)
        moves = advise(bench.engine([plate]), off_by(6.0, 6.0))
        assert moves.steps[0].change_deg == pytest.approx(-2.5, abs=EXACT_DEG)
        assert any("stays 3.5° beyond its aim" in warning for warning in moves.warnings)

    def test_single_plate_takes_the_middle(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        (move,) = advise(bench.engine([plate]), off_by(1.0, 3.0)).steps
        assert move.change_deg == pytest.approx(-2.0, abs=EXACT_DEG)


class TestGaps:
    def test_gap_out_of_the_makers_limits_first_then_the_plate(self) -> None:
        # 10 thou where 12 to 18 are right: 15 is the middle, 5 thou wider at 0.6 advances 3 degrees; left then is
        # 3 early, and the plate takes it back for both: right is 3 early to begin with.
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        points = bench.gap("left points", ["left"], "advances", gap_thou=10.0)
        moves = advise(bench.engine([plate, points]), off_by(0.0, 3.0))
        first, second = moves.steps
        assert (first.adjuster, first.gap) == ("left points", "wider")
        assert first.blade is not None and first.blade.to_thou == 15.0
        assert second.change_deg == pytest.approx(-3.0, abs=EXACT_DEG)
        assert any("outside its limits" in warning for warning in moves.warnings)

    def test_good_gap_is_left_alone_where_a_plate_will_do(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        points = [bench.gap(f"{name} points", [name], "advances") for name in ("left", "right")]
        moves = advise(bench.engine([plate, *points]), off_by(4.0, 4.0))
        assert [move.adjuster for move in moves.steps] == ["plate"]

    def test_unknown_gap_gives_no_blade(self) -> None:
        data = bench.slide("own", ["right"], "camshaft", "retards")
        del data["gap_thou"]
        engine = bench.engine([bench.turn("plate", ["left", "right"], "camshaft", "clockwise"), data])
        (move,) = advise(engine, off_by(0.0, 2.0)).steps
        assert move.blade is None and move.gap == "wider"
        assert move.gap_change_thou == pytest.approx(2.0 / 2 / math.degrees(0.0254 / 16), rel=1e-3)  # chord for arc

    def test_two_blades_together(self) -> None:
        own = advise(plate_and_slide(), off_by(0.0, 5.0)).steps[-1]
        assert own.blade is not None and own.blade.to_thou > 35
        assert len(own.blade.blades_thou) == 2 and sum(own.blade.blades_thou) == own.blade.to_thou


class TestFullAdvance:
    def test_full_advance_is_chosen_when_idle_would_take_it_too_far(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        engine = bench.engine([plate], full_advance_max_deg=34.0)
        curve = bench.curve(bench.LOW_DEG - 5, bench.FULL_DEG)  # idle right would mean 38 at full advance
        moves = advise(engine, {"left": curve, "right": curve})
        assert not moves.steps
        assert all(outlook.aimed_by == ("full advance",) for outlook in moves.outlook)
        assert any("Full advance was chosen instead" in warning for warning in moves.warnings)
        assert any("look at the advancer" in warning for warning in moves.warnings)

    def test_no_move_takes_a_cylinder_beyond_its_limit(self) -> None:
        # Left late by 4, right at its aim, one plate for both: the middle would be 2 each, the limit allows right 1.
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        engine = bench.engine([plate], full_advance_max_deg=bench.FULL_DEG + 1)
        moves = advise(engine, off_by(-4.0, 0.0))
        assert moves.steps[0].change_deg == pytest.approx(1.0, abs=2e-3)  # the limit holds to a thousandth, twice

    def test_too_much_full_advance_is_not_to_be_ridden_hard(self) -> None:
        moves = advise(plate_and_slide(), off_by(0.0, 1.9))  # 34.9, and its upper 95 % bound beyond 35
        assert [outlook.ride_hard for outlook in moves.outlook] == ["yes", "no"]
        assert any("Do not ride it hard" in warning and "right" in warning for warning in moves.warnings)

    def test_unseen_full_advance_is_said(self) -> None:
        curve = bench.curve(bench.LOW_DEG + 2, None)
        short = {name: _up_to(curve, 3000.0) for name in ("left", "right")}
        moves = advise(plate_and_slide(), short)
        assert moves.steps[0].change_deg == pytest.approx(-2.0, abs=EXACT_DEG)
        assert all(outlook.ride_hard == "not seen" for outlook in moves.outlook)
        assert any("was not seen" in warning for warning in moves.warnings)

    def test_level_speeds_stand_in_for_figures_that_were_not_found(self) -> None:
        curve = replace(
            bench.curve(bench.LOW_DEG + 3, bench.FULL_DEG + 3), low_speed_advance_deg=None, full_advance_deg=None
        )
        (move,) = advise(plate_and_slide(), {"left": curve, "right": curve}).steps
        assert move.change_deg == pytest.approx(-3.0, abs=EXACT_DEG)


def _up_to(curve, rpm: float):
    keep = curve.grid_rpm <= rpm
    names = ("grid_rpm", "grid_advance_deg", "grid_random_sd_deg", "grid_sd_deg")
    return replace(curve, **{name: getattr(curve, name)[keep] for name in names})


class TestLeftAlone:
    def test_less_than_can_be_measured(self) -> None:
        curves = {name: bench.curve(bench.LOW_DEG + 0.8, bench.FULL_DEG + 0.8, 0.1, 0.6) for name in ("left", "right")}
        moves = advise(plate_and_slide(), curves)
        assert not moves.steps
        assert "can be measured" in moves.left[0].leave

    def test_less_than_a_hand_can_set(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise", hand_sd_crank_deg=1.5)
        moves = advise(bench.engine([plate]), off_by(1.2, 1.2))
        assert not moves.steps and "a hand can set" in moves.left[0].leave

    def test_right_engine_is_left(self) -> None:
        moves = advise(plate_and_slide(), off_by(0.0, 0.0))
        assert not moves.steps and len(moves.left) == 2


class TestDoubt:
    def test_sd_of_the_steps_is_their_spread(self) -> None:
        rng = np.random.default_rng(3)
        found = []
        for _ in range(400):
            curves = {}
            for name, off in (("left", 4.0), ("right", 1.0)):
                common = rng.normal(0, 0.15)
                low, full = (at + off + common + rng.normal(0, 0.1) for at in (bench.LOW_DEG, bench.FULL_DEG))
                curves[name] = bench.curve(low, full)
            steps = {move.adjuster: move for move in advise(plate_and_slide(), curves).steps}
            found.append([(steps[name].wanted_deg, steps[name].sd_deg) for name in ("plate", "own")])
        wanted, sd = np.array(found).transpose(2, 0, 1)
        # An sd of 400 draws is known to 1/sqrt(2·400) of itself; 4 of those.
        assert wanted.std(axis=0) == pytest.approx(sd.mean(axis=0), rel=4 / math.sqrt(2 * 400))

    def test_afterwards_holds_hand_and_measurement(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise", hand_sd_crank_deg=0.4)
        moves = advise(bench.engine([plate]), off_by(3.0, 3.0))
        after = moves.outlook[0].full_after
        assert after is not None
        assert after.value == pytest.approx(bench.FULL_DEG, abs=EXACT_DEG)
        assert after.sd == pytest.approx(math.sqrt(0.1**2 + 0.15**2 + 0.4**2), rel=1e-9)
        assert moves.outlook[0].after_deg - moves.outlook[0].now_deg == pytest.approx(-3.0, abs=EXACT_DEG)


class TestLearned:
    def test_what_a_division_really_did_is_used(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise", division_crank_deg=4.0)
        known = Learned("plate", "divisions", deg_per_unit=5.0, sd_deg=0.25, nominal_deg_per_unit=4.0)
        (plain,) = advise(bench.engine([plate]), off_by(5.0, 5.0)).steps
        (wiser,) = advise(bench.engine([plate]), off_by(5.0, 5.0), [known]).steps
        assert plain.divisions == pytest.approx(1.25) and wiser.divisions == pytest.approx(1.0)
        assert plain.direction == wiser.direction
        # 5 % doubt of a division is 5 % of the move.
        assert wiser.sd_deg == pytest.approx(math.hypot(plain.sd_deg, 0.25), rel=1e-6)
        assert plain.rim_mm is not None and wiser.rim_mm == pytest.approx(plain.rim_mm / 1.25)

    def test_division_that_the_file_does_not_give(self) -> None:
        plate = bench.turn("plate", ["left", "right"], "camshaft", "clockwise")
        known = Learned("plate", "divisions", deg_per_unit=5.0, sd_deg=0.25, nominal_deg_per_unit=None)
        (move,) = advise(bench.engine([plate]), off_by(5.0, 5.0), [known]).steps
        assert move.divisions == pytest.approx(1.0)

    def test_gap_learned(self) -> None:
        own = advise(plate_and_slide(), off_by(0.0, 2.0)).steps[-1]
        per_thou = own.change_deg / (own.blade.to_thou - 30.0)
        known = Learned("own", "thou", 2 * abs(per_thou), 0.01, abs(per_thou))
        wiser = advise(plate_and_slide(), off_by(0.0, 2.0), [known]).steps[-1]
        assert wiser.blade.exact_thou - 30 == pytest.approx((own.blade.exact_thou - 30) / 2, rel=1e-3)  # chord for arc


class TestRefusals:
    def test_no_spec(self) -> None:
        engine = plate_and_slide().model_copy(update={"spec": None})
        with pytest.raises(CannotUse, match="no spec"):
            advise(engine, off_by(0, 0))

    def test_no_adjuster(self) -> None:
        with pytest.raises(CannotUse, match="no adjuster"):
            advise(bench.engine([]), off_by(0, 0))

    def test_strange_cylinder(self) -> None:
        with pytest.raises(CannotUse, match="cylinder middle"):
            advise(plate_and_slide(), {"middle": bench.curve(7, 33)})

    def test_nothing_measured_that_could_be_judged(self) -> None:
        curve = bench.curve(None, None)
        keep = (curve.grid_rpm > 2300) & (curve.grid_rpm < 3500)
        names = ("grid_rpm", "grid_advance_deg", "grid_random_sd_deg", "grid_sd_deg")
        curve = replace(curve, **{name: getattr(curve, name)[keep] for name in names})
        with pytest.raises(CannotMeasure, match="neither low-speed nor full advance"):
            advise(plate_and_slide(), {"left": curve})

    def test_unmeasured_cylinder_is_warned_of(self) -> None:
        moves = advise(plate_and_slide(), {"left": off_by(3.0, 3.0)["left"]})
        assert any("moves right too" in warning for warning in moves.warnings)


@pytest.mark.parametrize("path", ENGINES, ids=lambda path: path.stem)
def test_every_shipped_engine_can_be_advised(path: Path) -> None:
    engine = read_engine(path)
    assert engine.spec is not None
    low, full = engine.spec.curve[0][1], max(advance for _, advance in engine.spec.curve)
    for offs in itertools.product([-3.0, 0.0, 3.0], repeat=len(engine.cylinder)):
        curves = {c.name: bench.curve(low + off, full + off) for c, off in zip(engine.cylinder, offs, strict=True)}
        moves = advise(engine, curves)
        assert bool(moves.steps) == any(offs)
        for outlook, off in zip(moves.outlook, offs, strict=True):
            assert abs(outlook.left_over_deg) <= abs(off) + 2.0  # a cylinder is never made worse than its limit allows
