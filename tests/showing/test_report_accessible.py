"""The report against axe-core, an independent checker of pages for people who see, hear or move less.

axe-core is fetched with npm's ordinary client, so this runs with the long tests: pytest -m slow. A path to an
`axe.min.js` that is there already may be given in the environment as TIMINGCAM_AXE.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest
from browser import Browser
from made_measurement import make_measurement

from timingcam.reckoning.compare import compare
from timingcam.showing.report import report_html

pytestmark = pytest.mark.slow
DRAWN = "document.documentElement?.dataset.drawn === 'yes'"
VERSION = "4.14.1"


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    if given := os.environ.get("TIMINGCAM_AXE"):
        return Path(given).read_text(encoding="utf-8")
    assert shutil.which("npm"), "npm is needed to fetch axe-core; or give TIMINGCAM_AXE=path/to/axe.min.js"
    folder = tmp_path_factory.mktemp("axe")
    subprocess.run(["npm", "pack", "--silent", f"axe-core@{VERSION}"], cwd=folder, check=True, timeout=120)
    with tarfile.open(folder / f"axe-core-{VERSION}.tgz") as archive:
        file = archive.extractfile("package/axe.min.js")
        assert file is not None
        return file.read().decode()


@pytest.mark.parametrize("size", [(390, 844, True), (1280, 900, False)], ids=str)
@pytest.mark.parametrize("sides", [1, 2])
def test_nothing_is_found(axe: str, size: tuple[int, int, bool], sides: int, tmp_path: Path) -> None:
    left = make_measurement()
    right = make_measurement(n=200, cylinder="right", shift_deg=3.0, seed=8)
    text = report_html(left) if sides == 1 else report_html(left, right, compare(left, right))
    path = tmp_path / "page.html"
    path.write_text(text, encoding="utf-8")
    width, height, mobile = size
    with Browser(width, height, mobile=mobile) as browser:
        browser.open(path, DRAWN)
        browser.value(axe + ";0")
        found = browser.value("axe.run().then(r => r.violations.map(v => v.impact + ' ' + v.id + ': ' + v.help))")
    assert found == []
