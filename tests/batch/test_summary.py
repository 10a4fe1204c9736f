"""The table and the picture of a batch."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "showing"))
sys.path.insert(0, str(Path(__file__).parent))

from made_measurement import make_engine, make_measurement

from timingcam.batch import picture
from timingcam.batch.job import Job, Outcome, figures_of
from timingcam.batch.summary import COLUMNS, batch_csv, batch_json
from timingcam.showing.plots import picture_bytes


def job(name: str = "clip.mp4") -> Job:
    return Job(Path("/clips") / name, name, make_engine(), "0" * 64, "left")


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    figures = figures_of(make_measurement())
    return [
        Outcome(job("good.mp4"), "measured", folder="good-left-1", figures=figures),
        Outcome(job('comma, "quote"\n点.mp4'), "refused", 3, "Found no flash."),
        Outcome(job("\udcff.mp4"), "failed", 2, "Found nothing."),
        Outcome(job("n" * 300), "measured", folder="n-left-2", figures=figures, before=True),
    ]


def test_table_for_other_programs(outcomes: list[Outcome]) -> None:
    rows = list(csv.DictReader(io.StringIO(batch_csv(outcomes))))
    assert tuple(rows[0]) == COLUMNS
    assert [row["clip"] for row in rows] == [one.job.shown for one in outcomes]
    assert [(row["state"], row["status"], row["reason"]) for row in rows[:2]] == [
        ("measured", "0", ""), ("refused", "3", "Found no flash."),
    ]  # fmt: skip
    low = outcomes[0].figures.low  # type: ignore[union-attr]
    assert low is not None
    # Ten figures are written.
    assert float(rows[0]["low_speed_advance_deg"]) == pytest.approx(low.value, rel=1e-9)
    assert float(rows[0]["low_speed_advance_high_deg"]) == pytest.approx(low.high, rel=1e-9)
    assert rows[1]["low_speed_advance_deg"] == rows[1]["flashes_used"] == ""


def test_json(outcomes: list[Outcome]) -> None:
    content = json.loads(batch_json(outcomes, "an id"))
    assert (content["format"], content["folder_id"]) == ("timingcam-batch/1", "an id")
    assert [row["state"] for row in content["clips"]] == ["measured", "refused", "failed", "measured"]
    assert content["clips"][0]["low_speed_limits_deg"] == [7.0, 11.0]
    assert content["clips"][1]["low_speed_advance_deg"] is None


def test_picture(outcomes: list[Outcome]) -> None:
    figure = picture.batch_picture(outcomes)
    assert picture_bytes(figure, dpi=40)[:8] == b"\x89PNG\r\n\x1a\n"
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert "refused: see batch.csv" in words and "failed: see batch.csv" in words
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels[0] == "good.mp4, left" and len(labels[3]) < 40


def test_picture_of_very_many(outcomes: list[Outcome], monkeypatch: pytest.MonkeyPatch) -> None:
    assert (1.9 + picture.ROW_IN * picture.MOST_ROWS) * picture._dpi(picture.MOST_ROWS) < 2**15  # what viewers open
    monkeypatch.setattr(picture, "MOST_ROWS", 5)
    figure = picture.batch_picture([outcomes[1]] * 6)
    assert len(figure.axes[0].get_yticklabels()) == 5 and "the first 5 drawn" in figure.get_suptitle()
