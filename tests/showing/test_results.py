"""Result folders: whole or not at all, read back exactly, and nothing believed."""

from __future__ import annotations

import dataclasses
import errno
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_measurement import make_measurement

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Measurement
from timingcam.showing import results, swapping
from timingcam.showing.results import FILES, load, readings_csv, result_json, save


@pytest.fixture(scope="module")
def folder(measurement: Measurement, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save(measurement, tmp_path_factory.mktemp("saved") / "left")


@pytest.fixture
def copy(folder: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return Path(shutil.copytree(folder, tmp_path / "copy"))


def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the slow pictures out where a test is about the folder alone."""

    def write(measurement: Measurement, inside: Path) -> None:
        for name in FILES:
            (inside / name).write_text(measurement.cylinder)

    monkeypatch.setattr(results, "_write_all", write)


def test_folder_holds_the_files_of_the_contract(folder: Path) -> None:
    assert sorted(p.name for p in folder.iterdir()) == sorted(FILES)
    assert all(p.stat().st_size > 0 for p in folder.iterdir())


def test_what_was_saved_is_read_back(measurement: Measurement, folder: Path) -> None:
    back = load(folder)
    for name in ("clip", "engine", "cylinder", "cylinder_identity", "rpm_source", "budget", "checks", "warnings"):
        assert getattr(back, name) == getattr(measurement, name)
    for name in ("exposure_s", "tilt_deg", "rotor_centre_px", "rotor_radius_px"):
        assert getattr(back.camera, name) == getattr(measurement.camera, name)
    # Times go through µs and back: two roundings of a double, each at most 1.1e-16 of the value.
    assert back.camera.line_time_s == pytest.approx(measurement.camera.line_time_s, rel=3e-16)
    assert back.strobe.delay_s == pytest.approx(measurement.strobe.delay_s, rel=3e-16)
    assert back.strobe.flashes_used == measurement.strobe.flashes_used
    for field in dataclasses.fields(measurement.curve):
        np.testing.assert_array_equal(getattr(back.curve, field.name), getattr(measurement.curve, field.name))
    for field in dataclasses.fields(measurement.pictures):
        np.testing.assert_array_equal(getattr(back.pictures, field.name), getattr(measurement.pictures, field.name))
    r, s = back.readings, measurement.readings
    for name in ("time_s", "rpm", "rpm_sd", "advance_deg", "advance_sd_deg"):
        # Ten figures are written: half a unit of the tenth is at most 5e-10 of the value.
        np.testing.assert_allclose(getattr(r, name), getattr(s, name), rtol=5e-10)
    np.testing.assert_array_equal(r.used, s.used)
    np.testing.assert_array_equal(r.frame, s.frame)
    assert r.reason == s.reason


def test_saving_what_was_read_gives_the_same_files(folder: Path, tmp_path: Path) -> None:
    again = save(load(folder), tmp_path / "again")
    for name in ("result.json", "readings.csv", "flashes.npz"):
        assert (again / name).read_bytes() == (folder / name).read_bytes()


def test_text_for_scripts_is_what_the_folder_holds(measurement: Measurement, folder: Path) -> None:
    assert readings_csv(measurement) == (folder / "readings.csv").read_text()
    assert result_json(measurement) == (folder / "result.json").read_text()


def test_result_json_has_the_keys_of_the_contract(folder: Path) -> None:
    content = json.loads((folder / "result.json").read_text())
    assert content["format"] == "timingcam-result/1"
    wanted = {
        "": "clip engine cylinder cylinder_identity camera strobe rpm_source curve budget checks warnings",
        "clip": "path sha256 frames duration_s width height fps capture_fps",
        "camera": "line_time_us exposure_s tilt_deg rotor_centre_px rotor_radius_px",
        "strobe": "dial_deg delay_us apparent_lag_us flashes_seen flashes_used",
        "curve": "low_speed_advance_deg full_advance_deg starts_rpm full_rpm slope_deg_per_1000rpm scatter_deg "
        "hysteresis_deg",
    }
    for part, keys in wanted.items():
        assert set(keys.split()) <= set(content[part] if part else content)
    assert set(content["curve"]["full_rpm"]) == {"value", "sd", "low", "high"}
    assert content["camera"]["line_time_us"] == pytest.approx(11.3)


def test_nothing_that_was_not_had_becomes_nought(measurement: Measurement, tmp_path: Path) -> None:
    bare = dataclasses.replace(
        measurement,
        camera=dataclasses.replace(measurement.camera, line_time_s=None, exposure_s=None, tilt_deg=None),
        strobe=dataclasses.replace(measurement.strobe, apparent_lag_s=None),
        curve=dataclasses.replace(measurement.curve, full_advance_deg=None, full_rpm=None),
    )
    back = load(save(bare, tmp_path / "bare"))
    assert back.camera.line_time_s is None and back.camera.exposure_s is None and back.camera.tilt_deg is None
    assert back.strobe.apparent_lag_s is None
    assert back.curve.full_advance_deg is None and back.curve.full_rpm is None


def test_an_existing_folder_is_refused(folder: Path, measurement: Measurement) -> None:
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(CannotUse, match="exists already"):
        save(measurement, folder)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_replace_puts_the_new_one_there(monkeypatch: pytest.MonkeyPatch, measurement: Measurement, copy: Path) -> None:
    quick(monkeypatch)
    save(measurement, copy, replace=True)
    assert (copy / "result.json").read_text() == "left"
    assert [p.name for p in copy.parent.iterdir()] == ["copy"]


def test_replace_never_takes_away_what_is_not_ours(measurement: Measurement, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "holiday.jpg").write_text("x")
    with pytest.raises(CannotUse, match=r"holiday\.jpg"):
        save(measurement, tmp_path / "mine", replace=True)
    (tmp_path / "plain").write_text("x")
    with pytest.raises(CannotUse, match="a file 'plain'"):
        save(measurement, tmp_path / "plain", replace=True)
    assert (tmp_path / "mine" / "holiday.jpg").exists() and (tmp_path / "plain").read_text() == "x"


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt(), ValueError()])
@pytest.mark.parametrize("file", ["report.html", "readings.csv"])
def test_nothing_half_written_stays(
    error: BaseException, file: str, monkeypatch: pytest.MonkeyPatch, measurement: Measurement, tmp_path: Path
) -> None:
    quick(monkeypatch)
    real = Path.write_text

    def failing(self: Path, text: str) -> int:
        if self.name == file:
            raise error
        return real(self, text)

    monkeypatch.setattr(Path, "write_text", failing)
    expected = CannotUse if isinstance(error, OSError) else type(error)
    with pytest.raises(expected):
        save(measurement, tmp_path / "a" / "b" / "out")
    assert list(tmp_path.iterdir()) == []


def test_the_old_one_stays_when_the_new_one_fails(
    monkeypatch: pytest.MonkeyPatch, measurement: Measurement, copy: Path
) -> None:
    before = (copy / "result.json").read_bytes()
    quick(monkeypatch)
    # Where the system cannot exchange two names at one stroke: elsewhere nothing can fail between them.
    monkeypatch.setattr(swapping, "_exchanged", lambda *_: False)
    real = Path.rename

    def failing(self: Path, target: Path) -> Path:
        if self.name.endswith(".new"):
            raise KeyboardInterrupt
        return real(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(KeyboardInterrupt):
        save(measurement, copy, replace=True)
    assert (copy / "result.json").read_bytes() == before
    assert [p.name for p in copy.parent.iterdir()] == ["copy"]


def test_where_nothing_can_be_written_a_sentence_says_so(measurement: Measurement, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(CannotUse, match="cannot be written"):
        save(measurement, tmp_path / "file" / "out")
    with pytest.raises(CannotUse, match="cannot be written"):
        save(measurement, tmp_path / ("n" * 300))


def test_folders_above_are_made(monkeypatch: pytest.MonkeyPatch, measurement: Measurement, tmp_path: Path) -> None:
    quick(monkeypatch)
    save(measurement, tmp_path / "a" / "b")
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == ["b"]


def test_pictures_of_other_flashes_are_a_fault(measurement: Measurement, tmp_path: Path) -> None:
    other = make_measurement(n=50)
    with pytest.raises(ValueError, match="50 flashes"):
        save(dataclasses.replace(measurement, pictures=other.pictures), tmp_path / "out")


def test_what_is_no_result_folder_is_refused(tmp_path: Path, copy: Path) -> None:
    with pytest.raises(CannotUse, match="no folder"):
        load(tmp_path / "nowhere")
    (copy / "flashes.npz").unlink()
    with pytest.raises(CannotUse, match=r"no 'flashes\.npz'"):
        load(copy)
    (copy / "readings.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CannotUse, match="UTF-8"):
        load(copy)
    (copy / "result.json").unlink()
    (copy / "result.json").mkdir()
    with pytest.raises(CannotUse, match="it is not a file"):
        load(copy)


def test_readings_and_flashes_must_be_of_one_clip(copy: Path) -> None:
    lines = (copy / "readings.csv").read_text().splitlines(keepends=True)
    (copy / "readings.csv").write_text("".join(lines[:-1]))
    with pytest.raises(CannotUse, match=r"420 flashes in flashes\.npz, 419 in readings\.csv"):
        load(copy)
