"""What the rotor's face looks like.

In:  `Scene`, how finely the camera sees it.
Out: a polar `Sheet` whose column 0 stands at the index when the engine angle is 0; each mark's place on it.
Not here: its turning, its light.

A mark of a cylinder whose firing TDC is at c passes the index at engine angle c − btdc. Turning clockwise carries
marks to greater clock angles, so on the sheet such a mark lies at clock angle −(c − btdc); anticlockwise, at
+(c − btdc).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.engine import RotorMark
from timingcam.staging.camera import on_clock
from timingcam.staging.canvas import NAMED_COLOURS, Canvas, Sheet, bar, disc, grain, hexagon, rough_line
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Colour

FINER = 2.0  # sheet points per camera pixel at the rim: linear look-up then errs far below 0.01 px


@dataclass(frozen=True)
class PlacedMark:
    """A mark as it was really made."""

    name: str
    cylinder: str
    btdc_deg: float  # as the engine file says
    clock_deg: float  # on the rotor sheet
    error_deg: float  # how far past its nominal place in the direction of turning
    style: str
    colour: Colour | None


def turn_sign(scene: Scene) -> int:
    """+1 where the rotor turns clockwise as the camera sees it, −1 anticlockwise."""
    return 1 if scene.engine.rotor.turns == "clockwise" else -1


def mark_btdc_deg(mark: RotorMark, scene: Scene) -> float:
    """Advance at which a mark stands at the index; from piston travel where the file gives that."""
    if mark.btdc_deg is not None:
        return float(mark.btdc_deg)
    stroke, rod = scene.engine.crank.stroke_mm, scene.engine.crank.rod_mm
    assert stroke is not None and rod is not None and mark.mm_btdc is not None
    r = stroke / 2
    up = r + rod - mark.mm_btdc  # gudgeon pin to crank centre: rod² = r² + up² − 2·r·up·cos(angle), law of cosines
    return math.degrees(math.acos(min(1.0, max(-1.0, (r * r + up * up - rod * rod) / (2 * r * up)))))


def placed_marks(scene: Scene) -> list[PlacedMark]:
    """Every mark of the engine file with its place on the rotor sheet; those of two cylinders that coincide, once."""
    rng = np.random.default_rng([scene.seed, 4])
    placed: list[PlacedMark] = []
    for mark in scene.engine.rotor.mark:
        error = float(scene.rotor.mark_error_deg * rng.standard_normal())
        seen: list[float] = []
        for cylinder in mark.cylinder:
            tdc = next(float(c.tdc_deg) for c in scene.engine.cylinder if c.name == cylinder)
            btdc = mark_btdc_deg(mark, scene)
            clock = (-turn_sign(scene) * (tdc - btdc - error)) % 360
            if any(abs((clock - other + 180) % 360 - 180) < 1e-9 for other in seen):
                continue
            seen.append(clock)
            style, colour = _style(mark, scene)
            placed.append(PlacedMark(mark.name, cylinder, btdc, clock, error, style, colour))
    return placed


def _style(mark: RotorMark, scene: Scene) -> tuple[str, Colour | None]:
    asked = scene.rotor.marks
    name = scene.rotor.paint or mark.paint
    if asked == "engine":
        asked = "painted" if name else "engraved"
    if asked == "painted":
        return asked, NAMED_COLOURS.get(name or "white", NAMED_COLOURS["white"])
    return asked, NAMED_COLOURS.get(name, NAMED_COLOURS["white"]) if name and asked in ("dots", "double") else None


def rotor_sheet(scene: Scene, image_px_per_mm: float) -> Sheet:
    """Draw the rotor's face.

    Parameters
    ----------
    scene : Scene
    image_px_per_mm : float
        How finely the camera sees the rotor.

    Returns
    -------
    Sheet, polar
    """
    rng = np.random.default_rng([scene.seed, 5])
    rim = scene.engine.rotor.rim_diameter_mm / 2
    fine = FINER * image_px_per_mm
    around = math.ceil(2 * math.pi * rim * fine / 16) * 16
    canvas = Canvas(around, math.ceil((rim + 1.0) * fine / 2) * 2, fine, polar=True)
    _metal(canvas, scene, rim, rng)
    marks = placed_marks(scene)
    for mark in marks:
        _mark(canvas, scene, mark, rim, rng)
        if scene.rotor.letters:
            radius = rim * (0.9 - scene.rotor.mark_length_share)
            tall = _letter_height(scene, mark, marks, radius, 0.085 * rim)
            draw_letters(canvas, mark.name, (*on_clock(radius, mark.clock_deg), mark.clock_deg), tall)
    _wear(canvas, scene, rim, rng)
    _fittings(canvas, scene, rim, rng)
    if scene.decal is not None:
        _decal(canvas, scene.decal, scene.rotor.decal_share * rim)
    whole = canvas.everywhere()
    past_rim = whole[0] / fine - rim
    canvas.cover[:] = np.broadcast_to(canvas.edge(past_rim), canvas.cover.shape)
    return canvas.finished(image_px_per_mm)


def _metal(canvas: Canvas, scene: Scene, rim: float, rng: np.random.Generator) -> None:
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    radius = (whole[0] / canvas.px_per_mm).astype(np.float32)
    canvas.lay(whole, 1.0, (0.33, 0.326, 0.318))
    if scene.rotor.finish == "turned":
        canvas.shade(whole, 1 + 0.15 * rough_line(radius, 3.0, rng) + 0.03 * grain(x, y, 6.0, rng))
    elif scene.rotor.finish == "brushed":
        canvas.shade(whole, 1 + 0.07 * rough_line(x, 2.0, rng, 6) + 0.03 * grain(x, y, 6.0, rng))
    else:
        canvas.shade(whole, 0.75 + 0.11 * grain(x, y, 1.2, rng, 3) + 0.08 * grain(x, y, 15.0, rng))
    # A step turned into the face, and a bevel at the rim.
    for at, width, depth in ((0.62 * rim, 0.5, 0.55), (0.30 * rim, 0.6, 0.6)):
        canvas.shade(whole, 1 - depth * np.exp(-(((radius - at) / width) ** 2)))
    canvas.shade(whole, 1 - 0.45 * np.clip((radius - rim + 1.1) / 0.25, 0, 1))


def _fittings(canvas: Canvas, scene: Scene, rim: float, rng: np.random.Generator) -> None:
    turned = rng.uniform(0, 360)
    for k in range(scene.rotor.holes):
        at = on_clock(0.46 * rim, turned + 60 / max(1, scene.rotor.bolts) + 360 * k / scene.rotor.holes)
        _hole(canvas, at, 0.075 * rim)
    for k in range(scene.rotor.bolts):
        _cap_screw(canvas, on_clock(0.43 * rim, turned + 360 * k / scene.rotor.bolts), 0.07 * rim, rng)
    near = canvas.near(0, 0, 0.29 * rim)
    x, y = canvas.place(near)
    canvas.lay(near, canvas.edge(disc(x, y, (0, 0), 0.245 * rim)), 0.20)
    canvas.shade(near, 1 - 0.5 * np.exp(-((disc(x, y, (0, 0), 0.245 * rim) / 0.5) ** 2)))
    nut = hexagon(x, y, (0, 0), 0.31 * rim, rng.uniform(0, 60))
    canvas.lay(near, canvas.edge(nut), 0.36)
    canvas.shade(near, 1 - 0.45 * np.exp(-((nut / 0.45) ** 2)))
    # Each flat's bevel takes the light its own way.
    canvas.shade(
        near, 1 + 0.35 * np.sin(np.arctan2(y, x) * 2 + rng.uniform(0, 6)) * np.exp(-(((nut + 1.2) / 0.8) ** 2))
    )
    stud = disc(x, y, (0, 0), 0.085 * rim)
    canvas.lay(near, canvas.edge(stud), 0.17)
    canvas.shade(near, 1 - 0.5 * np.exp(-((stud / 0.4) ** 2)))


def _hole(canvas: Canvas, at: tuple[float, float], radius: float) -> None:
    near = canvas.near(*at, radius + 2)
    x, y = canvas.place(near)
    away = disc(x, y, at, radius)
    canvas.lay(near, canvas.edge(away), 0.025)
    canvas.shade(near, 1 + 0.35 * np.exp(-(((away - 0.35) / 0.3) ** 2)))


def _cap_screw(canvas: Canvas, at: tuple[float, float], radius: float, rng: np.random.Generator) -> None:
    near = canvas.near(*at, radius + 3)
    x, y = canvas.place(near)
    head = disc(x, y, at, radius)
    canvas.shade(near, 1 - 0.4 * np.exp(-((np.maximum(head, 0) / 0.8) ** 2)))
    canvas.lay(near, canvas.edge(head), 0.14)
    canvas.shade(near, 1 + 0.5 * np.exp(-(((head + 0.5) / 0.3) ** 2)))
    canvas.lay(near, canvas.edge(hexagon(x, y, at, radius * 0.95, rng.uniform(0, 60))), 0.02)


def _mark(canvas: Canvas, scene: Scene, mark: PlacedMark, rim: float, rng: np.random.Generator) -> None:
    inner, outer = rim * (0.975 - scene.rotor.mark_length_share), rim * 0.975
    clock = mark.clock_deg
    if scene.rotor.repaint_ghost_deg is not None:
        old = clock + scene.rotor.repaint_ghost_deg
        draw_paint(canvas, (on_clock(inner, old), on_clock(outer, old)), 1.6, (0.55, 0.53, 0.46), rng, cover=0.55)
    ends = on_clock(inner, clock), on_clock(outer, clock)
    groove = scene.rotor.mark_width_mm or 0.8
    if mark.style == "dots":
        middle = on_clock((inner + outer) / 2 + 2, clock)
        near = canvas.near(*middle, 4)
        away = disc(*canvas.place(near), middle, scene.rotor.mark_width_mm or 1.3)
        canvas.lay(near, canvas.edge(away), mark.colour or 0.05)
        canvas.shade(near, 1 + 0.4 * np.exp(-(((away - 0.3) / 0.25) ** 2)))
    elif mark.style == "double":
        apart = math.degrees(1.1 / rim)
        for side in (-apart, apart):
            draw_groove(canvas, (on_clock(inner, clock + side), on_clock(outer, clock + side)), groove * 0.75, 0.05)
    else:
        draw_groove(canvas, ends, groove, 0.06 if mark.style != "stamped" else 0.12)
    if mark.style == "painted":
        draw_paint(canvas, ends, scene.rotor.mark_width_mm or 1.5, mark.colour or NAMED_COLOURS["white"], rng)


def draw_groove(
    canvas: Canvas, ends: tuple[tuple[float, float], tuple[float, float]], width: float, depth_grey: float
) -> None:
    """Cut a square-ended line of a width, mm."""
    middle = (ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2
    near = canvas.near(*middle, math.dist(*ends) / 2 + 3)
    away = bar(*canvas.place(near), *ends, width)
    canvas.lay(near, canvas.edge(away), depth_grey)
    # Burr thrown up on both sides: it catches the light.
    canvas.shade(near, 1 + 0.30 * np.exp(-(((away - 0.22) / 0.16) ** 2)))


def draw_paint(
    canvas: Canvas,
    ends: tuple[tuple[float, float], tuple[float, float]],
    width: float,
    colour: Colour,
    rng: np.random.Generator,
    cover: float = 0.94,
) -> None:
    """Paint a line by hand over what is there."""
    middle = (ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2
    near = canvas.near(*middle, math.dist(*ends) / 2 + 4)
    x, y = canvas.place(near)
    # The hand's wobble is kept to the two edges alike, so that the paint's middle stays the line's.
    wobble = 0.12 * rough_line(np.hypot(x, y), 3.0, rng, 3)
    away = bar(x, y, *ends, width) + wobble
    patchy = np.clip(cover + 0.06 * grain(x, y, 1.0, rng, 3), 0, 1)
    canvas.lay(near, canvas.edge(away) * patchy, colour)


def draw_letters(canvas: Canvas, text: str, at: tuple[float, float, float], tall_mm: float, grey: float = 0.08) -> None:
    """Stamp letters centred on x, y (mm), their heads towards a clock direction."""
    points_per_mm = 24.0
    scale = tall_mm * points_per_mm / 21.0  # Hershey capitals are 21 units tall
    thick = max(1, round(0.11 * tall_mm * points_per_mm))
    (wide, tall), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    edge = 2 * thick
    patch = np.zeros((tall + 2 * edge, wide + 2 * edge), np.uint8)
    cv2.putText(patch, text, (edge, tall + edge), cv2.FONT_HERSHEY_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
    near = canvas.near(at[0], at[1], math.hypot(*patch.shape) / points_per_mm / 2 + 1)
    if not all(part.size for part in near):
        return  # letters beyond the sheet's seam
    x, y = canvas.place(near)
    x, y, a = x - np.float32(at[0]), y - np.float32(at[1]), math.radians(at[2])
    across, outward = x * math.cos(a) + y * math.sin(a), x * math.sin(a) - y * math.cos(a)
    u = across * points_per_mm + (patch.shape[1] - 1) / 2
    v = -outward * points_per_mm + (patch.shape[0] - 1) / 2
    u, v = np.broadcast_arrays(u, v)
    soft = cv2.GaussianBlur(patch.astype(np.float32) / 255, (0, 0), 0.6 * points_per_mm / canvas.px_per_mm)
    inked = cv2.remap(soft, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR)
    canvas.lay(near, inked * 0.85, grey)


def _letter_height(scene: Scene, mark: PlacedMark, marks: list[PlacedMark], radius: float, tallest: float) -> float:
    """Letters small enough not to run into the next mark's."""
    gaps = [
        math.radians(abs((mark.clock_deg - other.clock_deg + 180) % 360 - 180)) * radius / max(1, len(name))
        for other in marks
        if other is not mark
        for name in [max(mark.name, other.name, key=len)]
    ]
    return min([tallest, *(max(0.4 * tallest, 0.95 * gap) for gap in gaps)])


def _wear(canvas: Canvas, scene: Scene, rim: float, rng: np.random.Generator) -> None:
    for _ in range(scene.rotor.scratches):
        start = on_clock(rim * math.sqrt(rng.uniform(0.1, 0.9)), rng.uniform(0, 360))
        long, way = rng.uniform(2, 0.35 * rim), rng.uniform(0, 2 * math.pi)
        end = start[0] + long * math.cos(way), start[1] + long * math.sin(way)
        near = canvas.near((start[0] + end[0]) / 2, (start[1] + end[1]) / 2, long / 2 + 1)
        cover = canvas.edge(bar(*canvas.place(near), start, end, rng.uniform(0.06, 0.16)))
        canvas.lay(near, cover * rng.uniform(0.2, 0.7), float(rng.choice([0.12, 0.62])))
    for _ in range(scene.rotor.false_marks):
        clock, top = rng.uniform(0, 360), rim * rng.uniform(0.93, 0.99)
        ends = on_clock(top - rng.uniform(0.08, 0.2) * rim, clock + rng.uniform(-2, 2)), on_clock(top, clock)
        draw_groove(canvas, ends, rng.uniform(0.3, 0.8), rng.uniform(0.06, 0.2))
    if scene.rotor.dirt:
        whole = canvas.everywhere()
        x, y = canvas.place(whole)
        stain = np.clip(grain(x, y, 22.0, rng, 5) * 0.6 + 0.15, 0, 1) * scene.rotor.dirt
        stain += scene.rotor.dirt * 0.5 * np.clip(grain(x, y, 2.0, rng, 3) - 1.2, 0, 1)
        canvas.lay(whole, np.clip(stain, 0, 0.85), (0.075, 0.052, 0.032))


def _decal(canvas: Canvas, grey: np.ndarray, half_mm: float) -> None:
    """Print a picture square on the face, upright when the rotor stands at engine angle 0 with the index at 12."""
    near = canvas.near(0, 0, half_mm * 1.5)
    x, y = canvas.place(near)
    rows, columns = grey.shape
    u = (x / half_mm * 0.5 + 0.5) * columns - 0.5
    v = (y / half_mm * 0.5 + 0.5) * rows - 0.5
    soft = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), max(0.3, 0.5 * rows / (2 * half_mm * canvas.px_per_mm)))
    shown = cv2.remap(
        soft, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    inside = canvas.edge(np.maximum(np.abs(x), np.abs(y)) - half_mm)
    for plane, value in ((canvas.luma, 0.02 + 0.8 * shown), (canvas.blue, 0.0), (canvas.red, 0.0)):
        plane[near] += inside * (value - plane[near])
