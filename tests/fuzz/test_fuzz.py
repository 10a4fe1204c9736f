"""A few runs of each; the scripts beside this file do many (DEVELOPERS.md has the commands)."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fuzz_clip import fuzz as fuzz_clip
from fuzz_text import READERS, fuzz


@pytest.mark.parametrize("name", READERS)
def test_files_that_are_nearly_right(name: str) -> None:
    assert fuzz(name, runs=100) == []


def test_clips_that_are_nearly_whole() -> None:
    runs, finds = fuzz_clip(runs=150)
    assert (runs, finds) == (150, [])
