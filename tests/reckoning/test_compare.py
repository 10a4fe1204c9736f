"""Left with right, before with after."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

from timingcam.errors import CannotUse
from timingcam.reckoning.compare import Comparison, compare
from timingcam.reckoning.result import Estimate, Measurement


@pytest.fixture(scope="module")
def left() -> Measurement:
    return make_measurement()


@pytest.fixture(scope="module")
def right() -> Measurement:
    return make_measurement(cylinder="right", shift_deg=3.0, seed=8)


@pytest.fixture(scope="module")
def compared(left: Measurement, right: Measurement) -> Comparison:
    return compare(left, right)


def test_the_difference_is_second_less_first(left: Measurement, right: Measurement, compared: Comparison) -> None:
    assert compared.kind == "left-right"
    np.testing.assert_allclose(compared.difference_deg, 3.0, atol=1e-9)  # both curves are the truth, 3° apart
    back = compare(right, left)
    np.testing.assert_allclose(back.difference_deg, -compared.difference_deg, atol=1e-9)
    assert back.at_idle is not None and compared.at_idle is not None
    assert back.at_idle.difference_deg.value == pytest.approx(-compared.at_idle.difference_deg.value)


def test_three_degrees_are_out_of_one_and_a_half(compared: Comparison) -> None:
    assert {check.name: check.verdict for check in compared.checks} == {
        "difference at idle": "out",
        "difference at full": "out",
        "largest difference": "out",
    }
    assert compared.shift_deg is not None
    assert f"right has {compared.shift_deg.value:.2f}° more" in compared.finding and "adjuster" in compared.finding


def test_random_parts_add_by_squares(compared: Comparison) -> None:
    # The curves of the made measurement: random 0.05° each, on paper sqrt(2)·0.05.
    np.testing.assert_allclose(compared.random_sd_deg, 0.05 * np.sqrt(2), rtol=1e-12)


def test_what_is_shared_cancels_and_the_index_height_adds_straight(left: Measurement, right: Measurement) -> None:
    # Each side: sd 0.15, random 0.05, so systematic variance 0.0200; the mark's own 0.10 is shared, since both read the
    # same marks: 0.0200 − 0.0100 left of each; the height of the index 0.07 adds straight: 2·0.07·0.07 more.
    on_paper = np.sqrt(2 * 0.05**2 + 2 * (0.0200 - 0.0100) + 2 * 0.07 * 0.07)
    np.testing.assert_allclose(compare(left, right).sd_deg, on_paper, rtol=1e-9)
    # Phone left alone: height (0.07) and tilt (0.03) cancel too, and the delay's 6·rpm·10 µs.
    at_low = 0.0200 - 0.0100 - 0.07**2 - 0.03**2 - (6 * 1075.0 * 10e-6) ** 2
    together = compare(left, right, same_setup=True)
    assert together.sd_deg[0] == pytest.approx(np.sqrt(2 * 0.05**2 + 2 * at_low), rel=1e-9)
    assert np.all(together.sd_deg < on_paper)


def test_one_strobe_cancels_its_delay_and_nothing_of_the_view(left: Measurement, right: Measurement) -> None:
    sds = [
        compare(left, right, same_setup=setup, same_strobe=strobe).at_full_advance.difference_deg.sd  # type: ignore[union-attr]
        for setup, strobe in ((False, False), (False, True), (True, False))
    ]
    apart, one_strobe, untouched = sds
    assert untouched < one_strobe < apart
    # 10 µs at the fastest speed of both, in each of the two: what falls out.
    late_deg = 6 * compare(left, right).at_full_advance.rpm * left.strobe.delay_sd_s  # type: ignore[union-attr]
    left_deg2 = left.curve.full_advance_deg.sd**2 - left.curve.grid_random_sd_deg[-1] ** 2  # type: ignore[union-attr]
    assert apart**2 - one_strobe**2 <= 2 * min(late_deg**2, left_deg2) + 1e-12


def test_marks_of_their_own_do_not_cancel(left: Measurement, right: Measurement) -> None:
    marks = tuple(
        mark.model_copy(update={"cylinder": (name,)}) for mark in left.engine.rotor.mark for name in ("left", "right")
    )
    engine = left.engine.model_copy(
        update={"rotor": left.engine.rotor.model_copy(update={"mark": marks}), "cylinder": left.engine.cylinder}
    )
    apart = compare(dataclasses.replace(left, engine=engine), dataclasses.replace(right, engine=engine))
    shared = compare(left, right)
    # The list of marks names one cylinder each: none is common, and its error stays in the difference.
    assert apart.sd_deg[0] == pytest.approx(np.sqrt(shared.sd_deg[0] ** 2 + 2 * 0.10**2), rel=1e-9)


def test_before_and_after_are_told_from_one_cylinder(left: Measurement) -> None:
    after = make_measurement(seed=11, shift_deg=-1.0)
    c = compare(left, after)
    assert c.kind == "before-after" and (c.first.name, c.second.name) == ("before", "after")
    assert c.checks == ()  # the spec's largest difference is one between cylinders
    assert "before has" in c.finding and "more advance than after" in c.finding


def test_no_difference_is_said_to_be_none(left: Measurement) -> None:
    assert "No difference that can be told" in compare(left, make_measurement(seed=21)).finding


def test_a_changed_advancer_is_no_shift(left: Measurement) -> None:
    c = compare(left, make_measurement(seed=8, full_deg=28.5))
    assert "not by a shift alone" in c.finding and "advancer" in c.finding


@pytest.mark.parametrize(("cylinder", "kind"), [("right", "before-after"), ("left", "left-right")])
def test_as_must_fit_the_cylinders(left: Measurement, cylinder: str, kind: str) -> None:
    with pytest.raises(CannotUse, match="--as"):
        compare(left, make_measurement(cylinder=cylinder, n=60), kind)  # type: ignore[arg-type]


def test_two_engines_are_refused(left: Measurement, right: Measurement) -> None:
    crank = right.engine.crank.model_copy(update={"strokes": 2})
    other = dataclasses.replace(right, engine=right.engine.model_copy(update={"crank": crank}))
    with pytest.raises(CannotUse, match="two engines"):
        compare(left, other)


def cut(m: Measurement, low: float, high: float, **figures: None) -> Measurement:
    """The measurement of a clip that covers these speeds only."""
    inside = (m.curve.grid_rpm >= low) & (m.curve.grid_rpm <= high)
    grid = {
        name: getattr(m.curve, name)[inside]
        for name in ("grid_rpm", "grid_advance_deg", "grid_random_sd_deg", "grid_sd_deg")
    }
    used = m.readings.used & (m.readings.rpm >= low) & (m.readings.rpm <= high)
    return dataclasses.replace(
        m, curve=dataclasses.replace(m.curve, **grid, **figures), readings=dataclasses.replace(m.readings, used=used)
    )


def test_no_speed_in_common_is_refused(left: Measurement, right: Measurement) -> None:
    slow = cut(left, 0, 1400, full_advance_deg=None, full_rpm=None)
    fast = cut(right, 4000, 9000, low_speed_advance_deg=None, starts_rpm=None)
    with pytest.raises(CannotUse, match="no speed that both cover"):
        compare(slow, fast)


def test_two_idle_clips_are_compared_by_their_figures(left: Measurement, right: Measurement) -> None:
    none = {"full_advance_deg": None, "full_rpm": None, "starts_rpm": None, "slope_deg_per_1000rpm": None}
    c = compare(cut(left, 1000, 1160, **none), cut(right, 1100, 1300, **none))
    assert len(c.rpm) == 0 and c.at_full_advance is None
    assert c.at_idle is not None and c.at_idle.difference_deg.value == pytest.approx(3.0)
    assert any("no range of speed in common" in warning for warning in c.warnings)


def test_a_curve_without_corners_is_not_tested_for_them(left: Measurement, right: Measurement) -> None:
    monotone = dataclasses.replace(right, curve=dataclasses.replace(right.curve, fit="monotone"))
    c = compare(left, monotone)
    assert c.shape is None and c.shift_deg is None and "Nobody can tell" in c.finding
    assert any("Not tested" in warning for warning in c.warnings)


def test_only_the_rise_is_compared_where_one_shows_no_flat(left: Measurement, right: Measurement) -> None:
    short = cut(right, 1800, 3300, low_speed_advance_deg=None, full_advance_deg=None, starts_rpm=None, full_rpm=None)
    c = compare(left, short)
    assert c.shape is not None and [test.what for test in c.shape.single] == ["slope of the rise"]
    assert c.at_idle is None and c.at_full_advance is None


def test_what_was_only_told_is_warned_of(compared: Comparison) -> None:
    assert any("told, not seen" in warning for warning in compared.warnings)
    assert any("very same clip" in warning for warning in compared.warnings)


def test_the_interval_of_the_shift_holds_what_the_clips_cannot_know(left: Measurement) -> None:
    """Systematic errors drawn from their stated sds: the 95 % interval of the shift covers the truth.

    Conservative on purpose where it is not known what cancels, so that only too little cover is a fault. Cheap to run:
    the errors are added to one comparison's estimate, with the random part drawn as stated.
    """
    c = compare(left, make_measurement(cylinder="right", seed=8))
    assert c.shift_deg is not None and c.shape is not None
    half = c.shift_deg.high - c.shift_deg.value
    rng = np.random.default_rng(5)
    n = 4000
    sds = [row.effect_deg for row in left.budget if row.kind == "systematic" and row.source != "delay of the strobe"]
    own = [rng.normal(0, sd, (n, 2)) for sd in sds if sd not in (0.10, 0.07)]
    height = rng.normal(0, 0.07, n) * 2  # same error of height, seen from opposite sides: the worst case
    random = rng.normal(0, c.shape.shift.difference.sd, n)
    error = sum(e[:, 1] - e[:, 0] for e in own) + height + random
    # 95 %, less 4 sds of a share of n draws.
    assert np.mean(np.abs(error) <= half) >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / n)


def test_estimates_are_intervals_about_their_values(compared: Comparison) -> None:
    assert isinstance(compared.shift_deg, Estimate)
    assert compared.shift_deg.low < 3.0 < compared.shift_deg.high
