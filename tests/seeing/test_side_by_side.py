"""Work on several things at once: the order is that of the things, a few at a time, and a fault comes through."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from timingcam.seeing.side_by_side import AHEAD, MOST_WORKERS, side_by_side


def test_results_come_in_the_order_of_the_things() -> None:
    def work(n: int) -> int:
        time.sleep(0.002 * (n % 3))  # later ones are done first
        return n * n

    assert list(side_by_side(work, range(40))) == [n * n for n in range(40)]
    assert list(side_by_side(work, [])) == []


def test_things_are_taken_no_further_ahead_than_a_few() -> None:
    """Else a clip's frames would all be in memory at once."""
    taken: list[int] = []

    def things() -> Iterator[int]:
        for n in range(500):
            taken.append(n)
            yield n

    results = side_by_side(lambda n: n, things())
    for k in range(20):
        assert next(results) == k
        assert len(taken) <= k + 2 + AHEAD * MOST_WORKERS
    results.close()  # type: ignore[attr-defined]
    assert len(taken) < 500


def test_a_fault_comes_through_in_its_place_and_nothing_runs_on() -> None:
    before = threading.active_count()

    def work(n: int) -> int:
        if n == 7:
            raise ValueError("seven")
        return n

    done = []
    with pytest.raises(ValueError, match="seven"):
        for result in side_by_side(work, range(100)):
            done.append(result)
    assert done == list(range(7))
    assert threading.active_count() == before
