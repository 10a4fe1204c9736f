"""A lamp among things that are none, in small pictures made for it."""

from __future__ import annotations

import numpy as np
import pytest

from timingcam.seeing.lamp import lamp_places

H, W, N = 90, 160, 200
ALLOWED = np.ones((H, W), bool)
ALLOWED[25:65, 60:100] = False  # the rotor


@pytest.fixture
def scene() -> np.ndarray:
    rng = np.random.default_rng(4)
    background = rng.uniform(0.2, 0.5, (H, W))
    return (background + 0.01 * rng.standard_normal((N, H, W))).astype(np.float32)


def lit(scene: np.ndarray, at: tuple[int, int], when: np.ndarray, step: float = 0.5) -> None:
    scene[:, at[0] - 2 : at[0] + 3, at[1] - 2 : at[1] + 3] += (step * when)[:, None, None].astype(np.float32)


def passes() -> np.ndarray:
    when = np.zeros(N)
    when[40:80] = when[120:150] = 1.0
    return when


def test_the_lamp_is_found(scene: np.ndarray) -> None:
    lit(scene, (20, 130), passes())
    best = lamp_places(scene, ALLOWED)[0]
    assert best.xy == pytest.approx([130, 20], abs=0.3)
    assert best.lit.sum() == 70


def test_nothing_lights(scene: np.ndarray) -> None:
    assert lamp_places(scene, ALLOWED) == []


def test_what_flickers_is_no_lamp(scene: np.ndarray) -> None:
    lit(scene, (20, 130), (np.arange(N) % 3 == 0).astype(float))
    assert lamp_places(scene, ALLOWED) == []


def test_light_on_the_rotor_is_no_lamp(scene: np.ndarray) -> None:
    lit(scene, (45, 80), passes())
    assert lamp_places(scene, ALLOWED) == []


def test_what_wanders_has_no_two_levels(scene: np.ndarray) -> None:
    lit(scene, (20, 130), 0.5 + 0.5 * np.sin(np.arange(N) / 15.0))
    assert lamp_places(scene, ALLOWED) == []


def test_a_hand_that_crosses_is_no_lamp(scene: np.ndarray) -> None:
    rng = np.random.default_rng(5)
    hand = rng.uniform(0.6, 0.9, (60, 40))
    for i in range(60, 140):
        across = int(40 * np.sin(np.pi * (i - 60) / 80))
        scene[i, H - 60 :, W - across :] = hand[:, :across] if across else scene[i, H - 60 :, W:]
    assert lamp_places(scene, ALLOWED) == []


def test_lamp_and_hand(scene: np.ndarray) -> None:
    lit(scene, (20, 20), passes())
    rng = np.random.default_rng(5)
    hand = rng.uniform(0.6, 0.9, (60, 40))
    for i in range(60, 140):
        across = int(40 * np.sin(np.pi * (i - 60) / 80))
        if across:
            scene[i, H - 60 :, W - across :] = hand[:, :across]
    assert lamp_places(scene, ALLOWED)[0].xy == pytest.approx([20, 20], abs=0.3)


def test_glare_burns_with_its_lamp(scene: np.ndarray) -> None:
    lit(scene, (20, 130), passes())
    lit(scene, (70, 20), passes(), 0.2)
    first, second = lamp_places(scene, ALLOWED)
    assert first.xy == pytest.approx([130, 20], abs=0.3)
    assert (first.lit == second.lit).all()
