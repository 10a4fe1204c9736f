"""The rotor's plane from its turning: a photograph turned on a tilted plane, seen through a known pose."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_rotors import PRINCIPAL, SIZE, photo_rotor, pose
from photographs import noisy, photograph

from timingcam.seeing.pose import FOCAL_LOG_SD, Pose, ellipse_points, poses_of_ellipse
from timingcam.seeing.rigid import Evidence, refine_pose
from timingcam.seeing.shift import no_shift
from timingcam.seeing.strips import Grid, even_out, make_sampler, unwrap

TURNS = np.linspace(-25, 25, 12)
GRID = Grid(np.linspace(0.6, 0.97, 32), 1024)


def evidence(true: Pose, rows: tuple[int, int] = (0, SIZE[1] - 1), turns: np.ndarray = TURNS) -> Evidence:
    photo = photograph("gravel")
    pictures = [noisy(photo_rotor(true, photo, deg), 2.0, k) for k, deg in enumerate(turns)]

    def strips_of(trial: Pose) -> tuple[np.ndarray, np.ndarray]:
        sampler = make_sampler(GRID, trial)
        seen = [even_out(*unwrap(sampler, p, no_shift(true.centre_px), rows), GRID) for p in pictures]
        return np.stack([s for s, _ in seen]), np.stack([k for _, k in seen])

    return Evidence(strips_of, GRID, turns, rim_of(true)[3])


def rim_of(true: Pose) -> tuple[np.ndarray, tuple[float, float], float, np.ndarray]:
    """Centre, half axes, direction of the rim's ellipse, and points round it."""
    a = np.radians(np.arange(0, 360, 3))
    points = true.to_image(np.stack([np.cos(a), np.sin(a)], axis=1))
    (cx, cy), (d1, d2), angle = cv2.fitEllipseDirect((points - true.centre_px).astype(np.float32))
    centre, axes = true.centre_px + np.array([cx, cy]), (d1 / 2, d2 / 2)
    return centre, axes, angle, ellipse_points(centre, axes, angle)


def largest_error_deg(found: Pose, true: Pose) -> float:
    """Of an angle between any two places on the rim."""
    a = np.radians(np.arange(0, 360, 10))
    at = found.to_plane(true.to_image(0.95 * np.stack([np.cos(a), np.sin(a)], axis=1)))
    off = (np.arctan2(at[:, 1], at[:, 0]) - a + np.pi) % (2 * np.pi) - np.pi
    return float(np.degrees(np.ptp(off)))


@pytest.mark.parametrize(("tilt_deg", "toward_deg"), [(0.0, 0.0), (8.0, 200.0), (20.0, 60.0)], ids=str)
def test_from_the_ellipse_of_the_rim(tilt_deg: float, toward_deg: float) -> None:
    true = pose(tilt_deg, toward_deg, (330.0, 235.0), 170.0)
    centre, axes, angle, _ = rim_of(true)
    starts = poses_of_ellipse(centre, axes, angle, SIZE)
    right = min(starts, key=lambda start: float(np.hypot(*(start.lean_rad - true.lean_rad))))
    found, covariance, _ = refine_pose(right.moved(np.array([0.008, -0.006, 0.0, 0.03, -0.02, 0.0])), evidence(true))
    # A tenth of a pixel at the rim is 0.03 degrees. Rim and turning together are stated to 0.002 radii or so.
    assert largest_error_deg(found, true) < 0.1
    assert np.hypot(*(found.centre_px - true.centre_px)) < 0.002 * true.size_px
    assert np.degrees(np.hypot(*(found.lean_rad - true.lean_rad))) < 1.0
    off = np.array([*(found.centre_px - true.centre_px) / true.size_px, *(found.lean_rad - true.lean_rad)])
    sd = np.sqrt(np.diag(covariance))[[0, 1, 3, 4]]
    assert np.all(np.abs(off) < 4 * sd)


def test_a_start_beside_the_truth() -> None:
    """Centre 2 % of the radius aside and 6 degrees of tilt too little."""
    true = pose(15.0, 130.0, (330.0, 235.0), 170.0)
    start = Pose(true.centre_px + np.array([3.0, -2.0]), 172.0, true.lean_rad * 0.6, true.focal_px, PRINCIPAL)
    found, _, _ = refine_pose(start, evidence(true))
    assert largest_error_deg(found, true) < 0.1


def test_without_turning_the_rim_alone() -> None:
    """No flashes: the pose is that of the ellipse, and its doubt of the lens's focal length stays what it was."""
    true = pose(12.0, 40.0, (330.0, 235.0), 170.0)
    none = np.zeros((0, len(GRID.radii), GRID.n_angles))
    shown = Evidence(lambda _: (none, none.astype(bool)), GRID, np.zeros(0), rim_of(true)[3])
    start = Pose(true.centre_px + np.array([0.5, 0.3]), 170.5, true.lean_rad * 1.05, true.focal_px, PRINCIPAL)
    found, covariance, _ = refine_pose(start, shown)
    assert largest_error_deg(found, true) < 0.3
    assert np.sqrt(covariance[5, 5]) == pytest.approx(FOCAL_LOG_SD, rel=0.1)


def test_bands_of_rows_do_as_well() -> None:
    true = pose(12.0, 250.0, (330.0, 235.0), 170.0)
    found, _, _ = refine_pose(true.moved(np.array([0.01, -0.005, 0, 0.03, 0.02, 0])), evidence(true, (90, 260)))
    # Two fifths of the rotor: twice the tolerance.
    assert largest_error_deg(found, true) < 0.2


def circle_of(true: Pose, radius: float, height: float = 0.0, aside: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Points of a circle's picture: about the axis at a height over the rotor's plane, or aside of it."""
    a = np.radians(np.arange(0, 360, 10))
    at = radius * np.stack([np.cos(a), np.sin(a)], axis=1) + np.array(aside)
    m = true.matrix_to_image(height)
    out = at @ m[:, :2].T + m[:, 2]
    return out[:, :2] / out[:, 2:]


def standing(true: Pose, *circles_px: np.ndarray) -> Evidence:
    none = np.zeros((0, len(GRID.radii), GRID.n_angles))
    return Evidence(lambda _: (none, none.astype(bool)), GRID, np.zeros(0), rim_of(true)[3], circles_px)


def test_circles_of_other_sizes_tell_the_tilt() -> None:
    """From a lean of 6 degrees where it is 4: the rim's shape alone hardly tells, the circles' middles do."""
    true = pose(4.0, 60.0, (330.0, 235.0), 170.0)
    start = Pose(true.centre_px + np.array([0.8, -0.6]), 170.5, 1.5 * true.lean_rad, true.focal_px, PRINCIPAL)
    alone = refine_pose(start, standing(true))
    with_circles = refine_pose(start, standing(true, circle_of(true, 0.4), circle_of(true, 1.25)))
    lean_sd = [float(np.sqrt(np.trace(covariance[3:5, 3:5]))) for _, covariance, _ in (alone, with_circles)]
    assert lean_sd[1] < lean_sd[0]
    # Drawn without noise: to a tenth of what is stated.
    off = float(np.hypot(*(with_circles[0].lean_rad - true.lean_rad)))
    assert off < 0.1 * lean_sd[1]


def test_what_is_no_circle_about_the_axis_says_nothing() -> None:
    """A hole in the case, a fifth of the radius aside: some thirty of its sds."""
    true = pose(10.0, 200.0, (330.0, 235.0), 170.0)
    good = circle_of(true, 0.5)
    plain, _, _ = refine_pose(true, standing(true, good))
    beside, covariance, _ = refine_pose(true, standing(true, good, circle_of(true, 0.5, aside=(0.2, 0.0))))
    off = np.array([*(beside.centre_px - plain.centre_px) / true.size_px, *(beside.lean_rad - plain.lean_rad)])
    sd = np.sqrt(np.diag(covariance))[[0, 1, 3, 4]]
    # Of a pull of q sds Cauchy's weight leaves q/(1 + q²/4²), at thirty and more less than half of one sd.
    assert np.all(np.abs(off) < 0.5 * sd)


@pytest.mark.parametrize("radius", [0.25, 0.5, 1.2])
def test_a_circle_a_little_off_the_plane_is_within_its_doubt(radius: float) -> None:
    """A hub's step 3 hundredths of the rim's radius high, which is one sd of what is allowed for, whatever its size."""
    true = pose(10.0, 200.0, (330.0, 235.0), 170.0)
    found, covariance, _ = refine_pose(true, standing(true, circle_of(true, radius, height=0.03)))
    off = np.array([*(found.centre_px - true.centre_px) / true.size_px, *(found.lean_rad - true.lean_rad)])
    assert np.all(np.abs(off) < 1.5 * np.sqrt(np.diag(covariance))[[0, 1, 3, 4]])


def test_an_arc_put_together_from_several_things_counts_for_little() -> None:
    """Through a hole: five arcs about a centre outside of the picture, one of them out of round."""
    true = Pose(np.array([320.0, 850.0]), 520.0, np.array([-0.19, 0.79]), 640.0, PRINCIPAL)
    a = np.radians(np.linspace(-110, -70, 60))
    unit = np.stack([np.cos(a), np.sin(a)], axis=1)
    rng = np.random.default_rng(3)
    arcs = [true.to_image(r * unit) + rng.normal(0, 0.1, unit.shape) for r in (0.78, 0.86, 0.93, 0.98)]
    bad = true.to_image((0.82 + 0.01 * np.sin(2.2 * (a + np.pi / 2) + 0.7))[:, None] * unit)
    start = true.moved(np.array([0.03, -0.03, 0.0, 0.1, 0.05, 0.0]))

    def off_rel(arcs_px: list[np.ndarray]) -> float:
        hold = np.diag([*[1 / 0.02**2] * 2, 1e8, *[1 / 0.2**2] * 2, 0])
        none = np.zeros((0, 2))
        seen = Evidence(lambda _: (none, none), GRID, np.zeros(0), none, (), tuple(arcs_px), hold)
        at = refine_pose(start, seen)[0].to_plane(true.to_image(0.9 * unit[[0, -1]]))
        return float(np.ptp(np.arctan2(at[:, 1], at[:, 0])) / np.ptp(a)) - 1

    # Without it they differ from the truth by what the arcs and the start leave open.
    assert abs(off_rel([*arcs, bad]) - off_rel(arcs)) < 0.01
