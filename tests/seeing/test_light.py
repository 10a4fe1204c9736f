"""The flash's own light, with the place's taken away."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.seeing.light import LitPicture, flash_light

TABLE = (np.linspace(0, 1, 256) ** 2).astype(np.float32)
SHAPE = (40, 60)
SCENE = np.random.default_rng(1).uniform(0.1, 0.6, SHAPE)


def coded(light: np.ndarray) -> np.ndarray:
    return np.round(255 * np.sqrt(np.clip(light, 0, 1))).astype(np.uint8)


def kept(ambient: float, n: int = 8) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Frames whose lit rows wander over the picture."""
    frames = []
    for k in range(n):
        lit = np.zeros(SHAPE[0], bool)
        lit[5 * k % 30 : 5 * k % 30 + 10] = True
        frames.append((coded(SCENE * (ambient + lit[:, None] * 0.8)), ~lit, lit))
    return frames


def test_ambient_light_is_learnt_and_taken_away() -> None:
    light = flash_light(TABLE, kept(0.2))
    assert light.ambient is not None
    luma = coded(SCENE * (0.2 + 0.8))
    picture = light.picture(luma, (10, 29))
    # Codes are whole numbers: light is known to 2·√L/255, half of that at most; the root of 0.05 to a tenth more.
    assert picture[10:30] == pytest.approx(np.sqrt(0.8 * SCENE[10:30]), abs=0.012)
    assert np.all(picture[:10] == 0) and np.all(picture[30:] == 0)


def test_a_dark_place_is_left_as_it_is() -> None:
    light = flash_light(TABLE, kept(0.005))
    assert light.ambient is None
    picture = light.picture(coded(SCENE), (0, SHAPE[0] - 1))
    assert picture == pytest.approx(np.sqrt(SCENE), abs=0.003)


def test_ten_bits_are_looked_up_alike() -> None:
    table = (np.linspace(0, 1, 1024) ** 2).astype(np.float32)
    luma = np.round(1023 * np.sqrt(SCENE)).astype(np.uint16)
    assert flash_light(table, []).picture(luma, (0, 39)) == pytest.approx(np.sqrt(SCENE), abs=0.001)


def test_nothing_kept_or_nothing_dark() -> None:
    assert flash_light(TABLE, []).ambient is None
    always = [(coded(SCENE), np.zeros(40, bool), np.ones(40, bool))]
    assert flash_light(TABLE, always).ambient is None


def test_darker_than_the_place_is_no_negative_light() -> None:
    light = flash_light(TABLE, kept(0.2))
    assert np.all(light.picture(np.zeros(SHAPE, np.uint8), (0, 39)) == 0)


def test_rows_of_a_lit_picture() -> None:
    assert LitPicture(np.zeros(SHAPE, np.uint8), 3, 1, 4, 9).rows == (4, 9)


def test_rows_at_the_foot_stay_within_a_smaller_picture() -> None:
    """Nine rows make four of two each, and the ninth is left out."""
    small = LitPicture(np.zeros((9, 6), np.uint8), 0, 0, 8, 8).smaller(2)
    assert small.rows == (3, 3) and len(small.luma) == 4
