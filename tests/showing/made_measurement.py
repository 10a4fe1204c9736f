"""A believable measurement, made without a clip: the numbers and the little pictures are drawn here."""

from __future__ import annotations

import cv2
import numpy as np

from timingcam.engine import Crank, Cylinder, Engine, Rotor, RotorMark, Spec
from timingcam.reckoning.checks import checks
from timingcam.reckoning.curve import OFF_THE_CURVE
from timingcam.reckoning.result import (
    BudgetRow,
    CameraFacts,
    ClipFacts,
    Curve,
    Estimate,
    Measurement,
    Pictures,
    Readings,
    StrobeFacts,
)

MARKS = (("N", 0.0), ("A", 9.0), ("Z", 31.0))
INDEX_DEG = -62.0  # in the rotor plane, clockwise from the picture's right
CENTRE_PX = (402.0, 322.0)
RADIUS_PX = 210.0
CROP_SCALE = 2.4


def make_engine(*, spec: bool = True) -> Engine:
    return Engine(
        format=1,
        name="Test twin 415",
        crank=Crank(strokes=4, sparks_per_rev=1.0, idle_rpm=1000, max_rpm=7500),
        cylinder=(Cylinder(name="left", tdc_deg=0.0), Cylinder(name="right", tdc_deg=360.0)),
        rotor=Rotor(
            turns="clockwise",
            rim_diameter_mm=96.0,
            index_above_mm=1.5,
            index_above_sd_mm=0.5,
            mark=tuple(RotorMark(name=n, cylinder=("left", "right"), btdc_deg=b) for n, b in MARKS),
        ),
        spec=Spec(
            curve=((1000.0, 9.0), (1500.0, 9.0), (3600.0, 31.0), (7500.0, 31.0)),
            tolerance_deg=2.0,
            full_advance_max_deg=33.0,
            left_right_deg=1.5,
            scatter_deg=1.0,
            hysteresis_deg=1.5,
        )
        if spec
        else None,
    )


def true_advance_deg(rpm: np.ndarray, shift_deg: float = 0.0, full_deg: float = 31.0) -> np.ndarray:
    return np.interp(rpm, [1500.0, 3600.0], [9.0 + shift_deg, full_deg + shift_deg])


def make_readings(n: int, rng: np.random.Generator, shift_deg: float, full_deg: float = 31.0) -> Readings:
    time_s = np.sort(rng.uniform(0.0, 16.0, n))
    rpm = np.interp(time_s, [0, 2, 8, 14, 16], [1080, 1080, 5600, 1080, 1080]) + rng.normal(0, 3, n)
    advance = true_advance_deg(rpm, shift_deg, full_deg) + rng.normal(0, 0.35, n)
    sticking = (time_s > 8) & (time_s < 14) & (rpm > 1500) & (rpm < 3600)
    advance += np.where(sticking, 0.8, 0.0)
    used = np.ones(n, dtype=bool)
    reason = [""] * n
    for i in rng.choice(n, max(n // 25, 2), replace=False):
        used[i] = False
        reason[i] = "marks not lit"
        advance[i] = np.nan
    for i in rng.choice(np.flatnonzero(used), max(n // 40, 2), replace=False):
        used[i] = False
        reason[i] = OFF_THE_CURVE
        advance[i] += rng.choice([-6.0, 7.0])
    return Readings(
        time_s=time_s,
        rpm=rpm,
        rpm_sd=np.full(n, 2.5),
        advance_deg=advance,
        advance_sd_deg=rng.uniform(0.08, 0.2, n),
        used=used,
        reason=tuple(reason),
        frame=(time_s * 60).astype(np.int64),
    )


def make_pictures(readings: Readings, rng: np.random.Generator, n_crops: int = 30) -> Pictures:
    n = len(readings)
    to_rotor = np.empty((n, 3, 3))
    tilt = np.diag([1.0, 1 / np.cos(np.radians(12.0)), 1.0])
    for i in range(n):
        shake = rng.normal(0, 3.0, 2)
        move = np.array([[1, 0, -(CENTRE_PX[0] + shake[0])], [0, 1, -(CENTRE_PX[1] + shake[1])], [0, 0, 1.0]])
        to_rotor[i] = np.diag([1 / RADIUS_PX, 1 / RADIUS_PX, 1.0]) @ tilt @ move
    # A mark past the index by δ = btdc − advance, in the clockwise turning direction in which these angles grow.
    mark_deg = np.array([b for _, b in MARKS])
    rotor_deg = INDEX_DEG - readings.advance_deg
    crop_of = np.unique(np.linspace(0, n - 1, n_crops).astype(int))
    size = round(2.3 * RADIUS_PX / CROP_SCALE)
    origin = np.tile(np.array(CENTRE_PX) - size * CROP_SCALE / 2, (len(crop_of), 1))
    radius = np.tile([0.72, 0.97], (len(MARKS), 1))
    crops = np.stack(
        [_draw_crop(to_rotor[i], rotor_deg[i], mark_deg, radius, origin[k], size, rng) for k, i in enumerate(crop_of)]
    )
    x, y = _to_image(to_rotor[0], INDEX_DEG, 1.03)
    return Pictures(
        frame=readings.frame,
        row_first=np.zeros(n, dtype=np.int64),
        row_last=np.full(n, 719, dtype=np.int64),
        to_rotor=to_rotor,
        rotor_deg=rotor_deg,
        mark_names=tuple(name for name, _ in MARKS),
        mark_deg=mark_deg,
        mark_radius=radius,
        index_deg=INDEX_DEG,
        index_radius=1.03,
        index_px=(x, y),
        crop_of=crop_of,
        crops=crops,
        crop_origin_px=origin,
        crop_scale=CROP_SCALE,
    )


def make_measurement(
    *,
    n: int = 420,
    seed: int = 7,
    cylinder: str = "left",
    shift_deg: float = 0.0,
    full_deg: float = 31.0,
    spec: bool = True,
) -> Measurement:
    rng = np.random.default_rng(seed)
    readings = make_readings(n, rng, shift_deg, full_deg)
    grid = np.linspace(1075.0, 5610.0, 120)
    advance = true_advance_deg(grid, shift_deg, full_deg)
    low = Estimate(9.0 + shift_deg, 0.14, 8.72 + shift_deg, 9.28 + shift_deg)
    full = Estimate(full_deg + shift_deg, 0.16, full_deg - 0.32 + shift_deg, full_deg + 0.32 + shift_deg)
    engine = make_engine(spec=spec)
    curve = Curve(
        low_speed_advance_deg=low,
        full_advance_deg=full,
        starts_rpm=Estimate(1500.0, 21.0, 1452.0, 1541.0),
        full_rpm=Estimate(3600.0, 19.0, 3563.0, 3637.0),
        slope_deg_per_1000rpm=Estimate(10.48, 0.09, 10.30, 10.66),
        scatter_deg=Estimate(0.37, 0.02, 0.34, 0.41),
        hysteresis_deg=Estimate(0.8, 0.05, 0.7, 0.9),
        grid_rpm=grid,
        grid_advance_deg=advance,
        grid_random_sd_deg=np.full(120, 0.05),
        grid_sd_deg=np.full(120, 0.15),
        fit="flat-rise-flat",
    )
    return Measurement(
        clip=ClipFacts("left-sweep.mp4", "3f" * 32, 960, 16.0, 1280, 720, 59.94, None),
        engine=engine,
        cylinder=cylinder,
        cylinder_identity="assumed",
        camera=CameraFacts(11.3e-6, 1 / 240, 12.0, CENTRE_PX, RADIUS_PX),
        strobe=StrobeFacts(0.0, 30e-6, 10e-6, Estimate(22e-6, 9e-6, 4e-6, 40e-6), n, int(readings.used.sum())),
        rpm_source="flashes",
        readings=readings,
        curve=curve,
        budget=(
            BudgetRow("angle of a single flash", 0.12, "deg", "random", 0.12),
            BudgetRow("where the index is", 0.09, "deg", "systematic", 0.09),
            BudgetRow("the mark's own position", 0.10, "deg", "systematic", 0.10),
            BudgetRow("height of the index", 0.5, "mm", "systematic", 0.07),
            BudgetRow("tilt of the camera", 1.0, "deg", "systematic", 0.03),
            BudgetRow("delay of the strobe", 10.0, "us", "systematic", 0.02),
        ),
        checks=checks(engine, cylinder, readings, curve) if spec else (),
        warnings=("The cylinder was assumed from the command, not seen: both cylinders share the marks.",),
        pictures=make_pictures(readings, rng),
    )


def _to_image(to_rotor: np.ndarray, angle_deg: float, radius: float) -> tuple[float, float]:
    a = np.radians(angle_deg)
    p = np.linalg.inv(to_rotor) @ [radius * np.cos(a), radius * np.sin(a), 1.0]
    return float(p[0] / p[2]), float(p[1] / p[2])


def _draw_crop(
    to_rotor: np.ndarray,
    rotor_deg: float,
    mark_deg: np.ndarray,
    radius: np.ndarray,
    origin: np.ndarray,
    size: int,
    rng: np.random.Generator,
) -> np.ndarray:
    canvas = np.full((size, size), 40, dtype=np.uint8)

    def point(angle: float, r: float) -> tuple[int, int]:
        x, y = _to_image(to_rotor, angle, r)
        return round((x - origin[0]) / CROP_SCALE), round((y - origin[1]) / CROP_SCALE)

    rim = np.array([point(a, 1.0) for a in range(0, 360, 4)])
    cv2.fillPoly(canvas, [rim], 120, cv2.LINE_AA)
    hub = np.array([point(a, 0.3) for a in range(0, 360, 8)])
    cv2.fillPoly(canvas, [hub], 80, cv2.LINE_AA)
    if np.isfinite(rotor_deg):
        for angle, (inner, outer) in zip(mark_deg, radius, strict=True):
            cv2.line(canvas, point(angle + rotor_deg, inner), point(angle + rotor_deg, outer), 235, 2, cv2.LINE_AA)
        for bolt in (100.0, 190.0, 285.0):
            cv2.circle(canvas, point(bolt + rotor_deg, 0.55), 5, 55, -1, cv2.LINE_AA)
    cv2.line(canvas, point(INDEX_DEG, 1.03), point(INDEX_DEG, 1.15), 250, 2, cv2.LINE_AA)
    noisy = canvas + rng.normal(0, 6, canvas.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)
