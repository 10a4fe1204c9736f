"""What a move really did: found from curves before and after, with the doubt of hand and measurement."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.learn import Made, learn
from timingcam.reckoning.made_moves import read_made
from timingcam.reckoning.shared_doubt import Shared

_spec = importlib.util.spec_from_file_location("bench_engine", Path(__file__).with_name("bench_engine.py"))
assert _spec is not None and _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


def curves(left_deg: float, right_deg: float, rng: np.random.Generator | None = None) -> dict:
    found = {}
    for name, off in (("left", left_deg), ("right", right_deg)):
        common = rng.normal(0, 0.15) if rng is not None else 0.0
        low, full = (
            at + off + common + (rng.normal(0, 0.1) if rng is not None else 0.0)
            for at in (bench.LOW_DEG, bench.FULL_DEG)
        )
        found[name] = bench.curve(low, full)
    return found


ENGINE = bench.engine(
    [
        bench.turn("plate", ["left", "right"], "camshaft", "clockwise", division_crank_deg=4.0, hand_sd_crank_deg=0.3),
        bench.slide("own", ["right"], "camshaft", "retards"),
    ]
)


def test_exact_change_draws_the_figure_to_what_was_seen() -> None:
    # 2 divisions did 10 degrees, 5 each, where the file says 4 with a doubt of 30 %, 1.2. Hand and clips: 0.3 for the
    # hand; each cylinder's change has 2·(0.1²/2 + 0.15²) = 0.055, so the mean of two has 0.0275 + 0.09, sd 0.343 on 2
    # divisions: 0.171 each. Weights 1/1.2² and 1/0.171²: 5 is drawn towards 4 by 0.02.
    (one,), warnings = learn(ENGINE, curves(-10, -10), curves(0, 0), [Made("plate", 2.0, "divisions")])
    sd = math.sqrt(0.0275 + 0.09) / 2
    mean = (5 / sd**2 + 4 / 1.2**2) / (1 / sd**2 + 1 / 1.2**2)
    assert one.deg_per_unit == pytest.approx(mean, rel=1e-6)  # rounding of a 2-by-2 system
    assert one.sd_deg == pytest.approx(1 / math.sqrt(1 / sd**2 + 1 / 1.2**2), rel=1e-6)
    assert one.nominal_deg_per_unit == 4.0 and not warnings


def test_what_both_clips_share_falls_out() -> None:
    # As above, but 0.12 of the 0.15 of each clip are the marks' own places: 2·(0.1²/2 + 0.15² - 0.12²) = 0.0262.
    shared = dict.fromkeys(("left", "right"), Shared(0.12, 0.12, 0.0, 0.0, 0.0))
    moves = [Made("plate", 2.0, "divisions")]
    (one,), _ = learn(ENGINE, curves(-10, -10), curves(0, 0), moves, shared)
    sd = math.sqrt(0.0131 + 0.09) / 2
    assert one.sd_deg == pytest.approx(1 / math.sqrt(1 / sd**2 + 1 / 1.2**2), rel=1e-6)  # rounding, as above
    # What adds straight rather than by squares widens it.
    crossed = dict.fromkeys(("left", "right"), Shared(0.0, 0.0, 0.02, 0.0, 0.0))
    (wider,), _ = learn(ENGINE, curves(-10, -10), curves(0, 0), moves, crossed)
    assert wider.sd_deg > one.sd_deg


def test_two_moves_at_once() -> None:
    per_thou = math.degrees(2 * 0.0254 / 16)
    after = curves(4.0, 4.0 - 10 * per_thou)  # wider retards
    found, _ = learn(ENGINE, curves(0, 0), after, [Made("plate", 1.0, "divisions"), Made("own", -10.0, "thou")])
    assert {one.adjuster for one in found} == {"plate", "own"}
    own = next(one for one in found if one.adjuster == "own")
    assert own.deg_per_unit == pytest.approx(per_thou, rel=1e-3)  # chord for arc


def test_stated_doubt_is_the_real_one() -> None:
    rng = np.random.default_rng(8)
    pulls = []
    for _ in range(400):
        true = rng.normal(4.0, 1.2)  # what an engine file's figure is taken to be worth
        moved = 1.5 * true + rng.normal(0, 0.3)
        found, _ = learn(
            ENGINE, curves(-3, -3, rng), curves(-3 + moved, -3 + moved, rng), [Made("plate", 1.5, "divisions")]
        )
        pulls += [(one.deg_per_unit - true) / one.sd_deg for one in found]
    assert len(pulls) > 390
    # An sd from n draws is known to 1/sqrt(2n); 4 of those. The mean to 1/sqrt(n).
    assert abs(np.std(pulls) - 1) < 4 / math.sqrt(2 * len(pulls))
    assert abs(np.mean(pulls)) < 4 / math.sqrt(len(pulls))


def test_wrong_way_is_refused() -> None:
    with pytest.raises(CannotMeasure, match="later than before, after plate was moved to advance"):
        learn(ENGINE, curves(0, 0), curves(-8, -8), [Made("plate", 2.0, "divisions")])
    with pytest.raises(CannotMeasure, match="earlier than before, after plate was moved to retard"):
        learn(ENGINE, curves(0, 0), curves(8, 8), [Made("plate", -2.0, "divisions")])


def test_too_small_to_learn_from() -> None:
    bare = bench.engine([bench.turn("plate", ["left", "right"], "camshaft", "clockwise")])
    found, warnings = learn(bare, curves(0, 0), curves(0.2, 0.2), [Made("plate", 0.05, "divisions")])
    assert not found and "too small" in warnings[0]


def test_far_from_the_file_is_said() -> None:
    _, warnings = learn(ENGINE, curves(0, 0), curves(20, 20), [Made("plate", 2.0, "divisions")])
    assert "the engine file says 4.00" in warnings[0]


def test_a_cylinder_that_nothing_moved() -> None:
    _, warnings = learn(ENGINE, curves(0, 0), curves(5, 2), [Made("own", 11.0, "thou")])
    assert any("left changed by +5.0°" in warning for warning in warnings)


def test_moves_that_cannot_be_told_apart() -> None:
    two = bench.engine([bench.turn(name, ["left", "right"], "camshaft", "clockwise") for name in ("a", "b")])
    with pytest.raises(CannotUse, match="told apart"):
        learn(two, curves(0, 0), curves(5, 5), [Made("a", 1.0, "divisions"), Made("b", 1.0, "divisions")])


class TestNotes:
    @pytest.mark.parametrize(
        ("text", "amount", "unit"),
        [
            ("plate=+1.5 divisions", 1.5, "divisions"),
            ("plate = -1 division", -1.0, "divisions"),
            ("plate=2 mm anticlockwise", 2.0, "mm"),  # the shaft turns clockwise, so against it advances
            ("plate=2mm clockwise", -2.0, "mm"),
            ("plate=−.5 degrees", -0.5, "degrees"),
            ("own=3 thou wider", -3.0, "thou"),  # wider retards
            ("own=+3 thou", -3.0, "thou"),
            ("own=3 thou narrower", 3.0, "thou"),
        ],
    )
    def test_understood(self, text: str, amount: float, unit: str) -> None:
        made = read_made(text, ENGINE)
        assert (made.amount, made.unit) == (amount, unit)

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("plate", "NAME=AMOUNT UNIT"),
            ("plate=much", "NAME=AMOUNT UNIT"),
            ("plate=1 division", "no direction"),
            ("plate=+1 division clockwise", "both a sign and a direction"),
            ("plate=1 division wider", "NAME=AMOUNT UNIT"),
            ("plate=+3 thou", "divisions, mm or degrees"),
            ("own=+3 mm", "thou for own"),
            ("plote=+1 division", "did you mean 'plate'"),
            ("plate=+0 divisions", "a move of nothing"),
        ],
    )
    def test_refused(self, text: str, words: str) -> None:
        with pytest.raises(CannotUse, match=words):
            read_made(text, ENGINE)
