"""What stands still round the rotor: housing, index, cover with its timing hole.

In:  `Scene`, `View`.
Out: `Sheet`s on planes parallel to the rotor's, lowest first.
Not here: the rotor itself, light.
"""

from __future__ import annotations

import math

import numpy as np

from timingcam.staging.camera import View, apply, on_clock
from timingcam.staging.canvas import Canvas, Sheet, bar, disc, grain, lit_rim, polygon, rough_line
from timingcam.staging.scene import Scene

FINER = 1.5
WIDTH_SHARE = 0.42  # width of a marked edge, of the rotor's radius: as edge.py draws it
INDEX_FINER = 2.5
EDGE_FACE_MM = 0.5  # height of the case over the edge where it faces the camera
WIDEST_RADII = 5.0  # beyond this many rotor radii nothing is drawn: only a grazing view looks there


def standing_sheets(scene: Scene, seen: View) -> list[Sheet]:
    """Draw all that stands still.

    Parameters
    ----------
    scene : Scene
    seen : View

    Returns
    -------
    list of Sheet, lowest first
    """
    rng = np.random.default_rng([scene.seed, 6])
    fine = seen.focal_px / seen.distance_mm
    if scene.engine.rotor.marks_on == "edge":
        return [_slot(scene, seen, fine, rng), _shadow(scene, fine), _pointer(scene, fine, rng)]
    if scene.stator.window:
        return [_cover(scene, seen, fine, rng)]
    sheets = [_housing(scene, seen, fine, rng)]
    if scene.stator.index == "pointer":
        sheets += [_shadow(scene, fine), _pointer(scene, fine, rng)]
    return sorted(sheets, key=lambda sheet: sheet.height_mm)


def face_above_mm(scene: Scene) -> float:
    """Height of the housing's face over the marks' plane, mm."""
    if scene.stator.index != "pointer":
        return scene.index_above_mm
    if scene.stator.face_above_mm is not None:
        return scene.stator.face_above_mm
    return scene.index_above_mm - 1.5


def window_centre_mm(scene: Scene) -> tuple[float, float]:
    """Middle of the timing hole: over the outer ends of the marks, at the index's clock direction."""
    rim = scene.engine.rotor.rim_diameter_mm / 2
    return on_clock(0.86 * rim, scene.stator.index_at_deg)


def index_tip_mm(scene: Scene) -> tuple[float, float]:
    """The index's end nearest the marks, on its own plane."""
    rim = scene.engine.rotor.rim_diameter_mm / 2
    if scene.engine.rotor.marks_on == "edge":
        radius = WIDTH_SHARE * rim / 2 - 0.6  # overlaps the marks' ends a little
    elif scene.stator.window:
        radius = 0.86 * rim + window_mm(scene) / 2 - 0.2
    elif scene.stator.index == "pointer":
        radius = rim * 0.985
    else:
        radius = rim + scene.stator.gap_mm + 0.1
    return on_clock(radius, scene.stator.index_at_deg)


def window_mm(scene: Scene) -> float:
    """Diameter of the timing hole."""
    return scene.engine.rotor.window_mm or 26.0


def _canvas_for(scene: Scene, seen: View, fine: float, height_mm: float) -> Canvas:
    rim = scene.engine.rotor.rim_diameter_mm / 2
    back = np.linalg.inv(seen.plane_to_shown(height_mm, 0.0))
    w, h = seen.shown_size
    shake = seen.camera.shake
    drifted = max(abs(rate) for rate in shake.drift_px_per_s) * scene.run.duration_s
    spare = (
        6 + drifted + 4 * (shake.turn_px + shake.sway_mm * fine) + 4 * (shake.breathing_share + shake.roll_deg / 57) * w
    )
    corners = [apply(back, x, y) for x in (-spare, w + spare) for y in (-spare, h + spare)]
    x, y = np.clip(np.array(corners).T, -WIDEST_RADII * rim, WIDEST_RADII * rim)
    sharp = FINER * fine
    columns = math.ceil((x.max() - x.min()) * sharp / 2) * 2
    rows = math.ceil((y.max() - y.min()) * sharp / 2) * 2
    return Canvas(columns, rows, sharp, float(x.min()), float(y.min()))


def _housing(scene: Scene, seen: View, fine: float, rng: np.random.Generator) -> Sheet:
    rim = scene.engine.rotor.rim_diameter_mm / 2
    bore = rim + scene.stator.gap_mm
    canvas = _canvas_for(scene, seen, fine, face_above_mm(scene))
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    radius = np.hypot(x, y)
    outline = radius - (1.42 * rim + 0.05 * rim * np.sin(3 * np.arctan2(y, x) + rng.uniform(0, 6)))
    # Below the housing's flange: crankcase and frame, darker, oily, lit less since they lie deeper.
    canvas.lay(whole, 1.0, (0.075, 0.072, 0.07))
    canvas.shade(whole, np.clip(1 + 0.25 * grain(x, y, 3.0, rng) + 0.5 * grain(x, y, 60.0, rng, 3), 0.2, 3))
    for k in range(7):
        fin = bar(x, y, (-9 * rim, (1.15 + 0.17 * k) * rim), (9 * rim, (1.22 + 0.17 * k) * rim), 0.055 * rim)
        canvas.lay(whole, canvas.edge(fin) * 0.8, 0.16)
    flange = canvas.edge(outline)
    canvas.shade(whole, 1 - 0.7 * np.exp(-((np.maximum(outline, 0) / 5.0) ** 2)) * (1 - flange))
    canvas.lay(whole, flange, (0.215, 0.215, 0.21))
    fine_grain = 0.12 * grain(x, y, 0.8, rng, 3) + 0.05 * grain(x, y, 3.0, rng, 2) + 0.16 * grain(x, y, 35.0, rng)
    canvas.shade(whole, 1 + flange * fine_grain)
    from_axis = np.maximum(radius, 1e-9)  # the axis itself has no direction
    light, away = on_clock(1.0, scene.light.from_deg), (x / from_axis, y / from_axis)
    canvas.shade(whole, lit_rim(outline, away, light, 0.9))
    land = canvas.edge(radius - bore - 4.5)
    canvas.lay(whole, land, 0.33)
    # Machined with a facing cutter: fine rings that shine in line with the lamp.
    shine = 0.35 * (2 * (away[0] * light[0] + away[1] * light[1]) ** 2 - 1)
    canvas.shade(whole, 1 + land * (0.09 * rough_line(radius, 1.2, rng, 4) + shine))
    canvas.shade(whole, lit_rim(bore - radius, (-away[0], -away[1]), light, 0.35))
    for at, width, depth in ((bore + 4.5, 0.35, 0.45), (bore, 0.4, 0.35)):
        canvas.shade(whole, 1 - depth * np.exp(-(((radius - at) / width) ** 2)))
    _screws(canvas, scene, rim, rng)
    if scene.stator.pickup:
        _pickup(canvas, scene, bore, rng)
    stain = np.clip(grain(x, y, 30.0, rng, 5) * 0.5, 0, 0.8) * (0.3 + scene.rotor.dirt)
    canvas.lay(whole, stain, (0.075, 0.055, 0.035))
    _cut_index(canvas, scene)
    canvas.cover *= 1 - canvas.edge(radius - bore)
    if scene.stator.index == "notch":
        _notch(canvas, index_tip_mm(scene), scene.stator.index_at_deg)
    return canvas.finished(fine, face_above_mm(scene))


def _screws(canvas: Canvas, scene: Scene, rim: float, rng: np.random.Generator) -> None:
    start = rng.uniform(20, 340)
    for k in range(scene.stator.screws):
        clock = start + 360 * k / scene.stator.screws + rng.uniform(-4, 4)
        if abs((clock - scene.stator.index_at_deg + 180) % 360 - 180) < 16:
            continue
        at = on_clock(1.30 * rim, clock)
        _screw(canvas, scene, at, rng)


def _screw(canvas: Canvas, scene: Scene, at: tuple[float, float], rng: np.random.Generator) -> None:
    rim, light = scene.engine.rotor.rim_diameter_mm / 2, on_clock(1.0, scene.light.from_deg)
    near = canvas.near(*at, 0.18 * rim)
    x, y = canvas.place(near)
    boss, head = disc(x, y, at, 0.095 * rim), disc(x, y, at, 0.065 * rim)
    away = (x - at[0]) / (boss + 0.095 * rim + 1e-6), (y - at[1]) / (boss + 0.095 * rim + 1e-6)
    thrown = disc(x + np.float32(1.3 * light[0]), y + np.float32(1.3 * light[1]), at, 0.095 * rim)
    canvas.shade(near, 1 - 0.5 * np.clip(0.5 - thrown / 1.2, 0, 1) * (1 - canvas.edge(boss)))
    canvas.lay(near, canvas.edge(boss), 0.27)
    canvas.shade(near, lit_rim(boss, away, light, 0.4))
    thrown = disc(x + np.float32(0.8 * light[0]), y + np.float32(0.8 * light[1]), at, 0.065 * rim)
    canvas.shade(near, 1 - 0.45 * np.clip(0.5 - thrown / 0.8, 0, 1) * (1 - canvas.edge(head)))
    canvas.lay(near, canvas.edge(head), 0.40)
    canvas.shade(near, lit_rim(head, away, light, 0.45))
    way = rng.uniform(0, math.pi)
    d = 0.06 * rim * math.cos(way), 0.06 * rim * math.sin(way)
    slot = bar(x, y, (at[0] - d[0], at[1] - d[1]), (at[0] + d[0], at[1] + d[1]), 0.9)
    canvas.lay(near, canvas.edge(np.maximum(slot, head + 0.3)), 0.025)


def _pickup(canvas: Canvas, scene: Scene, bore: float, rng: np.random.Generator) -> None:
    """A trigger coil's dark plastic block on the housing, away from the index, with its lead."""
    clock = scene.stator.index_at_deg + rng.uniform(110, 250)
    a = math.radians(clock)
    near = canvas.near(*on_clock(bore + 10, clock), 26)
    x, y = canvas.place(near)
    block = bar(x, y, on_clock(bore + 1.0, clock), on_clock(bore + 12, clock), 17)
    canvas.shade(near, 1 - 0.6 * np.exp(-((np.maximum(block, 0) / 1.5) ** 2)))
    canvas.lay(near, canvas.edge(block), (0.035, 0.033, 0.036))
    canvas.shade(near, 1 + 1.2 * np.exp(-(((block + 0.5) / 0.3) ** 2)))
    for side in (-5.6, 5.6):
        at = on_clock(bore + 7, clock)
        at = at[0] + side * math.cos(a), at[1] + side * math.sin(a)
        canvas.lay(near, canvas.edge(disc(x, y, at, 1.7)), 0.45)
    lead = bar(x, y, on_clock(bore + 12, clock), on_clock(bore + 26, clock + 8), 2.4)
    canvas.lay(near, canvas.edge(lead), (0.05, 0.05, 0.05))


def _cut_index(canvas: Canvas, scene: Scene) -> None:
    if scene.stator.index != "line":
        return
    clock, (tx, ty) = scene.stator.index_at_deg, index_tip_mm(scene)
    tip = math.hypot(tx, ty)
    near = canvas.near(*on_clock(tip + 3, clock), 9)
    x, y = canvas.place(near)
    # The cut runs on past the bore's edge, which then ends it square.
    away = bar(x, y, on_clock(tip - 2, clock), on_clock(tip + 6.5, clock), 0.8)
    canvas.lay(near, canvas.edge(away), 0.035)
    canvas.shade(near, 1 + 0.3 * np.exp(-(((away - 0.22) / 0.16) ** 2)))


def _notch(canvas: Canvas, tip: tuple[float, float], clock_deg: float, deep_mm: float = 3.2) -> None:
    """Cut a V out of an edge; its middle is the index."""
    radius = math.hypot(*tip)
    near = canvas.near(*tip, deep_mm + 3)
    x, y = canvas.place(near)
    half = math.degrees(1.5 / radius)
    corners = [
        on_clock(radius - 0.8, clock_deg - half * 1.25),
        on_clock(radius + deep_mm, clock_deg),
        on_clock(radius - 0.8, clock_deg + half * 1.25),
    ]
    canvas.cover[near] *= 1 - canvas.edge(polygon(x, y, corners))


def _index_canvas(scene: Scene, fine: float) -> Canvas:
    tip = index_tip_mm(scene)
    rim = math.hypot(*tip)
    middle = on_clock(rim + 9, scene.stator.index_at_deg)
    sharp, half = INDEX_FINER * fine, 19.0
    size = math.ceil(2 * half * sharp / 2) * 2
    return Canvas(size, size, sharp, middle[0] - half, middle[1] - half)


def _pointer_corners(scene: Scene) -> list[tuple[float, float]]:
    clock = scene.stator.index_at_deg
    tip = math.hypot(*index_tip_mm(scene))

    def at(out: float, across: float) -> tuple[float, float]:
        x, y = on_clock(tip + out, clock)
        a = math.radians(clock)
        return x + across * math.cos(a), y + across * math.sin(a)

    return [at(0, 0.0), at(7.0, -3.6), at(20.0, -5.2), at(20.0, 5.2), at(7.0, 3.6)]


def _pointer(scene: Scene, fine: float, rng: np.random.Generator) -> Sheet:
    canvas = _index_canvas(scene, fine)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    shape = polygon(x, y, _pointer_corners(scene))
    canvas.lay(whole, 1.0, (0.50, 0.50, 0.49))
    canvas.shade(whole, 1 + 0.06 * grain(x, y, 2.0, rng, 4) + 0.05 * rough_line(x, 1.5, rng, 4))
    canvas.shade(whole, 1 + 0.30 * np.exp(-(((shape + 0.35) / 0.22) ** 2)))
    canvas.shade(whole, 1 - 0.45 * np.exp(-((shape / 0.14) ** 2)))
    tip = math.hypot(*index_tip_mm(scene))
    clock = scene.stator.index_at_deg
    away = bar(x, y, on_clock(tip - 1, clock), on_clock(tip + 7.5, clock), 0.55)
    canvas.lay(whole, canvas.edge(away), 0.05)
    screw = on_clock(tip + 13, clock)
    head = disc(x, y, screw, 3.1)
    canvas.lay(whole, canvas.edge(head), 0.40)
    canvas.shade(whole, 1 - 0.5 * np.exp(-((head / 0.3) ** 2)))
    way = rng.uniform(0, math.pi)
    d = 2.9 * math.cos(way), 2.9 * math.sin(way)
    slot = bar(x, y, (screw[0] - d[0], screw[1] - d[1]), (screw[0] + d[0], screw[1] + d[1]), 0.8)
    canvas.lay(whole, canvas.edge(slot), 0.03)
    canvas.cover[:] = canvas.edge(shape)
    return canvas.finished(fine, scene.index_above_mm)


def _shadow(scene: Scene, fine: float) -> Sheet:
    """The pointer's shadow on what lies below: it stands still, while the marks pass through it."""
    canvas = _index_canvas(scene, fine)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    # A lamp about 25 degrees off the axis throws it sideways by nearly half the height.
    off = on_clock(-0.45 * max(0.0, scene.index_above_mm), scene.light.from_deg)
    shape = polygon(x - np.float32(off[0]), y - np.float32(off[1]), _pointer_corners(scene))
    soft = 0.25 + 0.12 * abs(scene.index_above_mm)
    canvas.cover[:] = 0.5 * np.clip(0.5 - shape / (2 * soft), 0, 1)
    return canvas.finished(fine, 0.01)


def _cover(scene: Scene, seen: View, fine: float, rng: np.random.Generator) -> Sheet:
    canvas = _canvas_for(scene, seen, fine, scene.index_above_mm)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    hole = disc(x, y, window_centre_mm(scene), window_mm(scene) / 2)
    canvas.lay(whole, 1.0, (0.20, 0.20, 0.205))
    canvas.shade(whole, 1 + 0.10 * grain(x, y, 1.0, rng, 3) + 0.12 * grain(x, y, 30.0, rng))
    land = canvas.edge(hole - 4.0)
    canvas.lay(whole, land, 0.40)
    canvas.shade(whole, 1 + land * 0.07 * rough_line(hole, 1.0, rng, 4))
    for at, width, depth in ((4.0, 0.3, 0.5), (0.0, 0.4, 0.3)):
        canvas.shade(whole, 1 - depth * np.exp(-(((hole - at) / width) ** 2)))
    clock, (tx, ty) = scene.stator.index_at_deg, index_tip_mm(scene)
    tip = math.hypot(tx, ty)
    if scene.stator.index == "line":
        near = canvas.near(tx, ty, 9)
        nx, ny = canvas.place(near)
        canvas.lay(near, canvas.edge(bar(nx, ny, on_clock(tip - 2, clock), on_clock(tip + 3.6, clock), 0.8)), 0.035)
    stain = np.clip(grain(x, y, 25.0, rng, 5) * 0.4, 0, 0.7) * (0.2 + scene.rotor.dirt)
    canvas.lay(whole, stain, (0.09, 0.07, 0.05))
    canvas.cover *= 1 - canvas.edge(hole)
    if scene.stator.index != "line":
        _notch(canvas, (tx, ty), clock, 2.6)
    return canvas.finished(fine, scene.index_above_mm)


def _slot(scene: Scene, seen: View, fine: float, rng: np.random.Generator) -> Sheet:
    """The case round a rotor whose edge is marked: an opening through which the edge is seen."""
    rim = scene.engine.rotor.rim_diameter_mm / 2
    canvas = _canvas_for(scene, seen, fine, EDGE_FACE_MM)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    clock, half = scene.stator.index_at_deg, WIDTH_SHARE * rim / 2 + scene.stator.gap_mm
    opening = bar(x, y, on_clock(0.78 * rim, clock + 90), on_clock(0.78 * rim, clock - 90), 2 * half)
    canvas.lay(whole, 1.0, (0.24, 0.24, 0.235))
    canvas.shade(whole, 1 + 0.12 * grain(x, y, 1.0, rng, 3) + 0.10 * grain(x, y, 25.0, rng))
    land = canvas.edge(opening - 4.0)
    canvas.lay(whole, land, 0.40)
    canvas.shade(whole, 1 + land * 0.05 * grain(x, y, 1.5, rng))
    for at, width, depth in ((4.0, 0.35, 0.45), (0.0, 0.4, 0.35)):
        canvas.shade(whole, 1 - depth * np.exp(-(((opening - at) / width) ** 2)))
    for side in (-1, 1):
        for out in (-1, 1):
            sx, sy = on_clock(0.9 * rim, clock + side * 90)
            ox, oy = on_clock(half + 9, clock)
            _screw(canvas, scene, (sx * 0.75 + out * ox, sy * 0.75 + out * oy), rng)
    stain = np.clip(grain(x, y, 30.0, rng, 5) * 0.4, 0, 0.7) * (0.3 + scene.rotor.dirt)
    canvas.lay(whole, stain, (0.09, 0.07, 0.05))
    canvas.cover *= 1 - canvas.edge(opening)
    return canvas.finished(fine, EDGE_FACE_MM)
