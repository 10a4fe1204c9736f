"""What words on the command line stand for: numbers within limits, places in the picture, a speed or its file.

In:  the words.
Out: values, in the units in which they were given.
Not here: which options a command has.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from timingcam.errors import CannotUse

SOUND = "sound"  # in place of a speed: take it from the clip's sound; a file of that name is ./sound
FASTEST_RPM = 30_000.0  # our choice: no engine with timing marks turns faster


class Number(click.ParamType):
    """A finite number within limits."""

    name = "number"

    def __init__(self, what: str, low: float, high: float, *, above: bool = False) -> None:
        """Say what it is ("a delay in µs"), and its limits; `above` leaves the lower one out."""
        self.what, self.low, self.high, self.above = what, low, high, above

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; CannotUse where it is none, or beyond its limits."""
        number = _number(value)
        if not self.low <= number <= self.high or (self.above and number == self.low):
            least = f"above {self.low:g} and at most" if self.above else f"from {self.low:g} to"
            raise CannotUse(
                found=f"{_option(param)} {value}",
                expected=f"{self.what}, {least} {self.high:g}",
                do="check the value and its unit",
            )
        return number


class Place(click.ParamType):
    """A place in the picture, X,Y in pixels."""

    name = "place"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Its coordinates; CannotUse where they are not two numbers, or below 0."""
        if isinstance(value, tuple):
            return value
        numbers = [_number(part) for part in str(value).split(",")]
        if len(numbers) != 2 or not all(0 <= number < math.inf for number in numbers):
            raise CannotUse(
                found=f"{_option(param)} {value}",
                expected="a place in the picture as X,Y in pixels, neither below 0",
                do="read it off marks.png or off the first lit frame, for instance 640,120.5",
            )
        return numbers[0], numbers[1]


class NamedPlace(click.ParamType):
    """A mark and its place in the picture, NAME@X,Y."""

    name = "mark"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, float, float]:
        """Name and coordinates; CannotUse where one is missing."""
        if isinstance(value, tuple):
            return value
        name, at, place = str(value).rpartition("@")
        if not at or not name:
            raise CannotUse(
                found=f"{_option(param)} {value}",
                expected="a mark's name and its place, as NAME@X,Y",
                do="name the mark as the engine file does, for instance 1F@512,88",
            )
        return (name, *Place().convert(place, param, ctx))


class Speed(click.ParamType):
    """A crank speed, the word `sound`, or the file that holds a logged speed."""

    name = "speed"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | str | Path:
        """The speed, 1/min, or `sound`, or the file's path; CannotUse where a number cannot be a speed."""
        if isinstance(value, float | Path) or value == SOUND:
            return value
        try:
            float(value)
        except ValueError:
            return Path(value)
        return Number("a crank speed in rpm or a CSV file of time_s and rpm", 0, FASTEST_RPM, above=True).convert(
            value, param, ctx
        )


def _number(text: Any) -> float:
    """The number a text stands for; NaN, which no limit admits, where it stands for none."""
    try:
        return float(text)
    except ValueError:
        return math.nan


def _option(param: click.Parameter | None) -> str:
    return max(param.opts, key=len) if param is not None else "value"
