"""The pages as a site: built strictly, whole, and asking for nothing from a network."""

from __future__ import annotations

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
COMMAND = "python -m sphinx -W --keep-going -b html docs build/site"
PATIENCE_S = 300  # for some seconds' work on a busy machine


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    words = COMMAND.replace("build/site", str(out)).split()
    result = subprocess.run([sys.executable, *words[1:]], cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S)
    assert result.returncode == 0, result.stderr
    return out


class Asked(HTMLParser):
    """What a page asks for as soon as it is opened."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.found += [given[key] or "" for key in ("src", "srcset", "poster") if key in given]
        # Of links only those that a browser follows by itself.
        if tag == "link" and given.get("rel") not in ("index", "search", "next", "prev", "canonical"):
            self.found.append(given.get("href") or "")


def test_every_page_is_there(site: Path) -> None:
    for page in DOCS.rglob("*.md"):
        assert (site / page.relative_to(DOCS)).with_suffix(".html").is_file()


def test_no_page_asks_for_anything_from_a_network(site: Path) -> None:
    for page in site.rglob("*.html"):
        asked = Asked()
        asked.feed(page.read_text(encoding="utf-8"))
        assert [what for what in asked.found if re.match(r"(https?:)?//", what)] == [], page.name
    for style in site.rglob("*.css"):
        assert not re.search(r"(url\(|@import)\s*[\"']?(https?:)?//", style.read_text(encoding="utf-8")), style.name


def test_everything_that_a_page_asks_for_is_there(site: Path) -> None:
    for page in site.rglob("*.html"):
        asked = Asked()
        asked.feed(page.read_text(encoding="utf-8"))
        for what in asked.found:
            if what and not what.startswith("data:"):
                assert (page.parent / what.split("?")[0].split("#")[0]).is_file(), f"{page.name}: {what}"


def test_pictures_are_small_enough_for_a_telephone() -> None:
    sizes = {p.name: p.stat().st_size for p in (DOCS / "pictures").iterdir() if p.suffix in (".png", ".jpg")}
    assert max(sizes.values()) < 250_000, sizes
    used = "".join(page.read_text(encoding="utf-8") for page in [*DOCS.glob("*.md"), ROOT / "README.md"])
    assert [name for name in sizes if f"pictures/{name}" not in used] == []


def test_the_reference_has_the_public_names(site: Path) -> None:
    import timingcam

    text = (site / "api.html").read_text(encoding="utf-8")
    for name in set(timingcam.__all__) - {"__version__"}:
        assert re.search(rf'id="timingcam\.[\w.]*\b{name}"', text), name


def test_the_command_is_the_one_that_is_documented() -> None:
    assert COMMAND in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
