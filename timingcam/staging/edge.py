"""Marks on the rotor's cylindrical edge, seen from the side: its look, and where a ray of sight meets it.

In:  `Scene`, `View`.
Out: a `Sheet` of the unrolled edge; angles round the shaft and places along it for sensor pixels.
Not here: the index over it (`stator_look.py`), its turning (`picture.py`).

The plane of height 0 touches the edge where it faces the camera; the shaft lies one radius below it, along the
index's clock direction. Stand the picture so that the index points down onto the marks: a rotor that turns 'clockwise'
carries them from left to right, as it does on a rotor's face with the index at twelve o'clock.
"""

from __future__ import annotations

import math

import numpy as np

from timingcam.staging.camera import View, on_clock
from timingcam.staging.canvas import Canvas, Sheet, bar, grain, rough_line
from timingcam.staging.rotor_look import draw_groove, draw_letters, draw_paint, placed_marks
from timingcam.staging.scene import Scene
from timingcam.staging.stator_look import WIDTH_SHARE

FINER = 2.0


def edge_width_mm(scene: Scene) -> float:
    """Width of the rotor's edge along the shaft, mm."""
    return WIDTH_SHARE * scene.engine.rotor.rim_diameter_mm / 2


def edge_sheet(scene: Scene, image_px_per_mm: float) -> Sheet:
    """Draw the unrolled edge: columns go round clockwise, rows from the index's side to the far side.

    Parameters
    ----------
    scene : Scene
    image_px_per_mm : float

    Returns
    -------
    Sheet
        Column c stands for clock angle 360·(c − POLAR_PAD)/n_around, row r for r/px_per_mm − width/2 along the shaft.
    """
    rng = np.random.default_rng([scene.seed, 5])
    rim, wide = scene.engine.rotor.rim_diameter_mm / 2, edge_width_mm(scene)
    around = math.ceil(2 * math.pi * rim * FINER * image_px_per_mm / 16) * 16
    fine = around / (2 * math.pi * rim)
    canvas = Canvas(around, math.ceil(wide * fine / 2) * 2, fine, 0.0, -wide / 2, drum=True)
    whole = canvas.everywhere()
    x, y = canvas.place(whole)
    canvas.lay(whole, 1.0, (0.36, 0.355, 0.345))
    if scene.rotor.finish == "cast":
        canvas.shade(whole, 0.8 + 0.10 * grain(x, y, 1.2, rng, 3))
    else:
        canvas.shade(whole, 1 + 0.09 * rough_line(y, 2.0, rng) + 0.03 * grain(x, y, 5.0, rng))
    for at in (-wide / 2, wide / 2):
        canvas.shade(whole, 1 - 0.5 * np.exp(-(((y - at) / 0.7) ** 2)))
    for mark in placed_marks(scene):
        for turn in (0, -1, 1):  # what crosses the seam is drawn on both sides of it
            s = (mark.clock_deg / 360 + turn) * 2 * math.pi * rim
            ends = (s, -wide * 0.06), (s, -wide / 2 + 0.4)
            beyond = math.dist(*ends) / 2 + 3  # as far as a groove and what it throws up reach
            if not -beyond < s < 2 * math.pi * rim + beyond:
                continue
            draw_groove(canvas, ends, scene.rotor.mark_width_mm or 0.8, 0.06)
            if mark.style == "painted" and mark.colour is not None:
                draw_paint(canvas, ends, scene.rotor.mark_width_mm or 1.7, mark.colour, rng)
            if scene.rotor.letters:
                draw_letters(canvas, mark.name, (s, 0.17 * wide, 0.0), min(0.24 * wide, 6.0))
    for _ in range(scene.rotor.scratches):
        sx, sy = rng.uniform(0, 2 * math.pi * rim), rng.uniform(-0.5, 0.5) * wide
        near = canvas.near(sx, sy, 8)
        scratch = bar(*canvas.place(near), (sx, sy), (sx + rng.uniform(-6, 6), sy + 0.5), rng.uniform(0.07, 0.2))
        canvas.lay(near, canvas.edge(scratch) * 0.5, float(rng.choice([0.12, 0.6])))
    stain = np.clip(grain(x, y, 20.0, rng, 5) * 0.4, 0, 0.8) * scene.rotor.dirt
    canvas.lay(whole, stain, (0.10, 0.075, 0.05))
    return canvas.finished(image_px_per_mm)


def edge_hits(
    scene: Scene, seen: View, sight: tuple[np.ndarray, np.ndarray], time_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where rays of sight meet the edge.

    Parameters
    ----------
    scene : Scene
    seen : View
    sight : (ndarray, ndarray)
        Undistorted sensor pixels, x and y, that broadcast against one another.
    time_s : float

    Returns
    -------
    angle_deg, along_mm, met : ndarray
        Clockwise from where the edge faces the camera; away from the index; whether the ray meets the edge's width.
    """
    radius = seen.radius_mm
    eye, ways = seen.rays(time_s)
    out = np.array([*on_clock(1.0, scene.stator.index_at_deg), 0.0])
    across = np.array([*on_clock(1.0, scene.stator.index_at_deg + 90), 0.0])
    deep = np.array([0.0, 0.0, 1.0])
    # Each of the three coordinates of a ray's direction is linear in the pixel's x and y.
    u, v = sight
    rows = [axis @ ways for axis in (across, out, deep)]
    way_across, way_out, way_deep = (row[0] * u + row[1] * v + row[2] for row in rows)
    from_across, from_out, from_deep = eye @ across, eye @ out, eye @ deep - radius
    a = way_across**2 + way_deep**2
    b = from_across * way_across + from_deep * way_deep
    room = b * b - a * (from_across**2 + from_deep**2 - radius**2)
    far = (-b - np.sqrt(np.maximum(room, 0))) / a
    angle = np.degrees(np.arctan2(from_across + far * way_across, -(from_deep + far * way_deep)))
    along = -(from_out + far * way_out)
    return angle, along, (room > 0) & (np.abs(along) <= edge_width_mm(scene) / 2)
