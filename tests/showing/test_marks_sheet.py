"""The contact sheet: which flashes, and that what is drawn lies where the marks are."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from PIL import Image

from timingcam.reckoning.result import Measurement
from timingcam.showing.marks_sheet import choose, marks_sheet, overlay
from timingcam.showing.plots import picture_bytes


def test_the_sheet_holds_the_worst_and_all_speeds(measurement: Measurement) -> None:
    shown = choose(measurement)
    assert len(shown) == 12 and len({s.crop for s in shown}) == 12
    r, c = measurement.readings, measurement.curve
    off = np.abs(r.advance_deg - np.interp(r.rpm, c.grid_rpm, c.grid_advance_deg))
    of_crops = np.nan_to_num(off[measurement.pictures.crop_of], nan=np.inf)
    assert int(measurement.pictures.crop_of[of_crops.argmax()]) in {s.flash for s in shown if s.worst}
    rpm = [r.rpm[s.flash] for s in shown]
    assert rpm == sorted(rpm)
    assert min(rpm) < 1200 and max(rpm) > 5000


def test_what_is_drawn_lies_where_the_marks_are(measurement: Measurement) -> None:
    p = measurement.pictures
    crop = next(k for k, flash in enumerate(p.crop_of) if np.isfinite(p.rotor_deg[flash]))
    found = overlay(p, crop).found
    background = float(np.median(p.crops[crop]))
    for ends in found.marks:
        # Going on outwards along the drawn line, from its start by a tenth of the rotor: on the bright mark.
        outwards = ends[0] + (ends[0] - ends[1]) * 1.0
        x, y = np.round(outwards).astype(int)
        assert p.crops[crop][y, x] > background + 60  # drawn 115 above it, noise 6
    x, y = np.round(found.index[1]).astype(int)
    assert p.crops[crop][y - 2 : y + 3, x - 2 : x + 3].max() > 200


def test_a_flash_without_an_angle_is_shown_without_marks(measurement: Measurement) -> None:
    p = measurement.pictures
    broken = replace(p, rotor_deg=np.full(len(p.frame), np.nan), to_rotor=np.full((len(p.frame), 3, 3), np.nan))
    picture_bytes(marks_sheet(replace(measurement, pictures=broken)))


def test_no_little_pictures_still_a_sheet(measurement: Measurement) -> None:
    p = measurement.pictures
    none = replace(p, crop_of=p.crop_of[:0], crops=p.crops[:0], crop_origin_px=p.crop_origin_px[:0])
    picture_bytes(marks_sheet(replace(measurement, pictures=none)))


def test_the_sheet_is_large_enough_to_judge_and_small_enough_to_send(measurement: Measurement) -> None:
    data = picture_bytes(marks_sheet(measurement))
    assert Image.open(io.BytesIO(data)).width >= 1500  # three flashes a row, each 500 pixels
    assert len(data) < 2_000_000
