"""What can go wrong, in words for a person.

TimingcamError
├── CannotUse       the command, the engine file or a file given cannot be used      (exit status 2)
└── CannotMeasure   the clip can be read, but cannot be measured honestly            (exit status 3)

Each says what was found, what was expected and what to do: three required keywords, so that none is forgotten.
"""

from __future__ import annotations


class TimingcamError(Exception):
    """A fault that a person can mend.

    Parameters
    ----------
    found : str
        What was found, with its value and unit.
    expected : str
        What was expected in its place.
    do : str
        What the person can do about it.
    """

    exit_status = 1

    def __init__(self, *, found: str, expected: str, do: str) -> None:
        self.found = found
        self.expected = expected
        self.do = do
        super().__init__(f"found {found}; expected {expected}; {do}")

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments do not survive the default pickling, which worker processes rely on.
        return (_rebuild, (type(self), self.found, self.expected, self.do))


class CannotUse(TimingcamError):
    """The command, the engine file or a file given cannot be used."""

    exit_status = 2


class CannotMeasure(TimingcamError):
    """The clip can be read but cannot be measured honestly; `do` says what to film differently.

    `best_frame` is a `seeing.best_frame.BestFrame`, where there is one: to see what was found and what was not.
    """

    exit_status = 3
    best_frame: object | None = None


def _rebuild(kind: type[TimingcamError], found: str, expected: str, do: str) -> TimingcamError:
    return kind(found=found, expected=expected, do=do)
