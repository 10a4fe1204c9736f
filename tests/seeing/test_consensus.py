"""The ellipse that most edge points agree on, among others a few pixels beside it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timingcam.seeing.consensus import OFF_PX, agreed_ellipse

AROUND = np.radians(np.arange(0.0, 360.0, 1.0))


def shaped(long_px: float, short_px: float, angle_deg: float) -> np.ndarray:
    a = np.radians(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return turn @ np.diag([long_px, short_px]) @ turn.T


def edge(centre: np.ndarray, shape: np.ndarray, angle: np.ndarray = AROUND) -> tuple[np.ndarray, np.ndarray]:
    """Points of an ellipse, and normals that point outwards."""
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    normal = circle @ np.linalg.inv(shape)
    return centre + circle @ shape, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def joined(*edges: tuple[np.ndarray, np.ndarray], noise_px: float = 0.3) -> tuple[np.ndarray, np.ndarray]:
    xy, normal = (np.concatenate(part) for part in zip(*edges, strict=True))
    return xy + noise_px * np.random.default_rng(1).standard_normal(xy.shape), normal


def worst_px(found: tuple[np.ndarray, np.ndarray], true: tuple[np.ndarray, np.ndarray]) -> float:
    """How far points of the one ellipse lie off the other."""
    at = (edge(*found)[0] - true[0]) @ np.linalg.inv(true[1])
    return float(np.abs(np.linalg.norm(at, axis=1) - 1).max() * np.sqrt(np.linalg.det(true[1])))


@settings(max_examples=25, deadline=None)
@given(st.floats(120.0, 260.0), st.floats(0.78, 1.0), st.floats(0.0, 180.0), st.floats(-4.0, 4.0), st.floats(-4.0, 4.0))
def test_of_several_beside_it_the_whole_one_is_found(
    long_px: float, flat: float, angle_deg: float, off_x: float, off_y: float
) -> None:
    """A rim all round, a gap and a step six pixels beside it in parts, and the rough ellipse somewhere between."""
    centre = np.array([343.0, 254.0])
    true = centre, shaped(long_px, flat * long_px, angle_deg)
    others = [
        edge(centre + np.array([off_x, off_y]) / 2, (1 + (6.0 - 12.0 * k) / long_px) * true[1], AROUND[k * 110 :][:140])
        for k in range(2)
    ]
    found = agreed_ellipse(*joined(edge(*true), *others), centre + np.array([-off_x, 3.0]), 1.02 * true[1])
    assert found is not None
    # Each of six points of it scatters by 0.3 pixels, which the ellipse does more between them.
    assert worst_px(found, true) < OFF_PX


def test_half_of_an_ellipse_is_enough_and_less_is_none() -> None:
    true = np.array([300.0, 200.0]), shaped(150.0, 130.0, 20.0)
    most = edge(*true, AROUND[:320])
    found = agreed_ellipse(*joined(most), *true)
    assert found is not None and worst_px(found, true) < 2 * OFF_PX
    assert agreed_ellipse(*joined(edge(*true, AROUND[:150])), *true) is None


def test_edges_that_face_the_other_way_are_no_edge_of_it() -> None:
    true = np.array([300.0, 200.0]), shaped(150.0, 130.0, 20.0)
    xy, normal = joined(edge(*true))
    assert agreed_ellipse(xy, -normal, *true) is None


def test_it_is_the_same_each_time() -> None:
    true = np.array([300.0, 200.0]), shaped(150.0, 130.0, 20.0)
    points = joined(edge(*true), edge(true[0] + 2.0, 1.03 * true[1]), noise_px=0.6)
    first, second = (agreed_ellipse(*points, *true) for _ in range(2))
    assert first is not None and second is not None
    assert np.array_equal(first[0], second[0]) and np.array_equal(first[1], second[1])


@pytest.mark.parametrize("n", [0, 5])
def test_too_few_points(n: int) -> None:
    xy, normal = edge(np.zeros(2), shaped(100.0, 90.0, 0.0), AROUND[:n])
    assert agreed_ellipse(xy, normal, np.zeros(2), shaped(100.0, 90.0, 0.0)) is None
