"""Metal that is white."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.errors import CannotMeasure
from timingcam.seeing.light import LitPicture
from timingcam.seeing.overexposure import refuse_over_exposed
from timingcam.seeing.rings import Ring

TABLE = (np.arange(256) / 235.0).astype(np.float32)
RIM = Ring(np.array([160.0, 120.0]), (90.0, 80.0), 20.0, 1.0, -1)


def pictures(face: int) -> list[LitPicture]:
    luma = np.full((240, 320), 60, np.uint8)
    yy, xx = np.mgrid[0:240, 0:320]
    luma[np.hypot(xx - 160, yy - 120) < 100] = face
    luma[:30, :30] = 240  # something shines elsewhere
    return [LitPicture(luma, k, k, 20, 220) for k in range(4)]


@pytest.mark.parametrize("face", [60, 120, 180])
def test_metal_that_shows_its_grain_passes(face: int) -> None:
    refuse_over_exposed(pictures(face), TABLE, RIM)


def test_white_metal_is_refused() -> None:
    with pytest.raises(CannotMeasure) as refusal:
        refuse_over_exposed(pictures(235), TABLE, RIM)
    assert "over-exposed" in refusal.value.found and "exposure" in refusal.value.do


def test_rows_that_no_flash_lit_do_not_count() -> None:
    seen = pictures(235)
    for picture in seen:
        picture.luma[40:200] = 60
    refuse_over_exposed([LitPicture(p.luma, p.frame, p.flash, 60, 180) for p in seen], TABLE, RIM)
