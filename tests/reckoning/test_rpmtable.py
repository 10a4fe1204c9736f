"""Logged speeds: the file and its clock."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from timingcam.errors import CannotMeasure, CannotUse
from timingcam.reckoning.rpmtable import RpmTable, align, read_rpm_csv, rpm_at


def written(folder: Path, text: str) -> Path:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_reads_columns_in_any_order(tmp_path: Path) -> None:
    table = read_rpm_csv(written(tmp_path, "\ufeffgear,rpm, time_s\nN,1000,0\nN,1500,0.5\n\n"))
    assert list(table.time_s) == [0, 0.5]
    assert list(table.rpm) == [1000, 1500]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("t,rpm\n0,1000\n", "columns t, rpm"),
        ("", "columns none"),
        ("time_s,rpm\n0,1000\n", "1 rows of figures"),
        ("time_s,rpm\n0,1000\nx,1100\n", "row 3: x,1100"),
        ("time_s,rpm\n0,1000\n1\n", "row 3: 1"),
        ("time_s,rpm\n0,1000\n1,-5\n", "row 3: 1,-5"),
        ("time_s,rpm\n0,1000\n1,nan\n", "row 3: 1,nan"),
        ("time_s,rpm\n1,1000\n1,1100\n", "time 1 s after 1 s"),
    ],
)
def test_faults_say_where(tmp_path: Path, text: str, found: str) -> None:
    with pytest.raises(CannotUse) as fault:
        read_rpm_csv(written(tmp_path, text))
    assert found in fault.value.found
    assert fault.value.do


def test_what_is_no_table_at_all(tmp_path: Path) -> None:
    # A cell longer than the CSV reader takes; a pipe, which would be waited for without end.
    with pytest.raises(CannotUse, match="not a CSV text"):
        read_rpm_csv(written(tmp_path, "time_s,rpm\n0," + "1" * 200_000))
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CannotUse, match="not a plain file"):
        read_rpm_csv(tmp_path / "pipe")


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match=r"none\.csv"):
        read_rpm_csv(tmp_path / "none.csv")


def test_outside_the_log_nothing_is_known() -> None:
    table = RpmTable(np.array([1.0, 2.0]), np.array([1000.0, 2000.0]))
    assert np.isnan(rpm_at(table, np.array([0.9, 2.1]))).all()
    assert rpm_at(table, np.array([1.25]))[0] == 1250


def blip(t: np.ndarray) -> np.ndarray:
    return 1200 + 3000 * np.exp(-(((t - 6) / 0.8) ** 2)) + 800 * np.exp(-(((t - 9) / 0.5) ** 2))


@pytest.mark.parametrize("offset_s", [-7.3, -0.04, 0.0, 2.61])
def test_offset_is_found_with_its_sd(offset_s: float) -> None:
    errors, sds = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        log_s = np.arange(-10, 25, 0.1)
        log = RpmTable(log_s, blip(log_s + offset_s) + 10 * rng.standard_normal(len(log_s)))
        clip_s = np.sort(rng.uniform(0, 12, 200))
        found = align(log, clip_s, blip(clip_s) + 8 * rng.standard_normal(200))
        errors.append(found.seconds - offset_s)
        sds.append(found.sd_s)
        assert found.correlation > 0.99
    assert np.max(np.abs(errors)) < 0.03
    assert np.std(errors) < 2.0 * np.mean(sds)  # an sd of 12 errors is known to 20 %; the stated one must not be small


def test_no_offset_without_a_change_of_speed_or_likeness() -> None:
    t = np.arange(0, 12, 0.05)
    steady = RpmTable(t, np.full(len(t), 1500.0))
    with pytest.raises(CannotMeasure, match="changes by less"):
        align(steady, t, blip(t))
    other = RpmTable(t, 2000 + 900 * np.sin(5 * t))
    with pytest.raises(CannotMeasure, match="like the clip's only"):
        align(other, t, blip(t))
