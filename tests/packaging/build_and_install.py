"""The wheel and the source archive, built and installed in clean environments, with the newest and the oldest versions.

    python tests/packaging/build_and_install.py [newest] [oldest]

For each: an environment of its own; the wheel (for `oldest`: the source archive) installed as a user does, every
dependency at the newest version or at the lower bound that pyproject.toml states; every module imported; a sample clip
measured; the result read back, compared and put on a page. Takes minutes, and some 600 MB of disk that it gives back.
Needs a network or pip's own settings for an index. No test: it ends with a line for each environment, and status 1 if
one failed.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
CLIP = ROOT / "sample_media" / "left-idle.mp4"
ENGINE = ROOT / "shared" / "engines" / "demo-twin.toml"
# What the package reads beside its modules, and what must not be in it.
IN_THE_WHEEL = ("timingcam/py.typed", "timingcam/cli/new_engine.toml", "timingcam/showing/templates/report.html.j2")
NOT_IN_THE_WHEEL = ("tests/", "shared/", "sample_media/", "docs/")
EVERY_MODULE = """
import importlib, pkgutil, timingcam
for found in pkgutil.walk_packages(timingcam.__path__, "timingcam."):
    if found.name != "timingcam.__main__":
        importlib.import_module(found.name)
"""


def run(*words: str | Path, **more: object) -> str:
    result = subprocess.run([str(word) for word in words], capture_output=True, text=True, **more)  # type: ignore[call-overload]
    if result.returncode:
        raise SystemExit(f"{' '.join(map(str, words))}\n{result.stdout[-3000:]}{result.stderr[-3000:]}")
    return str(result.stdout)


def lower_bounds() -> list[str]:
    """Each dependency at the least version that pyproject.toml allows."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [
        re.sub(r">=", "==", one) for one in [*project["dependencies"], *project["optional-dependencies"]["cluster"]]
    ]


def environment(folder: Path) -> Path:
    venv.create(folder, with_pip=True)
    return folder / "bin" / "python"


def built(folder: Path) -> tuple[Path, Path]:
    """The wheel and the source archive of what is committed."""
    source = folder / "source"
    source.mkdir()
    archive = run("git", "-c", f"safe.directory={ROOT}", "-C", ROOT, "rev-parse", "HEAD").strip()
    subprocess.run(f"git -C '{ROOT}' archive {archive} | tar -x -C '{source}'", shell=True, check=True)
    python = environment(folder / "builder")
    run(python, "-m", "pip", "install", "-q", "build")
    run(python, "-m", "build", "-o", folder / "dist", source)
    (wheel,), (sdist,) = (folder / "dist").glob("*.whl"), (folder / "dist").glob("*.tar.gz")
    names = zipfile.ZipFile(wheel).namelist()
    assert all(name in names for name in IN_THE_WHEEL), names
    assert not any(name.startswith(NOT_IN_THE_WHEEL) for name in names), names
    return wheel, sdist


def tried(kind: str, package: Path, folder: Path) -> str:
    python = environment(folder / kind)
    constraints = folder / f"{kind}.txt"
    constraints.write_text("\n".join(lower_bounds()) if kind == "oldest" else "")
    run(python, "-m", "pip", "install", "-q", "-c", constraints, f"{package}[cluster]")
    run(python, "-c", EVERY_MODULE, cwd=folder)
    command, out = python.with_name("timingcam"), folder / f"{kind}-result"
    run(command, "measure", CLIP, "--engine", ENGINE, "--cylinder", "left", "--strobe-delay", "40", "--out", out)
    run(command, "compare", out, out, "--as", "before-after", "--out", folder / f"{kind}-compared")
    run(command, "report", out, "--out", folder / f"{kind}.html")
    run(command, "engine", "new", "--out", folder / f"{kind}.toml")
    versions = run(python, "-m", "pip", "list", "--format", "freeze")
    wanted = {re.split(r"==", one)[0].lower() for one in lower_bounds()}
    return ", ".join(one for one in versions.split() if one.split("==")[0].lower() in wanted)


def main() -> None:
    kinds = [word for word in sys.argv[1:] if word in ("newest", "oldest")] or ["newest", "oldest"]
    with tempfile.TemporaryDirectory(prefix="timingcam-packaging-") as name:
        folder = Path(name)
        wheel, sdist = built(folder)
        print(f"built {wheel.name} and {sdist.name}", flush=True)
        failed = False
        for kind in kinds:
            try:
                print(f"{kind}: works with {tried(kind, sdist if kind == 'oldest' else wheel, folder)}", flush=True)
            except SystemExit as fault:
                failed = True
                print(f"{kind}: FAILED\n{fault}", flush=True)
    sys.exit(failed)


if __name__ == "__main__":
    main()
