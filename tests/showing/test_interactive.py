"""What the page's script is told."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from made_measurement import make_measurement

from timingcam.reckoning.result import Measurement
from timingcam.showing.interactive import MAX_PICTURE_BYTES, flash_words, interactive


def test_every_picture_kept_belongs_to_a_flash_with_its_marks(measurement: Measurement) -> None:
    flashes = json.loads(interactive([("", measurement)]).flashes)
    p = measurement.pictures
    assert set(flashes) == {f"0:{i}" for i in p.crop_of}
    readable = next(i for i in p.crop_of if np.isfinite(p.rotor_deg[i]))
    one = flashes[f"0:{readable}"]
    assert [mark["name"] for mark in one["marks"]] == list(p.mark_names)
    assert one["size"] == [p.crops.shape[2], p.crops.shape[1]]


def test_every_reading_that_could_be_had_is_there_with_its_words(measurement: Measurement) -> None:
    plot = interactive([("", measurement)]).plot
    r = measurement.readings
    for i in np.flatnonzero(np.isfinite(r.advance_deg))[::40]:
        assert f'"0:{i}"' in plot
        assert json.dumps(flash_words(measurement, int(i))) in plot


def test_two_sides_are_kept_apart(measurement: Measurement) -> None:
    right = make_measurement(n=60, cylinder="right", seed=8)
    both = interactive([("left", measurement), ("right", right)])
    flashes = json.loads(both.flashes)
    assert {key[0] for key in flashes} == {"0", "1"}
    assert '"right: readings (' in both.plot


def test_pictures_are_thinned_evenly_where_they_would_be_too_many(measurement: Measurement) -> None:
    p = measurement.pictures
    every = np.arange(len(p.frame))
    crops = np.random.default_rng(1).integers(0, 255, (len(every), 120, 120)).astype(np.uint8)
    many = replace(p, crop_of=every, crops=crops, crop_origin_px=np.tile(p.crop_origin_px[:1], (len(every), 1)))
    flashes = json.loads(interactive([("", replace(measurement, pictures=many))]).flashes)
    assert sum(len(one["jpeg"]) for one in flashes.values()) <= MAX_PICTURE_BYTES
    steps = np.diff(sorted(int(key[2:]) for key in flashes))
    assert len(set(steps)) == 1


def test_no_text_can_end_the_script_it_stands_in(measurement: Measurement) -> None:
    p = measurement.pictures
    evil = "</script><script>alert(1)</script>"
    r = replace(measurement.readings, reason=(evil,) * len(measurement.readings))
    m = replace(measurement, readings=r, pictures=replace(p, mark_names=(evil,) * len(p.mark_names)))
    told = interactive([(evil, m)])
    assert "<" not in told.plot and "<" not in told.flashes


def test_a_flash_that_was_not_used_says_why(measurement: Measurement) -> None:
    r = measurement.readings
    i = next(i for i in range(len(r)) if not r.used[i] and np.isfinite(r.advance_deg[i]))
    assert flash_words(measurement, i).endswith(f"not used: {r.reason[i]}")


def test_nothing_read_at_all_is_still_a_plot(measurement: Measurement) -> None:
    r = measurement.readings
    nothing = replace(r, advance_deg=np.full(len(r), np.nan), used=np.zeros(len(r), dtype=bool))
    json.loads(interactive([("", replace(measurement, readings=nothing))]).plot)
