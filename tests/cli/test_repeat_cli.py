"""`timingcam repeat` from the outside."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))

from made_measurement import make_measurement

from timingcam.cli.main import main
from timingcam.cli.repeat import repeat
from timingcam.errors import CannotUse
from timingcam.reckoning.repeat import FIGURES
from timingcam.reckoning.result import Estimate, Measurement
from timingcam.showing.flashes_file import pictures_bytes
from timingcam.showing.results import readings_csv, result_json


def save(made: Measurement, folder: Path) -> Path:
    """The three files of a result folder that are read back; drawing the others takes seconds."""
    folder.mkdir()
    (folder / "result.json").write_text(result_json(made), encoding="utf-8")
    (folder / "readings.csv").write_text(readings_csv(made), encoding="utf-8", newline="")
    (folder / "flashes.npz").write_bytes(pictures_bytes(made.pictures))
    return folder


def moved(made: Measurement, place: int, by_sds: float = 0.0, starts_by_sds: float | None = None) -> Measurement:
    """Another clip, every figure of which is so many of its sds off, the start of the rise by others."""

    def by(name: str) -> Estimate:
        old = getattr(made.curve, name)
        step = old.sd * (starts_by_sds if name == "starts_rpm" and starts_by_sds is not None else by_sds)
        return Estimate(old.value + step, old.sd, old.low + step, old.high + step)

    clip = replace(made.clip, sha256=f"{place:02d}" * 32, path=f"{place}.mp4")
    return replace(made, clip=clip, curve=replace(made.curve, **{name: by(name) for name, _ in FIGURES}))


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    base, made = tmp_path_factory.mktemp("repeated"), make_measurement(n=40)
    off = ((0.0, None), (0.8, None), (-0.8, None), (0.1, 20.0))
    return [str(save(moved(made, n, *step), base / str(n))) for n, step in enumerate(off)]


def test_words_where_all_is_well(folders: list[str]) -> None:
    result = CliRunner().invoke(repeat, folders[:3], catch_exceptions=False)
    assert result.exit_code == 0
    words = " ".join(result.output.split())
    assert "3 results of the left cylinder" in words
    assert "Start of the rise" in words and "fits" in words and "MORE than stated" not in words
    assert "agree within their stated uncertainties" in words and "Under the strobe" in words


def test_words_where_one_is_off(folders: list[str], tmp_path: Path) -> None:
    out = tmp_path / "repeated"
    result = CliRunner().invoke(repeat, [*folders, "--out", str(out)], catch_exceptions=False)
    words = " ".join(result.output.split())
    assert result.exit_code == 0
    assert "differ by more than they say they may in start of the rise" in words and "MORE than stated" in words
    assert sorted(path.name for path in out.iterdir()) == ["repeat.json", "repeat.png"]
    content = json.loads((out / "repeat.json").read_text())
    assert content["format"] == "timingcam-repeat/1" and content["clips"] == ["0.mp4", "1.mp4", "2.mp4", "3.mp4"]
    (starts,) = (figure for figure in content["figures"] if figure["figure"] == "starts_rpm")
    assert starts["outcome"] == "spreads more" and len(starts["values"]) == 4 and starts["chance"] < 1e-6


def test_json_is_the_file(folders: list[str], tmp_path: Path) -> None:
    out = tmp_path / "repeated"
    result = CliRunner().invoke(repeat, [*folders[:2], "--json", "--out", str(out)], catch_exceptions=False)
    assert (out / "repeat.json").read_text() == result.output


def test_a_figure_that_one_clip_does_not_show(tmp_path: Path) -> None:
    made = make_measurement(n=40)
    without = replace(moved(made, 7), curve=replace(made.curve, full_advance_deg=None))
    names = [str(save(one, tmp_path / str(n))) for n, one in enumerate((made, moved(made, 5), without))]
    result = CliRunner().invoke(repeat, names, catch_exceptions=False)
    assert result.exit_code == 0 and "not had" in result.output
    alone = CliRunner().invoke(repeat, [names[0], names[2], "--json"], catch_exceptions=False)
    assert "full_advance_deg" not in {figure["figure"] for figure in json.loads(alone.output)["figures"]}


def test_the_very_same_clip_proves_nothing(folders: list[str]) -> None:
    result = CliRunner().invoke(repeat, [folders[0], folders[0]], catch_exceptions=False)
    assert "very same clip" in result.output


def test_five_and_more_are_ranges(folders: list[str]) -> None:
    result = CliRunner().invoke(repeat, [*folders[:3], *folders[:3]], catch_exceptions=False)
    assert "lowest to highest" in result.output


@pytest.mark.parametrize("words", [["one"], ["one", "none"], []])
def test_what_cannot_be_used_is_status_2(folders: list[str], words: list[str], capsys: pytest.CaptureFixture) -> None:
    given = [folders[0] if word == "one" else word for word in words]
    with pytest.raises(SystemExit) as left:
        main(["repeat", *given])
    assert left.value.code == 2
    assert len(capsys.readouterr().err.strip().splitlines()) >= 1


def test_an_existing_folder_needs_replace(folders: list[str], tmp_path: Path) -> None:
    out = str(tmp_path / "repeated")
    assert CliRunner().invoke(repeat, [*folders[:2], "--out", out]).exit_code == 0
    with pytest.raises(CannotUse, match="exists already"):
        CliRunner().invoke(repeat, [*folders[:2], "--out", out], catch_exceptions=False)
    assert CliRunner().invoke(repeat, [*folders[:2], "--out", out, "--replace"]).exit_code == 0
