"""The package's shape, as DEVELOPERS.md has it: imports run one way, all are declared, nothing is too long.

Every import counts, also those within functions and those for type checking only.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "timingcam"
MODULES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = set(PROJECT["optional-dependencies"])

GROUND = {"engine", "engine_checks", "engine_faults", "errors"}
SEEING = GROUND | {"seeing"}
RECKONING = SEEING | {"reckoning"}
# What each part may import of ours, besides itself. `staging` makes clips whose truth is known, so it may share no
# geometry with what measures them.
MAY_IMPORT = {
    **dict.fromkeys(GROUND, GROUND),
    "seeing": GROUND,
    "reckoning": SEEING,
    "staging": GROUND,
    "showing": RECKONING,
    "keeping": RECKONING | {"showing"},
    "measure": RECKONING,
    "inspecting": RECKONING,
    "batch": RECKONING | {"measure", "showing"},
    "cli": RECKONING | {"measure", "inspecting", "batch", "showing", "keeping", "staging"},
    "__init__": RECKONING | {"measure", "inspecting", "batch", "showing"},
    "__main__": {"cli"},
}

MAX_MODULE_LINES, MAX_FUNCTION_LINES, MAX_PARAMETERS = 350, 40, 6

# Where a distribution's import has another name. pydantic_core is pydantic's own, at a version that pydantic pins.
IMPORT_NAMES = {
    "opencv-python-headless": {"cv2"},
    "scikit-image": {"skimage"},
    "pillow": {"PIL"},
    "pydantic": {"pydantic", "pydantic_core"},
}


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imported(path: Path) -> Iterator[str]:
    """Full names of all that a file imports."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write it in full, so that its direction is seen"
            if node.module == "timingcam":
                yield from (f"timingcam.{alias.name}" for alias in node.names)
            else:
                yield node.module or ""


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def declared(*extras: str) -> frozenset[str]:
    """Names that may be imported, from pyproject.toml."""
    wanted = [*PROJECT["dependencies"], *(one for extra in extras for one in PROJECT["optional-dependencies"][extra])]
    names = [re.match(r"[\w.-]+", one)[0].lower() for one in wanted]  # type: ignore[index]
    return frozenset(found for one in names for found in IMPORT_NAMES.get(one, {one.replace("-", "_")}))


def test_every_part_has_its_place() -> None:
    assert {part_of(path) for path in MODULES} <= set(MAY_IMPORT)


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_imports_run_one_way(path: Path) -> None:
    here = part_of(path)
    ours = {full.split(".")[1] for full in imported(path) if full.startswith("timingcam.")} - {"__version__"}
    assert ours <= MAY_IMPORT[here] | {here}


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_nothing_is_imported_that_is_not_declared(path: Path) -> None:
    foreign = {full.split(".")[0] for full in imported(path)} - set(sys.stdlib_module_names) - {"timingcam"}
    assert foreign <= declared(*(EXTRAS - {"test", "lint"}))


def test_tests_import_nothing_that_is_not_declared() -> None:
    beside = {path.stem for path in TESTS}
    foreign = {full.split(".")[0] for path in TESTS for full in imported(path)}
    assert foreign - set(sys.stdlib_module_names) - {"timingcam"} - beside <= declared("test")


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_modules_and_functions_stay_short(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= MAX_MODULE_LINES
    for function in ast.walk(tree(path)):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            assert code_lines(function, lines) <= MAX_FUNCTION_LINES, function.name
            assert parameters(function) <= MAX_PARAMETERS, function.name


@pytest.mark.parametrize("path", [path for path in MODULES if path.stat().st_size and path.parent != PACKAGE], ids=name)
def test_modules_say_what_they_are_for(path: Path) -> None:
    assert ast.get_docstring(tree(path))


def code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef, lines: list[str]) -> int:
    """Lines of the body, without its docstring, blank lines and comments."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    if not body:
        return 0
    inside = lines[body[0].lineno - 1 : function.end_lineno]
    return sum(1 for line in inside if line.strip() and not line.strip().startswith("#"))


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    given = function.args
    return len([*given.posonlyargs, *given.args, *given.kwonlyargs]) - (
        given.args[:1] != [] and given.args[0].arg == "self"
    )
