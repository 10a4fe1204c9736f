"""The pages: every link leads somewhere, every command line is one, and with `-m slow` every one of them runs."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from timingcam.cli.main import main

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
MARKERS = ("measure a sample clip", "run the tests")
PATIENCE_S = 600  # for one command on a busy machine of two cores


def name(page: Path) -> str:
    return str(page.relative_to(ROOT))


def links(text: str) -> Iterator[str]:
    """Targets of links and pictures, outside of code."""
    yield from re.findall(r"\]\(([^)\s]+)\)", re.sub(r"`[^`]*`", "", text))


def code_lines(text: str) -> Iterator[str]:
    """Lines of fenced and of indented code."""
    fenced = False
    for line in text.splitlines():
        if line.startswith("```"):
            fenced = not fenced
        elif fenced or line.startswith("    "):
            yield line.strip()


def commands(text: str) -> list[list[str]]:
    """Every command line of ours that a page shows as code, as words, without `timingcam`."""
    parts = (part.removeprefix(".venv/bin/") for line in code_lines(text) for part in line.split(" && "))
    return [shlex.split(part, comments=True)[1:] for part in parts if part.startswith("timingcam ")]


def anchor(heading: str) -> str:
    """The name by which a heading can be linked to, as GitHub and MkDocs make it."""
    words = re.sub(r"[`*]|\[|\]\([^)]*\)", "", heading).strip().lower()
    return re.sub(r"\s", "-", re.sub(r"[^\w\s-]", "", words))


def all_options(command: click.Command) -> set[str]:
    own = {opt for param in command.params for opt in param.opts}
    below = command.commands.values() if isinstance(command, click.Group) else ()
    return own.union(*(all_options(one) for one in below))


def command_of(words: list[str]) -> tuple[click.Command, list[str]]:
    """The command that words name, and the words left for it."""
    found: click.Command = main
    rest = list(words)
    while isinstance(found, click.Group) and rest and not rest[0].startswith("-"):
        context = click.Context(found)
        following = found.get_command(context, rest[0])
        assert following is not None, f"no command {rest[0]!r}"
        found, rest = following, rest[1:]
    return found, rest


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_links_lead_somewhere(page: Path) -> None:
    for link in links(page.read_text(encoding="utf-8")):
        if re.match(r"[a-z]+://", link):
            continue
        path, _, part = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        if part:
            headings = re.findall(r"^#+ (.*)$", target.read_text(encoding="utf-8"), re.MULTILINE)
            assert part in map(anchor, headings), link


@pytest.mark.parametrize("page", [page for page in PAGES if page.parent == ROOT / "docs"], ids=name)
def test_every_page_is_on_the_list_of_all_pages(page: Path) -> None:
    index = ROOT / "docs" / "index.md"
    assert page == index or page.name in links(index.read_text(encoding="utf-8"))


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_command_lines_can_be_parsed(page: Path) -> None:
    for words in commands(page.read_text(encoding="utf-8")):
        command, rest = command_of(words)
        assert not isinstance(command, click.Group), words
        # Parses and checks every value; nothing is run.
        command.make_context(" ".join(words), rest)


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_options_named_in_the_text_exist(page: Path) -> None:
    known = set().union(*(all_options(command) for command in every_command()))
    for code in re.findall(r"`([^`\n]+)`", page.read_text(encoding="utf-8")):
        if code.startswith("timingcam "):
            command, _ = command_of([word for word in code.split()[1:] if not word.startswith("--")][:2])
            known_here = all_options(command)
        elif code.startswith("--"):
            known_here = known
        else:
            continue
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", code))
        assert named <= known_here | {"--debug", "--help"}, code


def every_command() -> Iterator[click.Command]:
    context = click.Context(main)
    for word in main.list_commands(context):
        command = main.get_command(context, word)
        assert command is not None
        yield command


def test_the_readme_has_its_two_lines() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for marker in MARKERS:
        block = re.search(rf"^<!-- line: {marker} -->\n```sh\n(.*?)```", text, re.MULTILINE | re.DOTALL)
        assert block is not None and block[1].count("\n") == 1
        assert f'readme_line "{marker}"' in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


# Running them: each page's commands in its own order, in a fresh folder that holds what the page takes for granted.


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sample clips measured as `left-result` and `right-result`."""
    folder = tmp_path_factory.mktemp("measured")
    for side in ("left", "right"):
        clip, engine = ROOT / "sample_media" / f"{side}-sweep.mp4", ROOT / "shared" / "engines" / "demo-twin.toml"
        words = ["measure", str(clip), "--engine", str(engine), "--cylinder", side, "--out", f"{side}-result"]
        ran(words, folder)
    return folder


def ran(words: list[str], folder: Path) -> None:
    result = subprocess.run(
        [sys.executable, "-m", "timingcam", *words], cwd=folder, capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert result.returncode == 0, f"{words}: {result.stderr}"


@pytest.mark.slow
def test_readme_runs(tmp_path: Path) -> None:
    for part in ("sample_media", "shared"):
        (tmp_path / part).symlink_to(ROOT / part)
    for words in commands((ROOT / "README.md").read_text(encoding="utf-8")):
        ran(words, tmp_path)
    assert {"left-result", "left", "right", "compared", "advice", "both.html", "left-film.mp4"} <= {
        p.name for p in tmp_path.iterdir()
    }


@pytest.mark.slow
def test_first_measurement_runs(tmp_path: Path) -> None:
    for side in ("left", "right"):
        shutil.copy(ROOT / "sample_media" / f"{side}-sweep.mp4", tmp_path / f"{side}.mp4")
    for words in commands((ROOT / "docs" / "first-measurement.md").read_text(encoding="utf-8")):
        ran(words, tmp_path)
        if words[:2] == ["engine", "new"]:  # then the page has it filled in
            shutil.copy(ROOT / "shared" / "engines" / "demo-twin.toml", tmp_path / "mine.toml")


@pytest.mark.slow
def test_reading_the_curve_runs(measured: Path, tmp_path: Path) -> None:
    shutil.copytree(measured / "left-result", tmp_path / "left-result")
    shutil.copy(ROOT / "sample_media" / "left-sweep.mp4", tmp_path / "left.mp4")
    shutil.copy(ROOT / "shared" / "engines" / "demo-twin.toml", tmp_path / "mine.toml")
    for words in commands((ROOT / "docs" / "reading-the-curve.md").read_text(encoding="utf-8")):
        ran(words, tmp_path)
    assert (tmp_path / "left-film.mp4").is_file() and (tmp_path / "left-result" / "curve.pdf").is_file()


@pytest.mark.slow
def test_adjusting_runs(measured: Path, tmp_path: Path) -> None:
    for side in ("left", "right"):
        for which in ("-result", "-1", "-2"):
            shutil.copytree(measured / f"{side}-result", tmp_path / f"{side}{which}")
    for words in commands((ROOT / "docs" / "adjusting.md").read_text(encoding="utf-8")):
        ran(words, tmp_path)


@pytest.mark.slow
def test_engine_file_page_runs(tmp_path: Path) -> None:
    for words in commands((ROOT / "docs" / "engine-file.md").read_text(encoding="utf-8")):
        ran(words, tmp_path)


@pytest.mark.slow
def test_many_clips_runs(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "many-clips.md").read_text(encoding="utf-8")
    for side in ("left", "right"):
        shutil.copy(ROOT / "sample_media" / f"{side}-sweep.mp4", tmp_path / f"{side}.mp4")
    shutil.copy(ROOT / "shared" / "engines" / "demo-twin.toml", tmp_path / "mine.toml")
    listed = re.search(r"```text\n(clip,.*?)```", page, re.DOTALL)
    assert listed is not None
    (tmp_path / "clips.csv").write_text(listed[1], encoding="utf-8")
    for words in commands(page):
        ran(words, tmp_path)
    # The second command names the same clips, engine file and options: nothing is measured twice.
    assert len([p for p in (tmp_path / "evening").iterdir() if p.is_dir()]) == 2


def test_no_page_with_commands_is_left_out_of_the_runs() -> None:
    with_commands = {page.name for page in PAGES if commands(page.read_text(encoding="utf-8"))}
    assert with_commands == {
        "README.md",
        "first-measurement.md",
        "adjusting.md",
        "engine-file.md",
        "reading-the-curve.md",
        "many-clips.md",
    }
