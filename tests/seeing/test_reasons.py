"""What a refusal says besides: focus before bands, and nothing where the pictures are sharp."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_flashes import flashes_turned

from timingcam.errors import CannotMeasure
from timingcam.seeing.light import FlashLight, LitPicture
from timingcam.seeing.reasons import SHORT_SIDE_PX, sharpest_rise_px, with_reason

TABLE = np.linspace(0.0, 1.0, 256).astype(np.float32)
LIGHT = FlashLight(TABLE, np.sqrt(TABLE).astype(np.float32), None)
REFUSAL = CannotMeasure(found="no marks", expected="marks", do="paint them")
# The steepest slope of a step blurred by a normal curve is its height over 2.51 sds of it.
RISE_SDS = np.sqrt(2 * np.pi)


def pictures(
    blur_px: float, shape: tuple[int, int] = (480, 640), rows: tuple[int, int] = (30, 420)
) -> list[LitPicture]:
    """A bright rotor on a dark case, with a sensor's noise; beyond the lit rows it is dark."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    size = 0.3 * min(shape)
    light = np.where(np.hypot(x - shape[1] / 2, y - shape[0] / 2) < size, 0.8, 0.15)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    lit = []
    for k in range(6):
        luma = 255 * light + 2.5 * rng.standard_normal(shape)
        luma[: rows[0]] = luma[rows[1] + 1 :] = 4.0
        lit.append(LitPicture(np.clip(luma, 0, 255).astype(np.uint8), k, k, *rows))
    return lit


@pytest.mark.parametrize("blur_px", [6.0, 9.0])
def test_how_far_edges_rise_that_are_out_of_focus(blur_px: float) -> None:
    found = sharpest_rise_px(LIGHT, pictures(blur_px))
    # A square root is steeper on a step's dark side, by a third for light that grows fivefold; and grain adds to it.
    assert 0.6 * RISE_SDS * blur_px < found < 1.1 * RISE_SDS * blur_px


def test_pictures_of_any_size_count_alike() -> None:
    small, large = (
        sharpest_rise_px(LIGHT, pictures(6.0 * by, (480 * by, 640 * by), (30 * by, 420 * by))) for by in (1, 2)
    )
    assert large == pytest.approx(small, rel=0.15)


def test_nothing_sharp_is_said_first() -> None:
    flashes, _ = flashes_turned(np.zeros(6), SHORT_SIDE_PX)
    worded = with_reason(REFUSAL, flashes, SHORT_SIDE_PX, LIGHT, pictures(14.0))
    assert worded.found.startswith("no sharp edge") and worded.found.endswith("no marks")
    assert worded.do.startswith("focus on the marks")


def test_sharp_pictures_leave_a_refusal_as_it_is() -> None:
    flashes, _ = flashes_turned(np.zeros(6), SHORT_SIDE_PX)
    assert with_reason(REFUSAL, flashes, SHORT_SIDE_PX, LIGHT, pictures(1.5)) is REFUSAL


def test_few_lit_rows_say_nothing_of_focus() -> None:
    assert np.isnan(sharpest_rise_px(LIGHT, pictures(14.0, rows=(100, 120))))
    assert np.isnan(sharpest_rise_px(LIGHT, []))


def test_few_lit_rows_are_told() -> None:
    flashes, _ = flashes_turned(np.zeros(6), 40)
    worded = with_reason(REFUSAL, flashes, SHORT_SIDE_PX, LIGHT, pictures(1.5))
    assert "each flash lights 40 of 480 rows only" in worded.found and worded.do.startswith("film with less light")
