"""`timingcam film`, and pictures and tables for print and scripts, from the outside."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_clip import make_clip
from made_measurement import make_measurement

from timingcam.cli.main import main
from timingcam.reckoning.result import Measurement
from timingcam.showing.flashes_file import pictures_bytes
from timingcam.showing.results import FILES, readings_csv, result_json, save


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("filmed")
    to_read(make_clip(base / "small.mp4", sound=False), base / "small")
    make_clip(base / "other.mp4", sound=True)
    left, right = make_measurement(n=150), make_measurement(n=150, cylinder="right", shift_deg=3.0, seed=8)
    save(left, base / "left", curve_as="svg")
    to_read(right, base / "right")
    return base


def to_read(measurement: Measurement, folder: Path) -> None:
    """Only the files that are read back: drawing the others takes seconds."""
    folder.mkdir()
    (folder / "result.json").write_text(result_json(measurement), encoding="utf-8")
    (folder / "readings.csv").write_text(readings_csv(measurement), encoding="utf-8")
    (folder / "flashes.npz").write_bytes(pictures_bytes(measurement.pictures))


def ran(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, list(words))
    return result.exit_code, result.stdout, result.stderr


def test_a_film_is_written_whole(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    words = ("film", str(folder / "small"), str(folder / "small.mp4"), "--slower", "1")
    status, said, _ = ran(*words, "--out", str(out))
    assert status == 0 and "as fast as filmed" in said and str(out) in said
    assert out.read_bytes()[4:8] == b"ftyp"
    before = out.read_bytes()
    status, _, complaint = ran(*words, "--out", str(out))
    assert status == 2 and "--replace" in complaint and out.read_bytes() == before


def test_a_flashing_film_warns(folder: Path, tmp_path: Path) -> None:
    words = ("film", str(folder / "small"), str(folder / "small.mp4"), "--slower", "1", "--flashing")
    status, _, warned = ran(*words, "--out", str(tmp_path / "film.mp4"))
    assert status == 0 and "flashing light can bring on seizures" in warned


@pytest.mark.parametrize(
    ("clip", "out", "complaint"),
    [
        ("other.mp4", "film.mp4", "not the clip that this result was measured from"),
        ("none.mp4", "film.mp4", "No file 'none.mp4'"),
        ("small.mp4", "film.avi", "a name that ends in .mp4"),
    ],
)
def test_what_cannot_be_filmed_is_one_sentence(
    folder: Path, tmp_path: Path, clip: str, out: str, complaint: str
) -> None:
    status, said, complained = ran("film", str(folder / "small"), str(folder / clip), "--out", str(tmp_path / out))
    assert status == 2 and said == "" and complained.count("\n") == 1
    assert complaint.lower() in complained.lower()
    assert list(tmp_path.iterdir()) == []


def test_the_curve_for_print_lies_beside_the_rest(folder: Path) -> None:
    assert {p.name for p in (folder / "left").iterdir()} == {*FILES, "curve.svg"}
    assert (folder / "left" / "curve.svg").read_text(encoding="utf-8").startswith("<?xml")
    # And it may be replaced, though it holds one file more than usual.
    save(make_measurement(n=150), folder / "left", replace=True)
    assert not (folder / "left" / "curve.svg").exists()


def test_a_comparison_for_print_and_for_scripts(folder: Path, tmp_path: Path) -> None:
    both = (str(folder / "left"), str(folder / "right"))
    status, _, _ = ran("compare", *both, "--out", str(tmp_path / "c"), "--format", "pdf")
    assert status == 0
    assert sorted(p.name for p in (tmp_path / "c").iterdir()) == ["compare.json", "compare.pdf", "compare.png"]
    assert (tmp_path / "c" / "compare.pdf").read_bytes().startswith(b"%PDF")
    _, as_json, _ = ran("compare", *both, "--json")
    _, as_csv, _ = ran("compare", *both, "--csv")
    rows = list(csv.DictReader(io.StringIO(as_csv)))
    difference = json.loads(as_json)["difference"]
    assert list(rows[0]) == ["rpm", "value_deg", "random_sd_deg", "sd_deg", "low_deg", "high_deg"]
    for name, values in difference.items():
        assert [float(row[name]) for row in rows] == pytest.approx(values, rel=1e-9)
    assert ran("compare", *both, "--json", "--csv")[0] == 2
