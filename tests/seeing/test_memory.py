"""Freed memory is given back where the C library can, and nothing happens where it cannot."""

from __future__ import annotations

import ctypes

import pytest

from timingcam.seeing.memory import give_back


def test_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    class Library:
        def __init__(self, _: object) -> None:
            self.malloc_trim = asked.append

    monkeypatch.setattr(ctypes, "CDLL", Library)
    give_back()
    assert asked == [0]


@pytest.mark.parametrize("fault", [OSError("no library"), TypeError("a name is needed"), AttributeError("malloc_trim")])
def test_another_c_library(monkeypatch: pytest.MonkeyPatch, fault: Exception) -> None:
    def library(_: object) -> object:
        raise fault

    monkeypatch.setattr(ctypes, "CDLL", library)
    give_back()
