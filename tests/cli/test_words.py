"""What the terminal says."""

from __future__ import annotations

import importlib.util
import io
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from timingcam.cli.words import explain_budget, print_measurement
from timingcam.reckoning.result import Measurement
from timingcam.showing.sentences import CAUTIONS, verdict_sentence


@pytest.fixture(scope="module")
def measurement() -> Measurement:
    spec = importlib.util.spec_from_file_location(
        "made_measurement", Path(__file__).parents[1] / "showing" / "made_measurement.py"
    )
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    made: Measurement = module.make_measurement(n=60)
    return made


def printed(measurement: Measurement, width: int = 160) -> str:
    console = Console(file=io.StringIO(), width=width)
    print_measurement(measurement, console)
    explain_budget(measurement, console)
    return console.file.getvalue()  # type: ignore[attr-defined]


def test_figures_verdict_warnings_and_cautions(measurement: Measurement) -> None:
    text = " ".join(printed(measurement).split())
    for words in (verdict_sentence(measurement), *measurement.warnings, *CAUTIONS):
        assert " ".join(words.split()) in text
    assert "Full advance 31.00° ± 0.32° 29.00 to 33.00° ✓ within" in text
    assert "as the camera sees it" in text


def test_the_budget_is_put_together_by_squares(measurement: Measurement) -> None:
    # sqrt(0.09² + 0.07² + 0.10² + 0.02² + 0.03²) = 0.15588, on paper.
    assert "0.156°" in printed(measurement)


def test_square_brackets_are_text(measurement: Measurement) -> None:
    odd = replace(measurement, cylinder="[bold]left[/bold]", warnings=("[red]hot[/red]",))
    assert "[bold]left[/bold]" in printed(odd) and "[red]hot[/red]" in printed(odd)


@pytest.mark.parametrize("width", [40, 80])
def test_a_narrow_terminal_loses_no_figure(measurement: Measurement, width: int) -> None:
    text = printed(measurement, width)
    assert all(len(line) <= width for line in text.splitlines())
    assert "31.00°" in text
