"""The faults of an engine file, in words for a person.

In:  what pydantic refused, or a fault found by `engine_checks.py`.
Out: `Fault`s, and the one `CannotUse` that tells all of a file's.
Not here: which values are right.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from timingcam.errors import CannotUse

MEND = "mend the file; `timingcam engine new` writes one with every key explained"
_MAX_SHOWN = 60  # our choice: characters of a found value, so that a sentence stays a sentence
_MAX_FAULTS = 12  # our choice: beyond a screenful nobody reads on, and mending the first often mends the rest
_AS_NEAR = 0.1  # our choice: of difflib's likeness, 0 to 1; "btdc" is nearly as like btdc_deg as mm_btdc


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: the key (places in an array counted from 1), what stands there, what should."""

    key: str
    found: object  # None: nothing there
    expected: str

    def __str__(self) -> str:
        return f"{self.key}: found {shown(self.found)}, expected {self.expected}"


@dataclass(frozen=True, slots=True)
class Words:
    """A found thing said in words rather than shown as TOML."""

    text: str


def shown(value: object) -> str:
    """A value as the engine file would write it, cut to a readable length."""
    if value is None:
        return "nothing"
    if isinstance(value, Words):
        return value.text
    text = _toml(value)
    return text if len(text) <= _MAX_SHOWN else text[: _MAX_SHOWN - 1] + "…"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in value[: 2 * _MAX_SHOWN]) + '"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        if any(isinstance(item, dict) for item in value):
            return "an array of tables"
        return "[" + ", ".join(_toml(item) for item in value[:_MAX_SHOWN]) + "]"
    if isinstance(value, int) and abs(value) >= 10**20:
        return "a whole number beyond all measure"  # Python itself refuses to print very long ones
    return str(value)


def refuse(name: str, faults: Sequence[Fault]) -> CannotUse:
    """The one error that tells all faults of a file."""
    if len(faults) == 1:
        fault = faults[0]
        return CannotUse(found=f"in {name}, {fault.key}: {shown(fault.found)}", expected=fault.expected, do=MEND)
    told = [f"({i}) {fault}." for i, fault in enumerate(faults[:_MAX_FAULTS], start=1)]
    if len(faults) > _MAX_FAULTS:
        told.append(f"And {len(faults) - _MAX_FAULTS} more.")
    return CannotUse(found=f"{len(faults)} faults in {name}. " + " ".join(told), expected="none of them", do=MEND)


def faults_of(error: ValidationError, model: type[BaseModel], data: dict[str, Any]) -> list[Fault]:
    """pydantic's findings as faults, in the order of the file's tables."""
    faults = []
    for item in error.errors(include_url=False):
        loc = item["loc"]
        key = key_of(loc, data)
        found = None if item["type"] == "missing" else item["input"]
        if item["type"] == "missing" and not _is_key(loc):
            # One of a pair is not there: the pair is what a person sees.
            faults.append(Fault(key_of(loc[:-1], data), _at(data, loc[:-1]), "two values, [first, second]"))
        elif item["type"] == "extra_forbidden":
            owner = _model_at(model, loc[:-1])
            faults.append(Fault(key, Words("a key that is not known here"), _nearest(str(loc[-1]), owner, model)))
        else:
            faults.append(Fault(key, found, _expected(item["type"], item.get("ctx", {}), loc, model)))
    return faults


def key_of(loc: Sequence[int | str], data: dict[str, Any]) -> str:
    """Dotted path of a key, array places counted from 1, with the name of the table where it has one."""
    path, here, name = "", data, ""
    for part in loc:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else str(part)
        try:
            here = here[part]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            break
        if isinstance(part, int) and isinstance(here, dict) and isinstance(here.get("name"), str):
            name = f" ({shown(here['name'])})"
    return path + name


def _model_at(model: type[BaseModel], loc: Sequence[int | str]) -> type[BaseModel]:
    for part in loc:
        if isinstance(part, str):
            model = _inner_model(model.model_fields[part].annotation) or model
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _inner_model(argument)
        if found is not None:
            return found
    return None


def _tables(model: type[BaseModel], path: str = "") -> list[tuple[str, type[BaseModel]]]:
    """Every table of the file, with its heading."""
    found = [(path, model)]
    for key, field in model.model_fields.items():
        inner = _inner_model(field.annotation)
        if inner is not None:
            found += _tables(inner, f"{path}.{key}" if path else key)
    return found


def _nearest(key: str, owner: type[BaseModel], root: type[BaseModel]) -> str:
    known = list(owner.model_fields)
    near = difflib.get_close_matches(key.lower(), known, n=2, cutoff=0.6)
    if len(near) == 2 and _likeness(key, near[0]) - _likeness(key, near[1]) < _AS_NEAR:
        return f"a known key; the nearest are {near[0]} and {near[1]}"
    if near:
        return f"a known key; the nearest is {near[0]}"
    elsewhere = [path for path, table in _tables(root) if key in table.model_fields]
    if elsewhere:
        return f"this key only in {_heading(elsewhere[0], root)}"
    # Nothing is near: the list is what helps, and its nearest is named all the same.
    nearest = max(known, key=lambda name: _likeness(key, name))
    return f"a known key ({', '.join(known)}); the nearest is {nearest}"


def _likeness(key: str, known: str) -> float:
    return difflib.SequenceMatcher(None, key.lower(), known).ratio()


def _heading(path: str, root: type[BaseModel]) -> str:
    if not path:
        return "the top of the file, before any [table]"
    return f"[[{path}]]" if _is_array(path.split("."), root) else f"[{path}]"


def _is_array(parts: Sequence[str], root: type[BaseModel]) -> bool:
    owner = _model_at(root, parts[:-1])
    return "tuple" in str(owner.model_fields[parts[-1]].annotation)


_PLAIN = {
    "float_type": "a number",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "string_pattern_mismatch": "a name without spaces at its ends and without control characters",
    "string_too_short": "a name that is not empty",
}


def _expected(kind: str, ctx: dict[str, Any], loc: Sequence[int | str], model: type[BaseModel]) -> str:
    names = [part for part in loc if isinstance(part, str)]
    if kind in _PLAIN:
        return _PLAIN[kind]
    match kind:
        case "missing":
            inner = (
                _inner_model(_model_at(model, loc[:-1]).model_fields[names[-1]].annotation) if _is_key(loc) else None
            )
            return (
                "this key, which is required"
                if inner is None
                else f"this table, {_heading('.'.join(names), model)}, which is required"
            )
        case "greater_than":
            return f"a number above {ctx['gt']:g}"
        case "greater_than_equal":
            return f"a number not below {ctx['ge']:g}"
        case "string_too_long":
            return f"at most {ctx['max_length']} characters"
        case "literal_error":
            return ctx["expected"].replace("'", '"')
        case "too_short":
            return f"at least {ctx['min_length']} of them"
        case "too_long":
            return "two values, [first, second]"
        case "tuple_type" if _inner_model(_model_at(model, loc[:-1]).model_fields[names[-1]].annotation):
            return f"{_heading('.'.join(names), model)}, with two brackets, for each of them"
        case "tuple_type":
            return "a list in square brackets"
        case "model_type" | "model_attributes_type":
            return f"a table, {_heading('.'.join(names), model)}"
    return kind.replace("_", " ")


def _at(data: Any, loc: Sequence[int | str]) -> Any:
    for part in loc:
        data = data[part]
    return data


def _is_key(loc: Sequence[int | str]) -> bool:
    return bool(loc) and isinstance(loc[-1], str)
