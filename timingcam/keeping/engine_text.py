"""A measured mark into the text of an engine file, everything else left as it was.

In:  the file's text, the name of a mark, its measured advance and the doubt of that.
Out: the new text: comments, order and blank lines kept.
Not here: reading and writing files.

The text is edited line by line, then read again and compared: an engine file written in a way that this does not
understand is refused, never spoilt.
"""

from __future__ import annotations

import re

from timingcam.engine import Engine, engine_from_toml
from timingcam.errors import CannotUse

DECIMALS = 3
_ANY_TABLE = re.compile(r"^\s*\[")
_MARK_TABLE = re.compile(r"^\s*\[\[\s*rotor\s*\.\s*mark\s*\]\]\s*(#.*)?$")
_PLACE = re.compile(
    r"^(?P<indent>\s*)(?:btdc_deg|mm_btdc)(?P<equals>\s*=\s*)(?P<value>[^#\r\n]*?)(?P<rest>\s*(?:#.*)?)$"
)
_DOUBT = re.compile(r"^(?P<indent>\s*)sd_deg(?P<equals>\s*=\s*)(?P<value>[^#\r\n]*?)(?P<rest>\s*(?:#.*)?)$")


def with_measured_mark(text: str, mark: str, btdc_deg: float, sd_deg: float, name: str = "the engine file") -> str:
    """The text with a mark's `btdc_deg` and `sd_deg` as measured.

    Parameters
    ----------
    text : str
        TOML of format 1, as read, a byte order mark at its head allowed.
    mark : str
        Name of the mark; one mark of that name must be in the file.
    btdc_deg, sd_deg : float
        Crank degrees; written with three decimals.
    name : str
        What to call the file in the words of a fault.

    Returns
    -------
    str

    Raises
    ------
    CannotUse
        If the file is written in a way in which this place is not found, or would change more than it should.
    """
    before = engine_from_toml(text.removeprefix("\ufeff"), name)
    numbers = [i for i, one in enumerate(before.rotor.mark) if one.name == mark]
    value, doubt = round(btdc_deg, DECIMALS) + 0.0, max(round(sd_deg, DECIMALS), 10.0**-DECIMALS)
    if len(numbers) != 1:
        raise _refused(name, mark, value, doubt, f"{len(numbers)} marks named {mark}")
    lines = _edited(text.splitlines(keepends=True), numbers[0], f"{value:.{DECIMALS}f}", f"{doubt:.{DECIMALS}f}")
    if lines is None:
        raise _refused(name, mark, value, doubt, f"no [[rotor.mark]] table of its own for mark {mark}")
    changed = "".join(lines)
    after = engine_from_toml(changed.removeprefix("\ufeff"), name)
    if after != _expected(before, numbers[0], value, doubt):
        raise _refused(name, mark, value, doubt, f"mark {mark} written in an unusual way")
    return changed


def _edited(lines: list[str], number: int, value: str, doubt: str) -> list[str] | None:
    """The lines with the place of one mark table changed; None where it is not found."""
    heads = [i for i, line in enumerate(lines) if _MARK_TABLE.match(line.rstrip("\r\n"))]
    if number >= len(heads):
        return None
    first = heads[number] + 1
    last = next((i for i in range(first, len(lines)) if _ANY_TABLE.match(lines[i])), len(lines))
    place = next((i for i in range(first, last) if _PLACE.match(_bare(lines[i]))), None)
    if place is None:
        return None
    result = list(lines)
    found = _PLACE.match(_bare(lines[place]))
    assert found is not None
    indent, end = found["indent"], _ending(lines[place], lines)
    result[place] = f"{indent}btdc_deg{found['equals']}{value}{found['rest']}{end}"
    old = next((i for i in range(first, last) if _DOUBT.match(_bare(lines[i]))), None)
    if old is None:
        result.insert(place + 1, f"{indent}sd_deg{found['equals']}{doubt}{end}")
        return result
    was = _DOUBT.match(_bare(lines[old]))
    assert was is not None
    result[old] = f"{was['indent']}sd_deg{was['equals']}{doubt}{was['rest']}{_ending(lines[old], lines)}"
    return result


def _bare(line: str) -> str:
    return line.rstrip("\r\n")


def _ending(line: str, lines: list[str]) -> str:
    """The line's own end; the file's first one for a last line without."""
    return line[len(_bare(line)) :] or (lines[0][len(_bare(lines[0])) :] or "\n")


def _expected(before: Engine, number: int, value: float, doubt: float) -> Engine:
    marks = list(before.rotor.mark)
    marks[number] = marks[number].model_copy(update={"btdc_deg": value, "mm_btdc": None, "sd_deg": doubt})
    return before.model_copy(update={"rotor": before.rotor.model_copy(update={"mark": tuple(marks)})})


def _refused(name: str, mark: str, value: float, doubt: float, found: str) -> CannotUse:
    return CannotUse(
        found=f"{found} in {name}",
        expected="its place as a line btdc_deg = … under [[rotor.mark]]",
        do=f"write btdc_deg = {value:.{DECIMALS}f} and sd_deg = {doubt:.{DECIMALS}f} for mark {mark} there yourself",
    )
