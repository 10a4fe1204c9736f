"""Light of rows kept in a file, and bands of clips that are looked at in parts."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_light import Camera, even_flashes, light

from timingcam.errors import CannotMeasure, CannotUse
from timingcam.seeing import row_lights
from timingcam.seeing.bands import bands_of_clip, find_bands
from timingcam.seeing.row_lights import RowLights


def kept(rows: np.ndarray) -> RowLights:
    lights = RowLights(rows.shape[1])
    for row in rows:
        lights.append(row)
    return lights


@pytest.mark.parametrize("n", [1, 255, 256, 700])
def test_what_is_kept_comes_back(n: int) -> None:
    rows = np.random.default_rng(n).uniform(0, 1, (n, 40)).astype(np.float32)
    lights = kept(rows)
    assert lights.shape == (n, 40)
    assert np.array_equal(lights.whole(), rows)
    parts = list(lights.parts(300))
    assert np.array_equal(np.concatenate([part for _, part in parts]), rows)
    assert [first for first, _ in parts] == list(np.cumsum([0, *(len(part) for _, part in parts)])[:-1])
    assert max(len(part) for _, part in parts) <= 300
    lights.append(rows[0])  # goes on where it ended
    assert np.array_equal(lights.whole(), np.vstack([rows, rows[:1]]))


def test_in_parts_the_bands_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    camera = Camera()
    rows = light(camera, even_flashes(camera), 200e-6)
    whole = find_bands(rows)
    assert bands_of_clip(kept(rows)).frame.tolist() == whole.frame.tolist()
    monkeypatch.setattr(RowLights.parts, "__defaults__", (len(rows) // 3,))
    parts = bands_of_clip(kept(rows))
    assert (parts.n_frames, parts.n_rows) == rows.shape
    assert parts.frame.tolist() == whole.frame.tolist()
    # Each part learns by itself how light a flash is: edges stay within their own noise.
    assert parts.end_row == pytest.approx(whole.end_row, abs=0.5, nan_ok=True)
    assert parts.row_sd == pytest.approx(whole.row_sd, rel=0.2)


def test_a_part_without_flashes_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    camera = Camera()
    rows = light(camera, even_flashes(camera), 200e-6)
    dark = np.full_like(rows, float(np.percentile(rows, 2)))
    monkeypatch.setattr(RowLights.parts, "__defaults__", (len(rows),))
    bands = bands_of_clip(kept(np.vstack([dark, rows])))
    assert (bands.frame - len(rows)).tolist() == find_bands(rows).frame.tolist()
    with pytest.raises(CannotMeasure):
        bands_of_clip(kept(np.vstack([dark, dark])))


def test_a_full_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    class Full:
        def seek(self, *_: int) -> None: ...

        def write(self, _: bytes) -> None:
            raise OSError(28, "No space left on device")

        def close(self) -> None: ...

    monkeypatch.setattr(row_lights.tempfile, "TemporaryFile", Full)
    lights = kept(np.zeros((3, 4), np.float32))
    with pytest.raises(CannotUse, match="no room"):
        lights.whole()
