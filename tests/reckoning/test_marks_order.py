"""Order of the marks at the index, against cases worked out on paper."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timingcam.engine import Engine, engine_from_dict, engine_to_dict, read_engine
from timingcam.reckoning.marks_order import alike_after_turn, lines_in_order

ENGINES = Path(__file__).parents[2] / "shared" / "engines"
SUM_DEG = 1e-9  # rounding of a handful of sums of angles up to 720


def shipped(stem: str) -> Engine:
    return read_engine(ENGINES / f"{stem}.toml")


def test_half_turn_twin_on_paper() -> None:
    # front at 0: 29-front passes at -29, 6-front at -6, 0-front at 0. rear at 540 = 180: 151, 174, 180.
    lines = lines_in_order(shipped("half-turn-twin"))
    place = {line.marks[0].name: line.passes_deg for line in lines}
    assert place == pytest.approx(
        {"29-front": 331, "6-front": 354, "0-front": 0, "29-rear": 151, "6-rear": 174, "0-rear": 180}, abs=SUM_DEG
    )
    assert [line.to_next_deg for line in lines] == pytest.approx([23, 6, 151] * 2, abs=SUM_DEG)


@pytest.mark.parametrize("path", sorted(ENGINES.glob("*.toml")), ids=lambda path: path.stem)
def test_angles_add_up_to_a_turn(path: Path) -> None:
    lines = lines_in_order(read_engine(path))
    assert sum(line.to_next_deg for line in lines) == pytest.approx(360, abs=SUM_DEG)
    # It begins after the widest gap, so the widest comes last.
    assert max(lines, key=lambda line: line.to_next_deg).to_next_deg == lines[-1].to_next_deg


def with_marks(*marks: tuple[str, str, float, str | None]) -> Engine:
    data = engine_to_dict(shipped("half-turn-twin"))
    data["rotor"]["mark"] = [
        {"name": name, "cylinder": [cylinder], "btdc_deg": deg} | ({"paint": paint} if paint else {})
        for name, cylinder, deg, paint in marks
    ]
    return engine_from_dict(data)


def test_one_mark_is_a_turn_from_itself() -> None:
    (line,) = lines_in_order(with_marks(("F", "front", 8.0, None)))
    assert line.to_next_deg == 360


def test_two_names_for_one_line() -> None:
    # rear's TDC is half a turn on, so 90 before rear's is 90 after front's; -90 of front is the same line.
    lines = lines_in_order(
        with_marks(("a", "front", -90.0, None), ("b", "rear", 90.0, None), ("c", "front", 0.0, None))
    )
    assert [[mark.name for mark in line.marks] for line in lines] == [["c"], ["a", "b"]]


def test_one_line_across_the_zero() -> None:
    lines = lines_in_order(
        with_marks(("a", "front", 0.02, None), ("b", "rear", -180.0 + 0.01, None), ("c", "front", 9, None))
    )
    assert sorted(len(line.marks) for line in lines) == [1, 2]


def test_paint_tells_alike_groups_apart() -> None:
    groups = [
        ("a", "front", 0.0, None),
        ("b", "front", 10.0, None),
        ("c", "rear", 0.0, None),
        ("d", "rear", 10.4, None),
    ]
    assert alike_after_turn(with_marks(*groups)) == pytest.approx(180, abs=1.0)
    painted = [(*groups[0][:3], "red"), *groups[1:]]
    assert alike_after_turn(with_marks(*painted)) is None
    uneven = [*groups[:3], ("d", "rear", 12.0, None)]
    assert alike_after_turn(with_marks(*uneven)) is None


@given(st.lists(st.integers(-179, 179), min_size=1, max_size=6, unique=True))
def test_order_is_the_order_of_passing(degs: list[int]) -> None:
    lines = lines_in_order(with_marks(*[(f"m{i}", "front", float(deg), None) for i, deg in enumerate(degs)]))
    for line, after in zip(lines, [*lines[1:], lines[0]], strict=True):
        gone = (after.passes_deg - line.passes_deg) % 360 or 360
        assert gone == pytest.approx(line.to_next_deg, abs=SUM_DEG)
    # A larger btdc is met earlier: within one group, falling btdc.
    assert sum(line.to_next_deg for line in lines) == pytest.approx(360, abs=SUM_DEG)
