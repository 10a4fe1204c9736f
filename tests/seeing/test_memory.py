"""Freed memory is given back where the C library can, and nothing happens where it cannot."""

from __future__ import annotations

import ctypes
from collections.abc import Callable

import pytest

from timingcam.seeing.memory import M_ARENA_MAX, few_heaps, give_back


def test_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    class Library:
        def __init__(self, _: object) -> None:
            self.malloc_trim = asked.append

    monkeypatch.setattr(ctypes, "CDLL", Library)
    give_back()
    assert asked == [0]


def test_few_heaps(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    class Library:
        def __init__(self, _: object) -> None:
            self.mallopt = lambda *what: asked.append(what)

    monkeypatch.setattr(ctypes, "CDLL", Library)
    few_heaps()
    assert asked == [(M_ARENA_MAX, 2)]


@pytest.mark.parametrize("asking", [give_back, few_heaps])
@pytest.mark.parametrize(
    "fault", [OSError("no library"), TypeError("a name is needed"), AttributeError("no such name")]
)
def test_another_c_library(monkeypatch: pytest.MonkeyPatch, fault: Exception, asking: Callable[[], None]) -> None:
    def library(_: object) -> object:
        raise fault

    monkeypatch.setattr(ctypes, "CDLL", library)
    asking()
