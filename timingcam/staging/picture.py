"""The optical picture on the sensor: the scene under one flash, and under the steady light, before the shutter.

In:  `Scene`, `CrankMotion`, `View`, the drawn sheets.
Out: `Planes` of linear light for a run of sensor rows.
Not here: which rows get how much of it (`render.py` asks `shutter.py`), noise and tone (`sensor.py`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.staging.camera import Grid, View, on_clock, sensor_grid, view
from timingcam.staging.canvas import POLAR_PAD, Sheet
from timingcam.staging.crossing import Crossing, crossing
from timingcam.staging.edge import edge_hits, edge_sheet, edge_width_mm
from timingcam.staging.lamp import lamp_sheet
from timingcam.staging.light import halved, smear_kernel, smeared, tint
from timingcam.staging.motion import DEG_PER_S_PER_RPM, CrankMotion
from timingcam.staging.rotor_look import rotor_sheet, turn_sign
from timingcam.staging.scene import Scene
from timingcam.staging.scene_tables import Colour
from timingcam.staging.shading import Shading, shading
from timingcam.staging.stator_look import index_tip_mm, standing_sheets
from timingcam.staging.strobe import FlashLight

FLOOR_GREY = 0.012  # what is seen down the gap between rotor and housing
LEAST_CELLS = 6  # our choice: an exposure's blur spans at least this many cells of the thinned rotor sheet


@dataclass(eq=False)
class Planes:
    """Linear light on sensor rows first_row onwards; chroma on every second row and column."""

    luma: np.ndarray  # (rows, width)
    chroma: np.ndarray  # (rows/2, width/2, 2)
    first_row: int


@dataclass(frozen=True, eq=False)
class Spun:
    """The rotor's face as one picture sees it: smeared, and turned to an angle that may differ row by row."""

    luma: np.ndarray
    chroma: np.ndarray
    columns: int  # round the whole circle, in luma
    pad: int
    turned_deg: np.ndarray | float  # clockwise, for each sensor row, or one for all


class Stage:
    """The drawn scene with its camera; pictures of it are pure functions of time and angle."""

    def __init__(self, scene: Scene, motion: CrankMotion) -> None:
        self.scene, self.motion = scene, motion
        self.view: View = view(scene)
        self.grids: dict[int, Grid] = {step: sensor_grid(self.view, step) for step in (1, 2)}
        self.fine = self.view.focal_px / self.view.distance_mm
        self.on_edge = scene.engine.rotor.marks_on == "edge"
        self.rotor: Sheet = edge_sheet(scene, self.fine) if self.on_edge else rotor_sheet(scene, self.fine)
        self.standing: list[Sheet] = _standing(scene, self.view)
        self.shading: Shading = shading(scene, self.view)
        self.crossing: Crossing | None = crossing(scene, self.view)
        self._still: dict[tuple[int, int], tuple[np.ndarray, np.ndarray]] = {}
        self._thin: dict[int, tuple[np.ndarray, np.ndarray]] = {}
        # What one moment shows on one run of rows: the parts of a long flash differ by the rotor's smear alone.
        self._moment: tuple[float, int, int] = (math.nan, 0, 0)
        self._at_moment: dict[tuple[str, int, int], tuple[np.ndarray, ...]] = {}

    def rotor_turn_deg(self, time_s: np.ndarray | float) -> np.ndarray:
        """Clock angle to which the rotor sheet's column 0 has turned at a time, degrees clockwise."""
        angle = self.motion.angle_deg(time_s)
        # Round the edge, angles are counted from where it faces the camera, under the index.
        at_index = 0.0 if self.on_edge else self.scene.stator.index_at_deg
        return at_index + turn_sign(self.scene) * angle

    def hides_index(self, time_s: float) -> bool:
        """Whether something stands before the index at a time."""
        if self.crossing is None:
            return False
        x, y = self.view.sensor_of((*index_tip_mm(self.scene), self.scene.index_above_mm), time_s)
        return self.crossing.hides(x, y, time_s)

    def under_flash(
        self, time_s: float, light: FlashLight, share: tuple[float, float], rows: tuple[int, int]
    ) -> Planes:
        """The picture by the part of a flash's light between two shares of it, full brightness.

        Parameters
        ----------
        time_s : float
            Centre of the whole flash.
        light : FlashLight
        share : (float, float)
            From which to which share of the light; (0, 1) for the whole flash.
        rows : (int, int)
            First row and the row after the last, both even.

        Returns
        -------
        Planes
        """
        turn_rate = turn_sign(self.scene) * DEG_PER_S_PER_RPM * float(self.motion.speed_rpm(time_s))
        kernel = smear_kernel(light, share, turn_rate, 360.0 / self.rotor.n_around)
        spun = Spun(
            smeared(self.rotor.luma, kernel),
            smeared(self.rotor.chroma, halved(kernel)),
            self.rotor.n_around,
            POLAR_PAD,
            float(self.rotor_turn_deg(time_s)),
        )
        planes = self._flash_lit(spun, time_s, rows)
        if self.scene.camera.reflection:
            height = self.scene.camera.height
            self._reflect(planes, self._flash_lit(spun, time_s, (height - rows[1], height - rows[0])))
        return planes

    def _flash_lit(self, spun: Spun, time_s: float, rows: tuple[int, int]) -> Planes:
        planes = self._compose(spun, time_s, rows, sheen=True)
        self._light(planes, self.scene.strobe.colour, self.shading.spot)
        return planes

    def _reflect(self, planes: Planes, opposite: Planes) -> None:
        """Add what two lens surfaces send back: the opposite rows, turned by half about the picture's middle."""
        share = np.float32(self.scene.camera.reflection)
        planes.luma += share * opposite.luma[::-1, ::-1]
        planes.chroma += share * opposite.chroma[::-1, ::-1]

    def under_steady_light(self, start_s: float, exposure_s: float) -> Planes:
        """The whole frame by ambient light of constant brightness, each row at its own time."""
        rows = np.arange(self.scene.camera.height)
        middle_s = start_s + rows * self.scene.line_time_s + exposure_s / 2
        blur_deg = abs(float(self.motion.angle_deg(start_s + exposure_s) - self.motion.angle_deg(start_s)))
        luma, chroma, columns = self._blurred_round(blur_deg)
        spun = Spun(luma, chroma, columns, POLAR_PAD, self.rotor_turn_deg(middle_s))
        planes = self._compose(spun, float(middle_s[rows.size // 2]), (0, rows.size), sheen=False)
        self._light(planes, self.scene.light.colour, None)
        if self.scene.camera.reflection:
            # A row shows the opposite row a few ms before or after its own time: steady light blurs more than that.
            self._reflect(planes, Planes(planes.luma.copy(), planes.chroma.copy(), 0))
        return planes

    def _compose(self, spun: Spun, time_s: float, rows: tuple[int, int], sheen: bool) -> Planes:
        result = []
        for step in (1, 2):
            part = (rows[0] // step, rows[1] // step)
            shape = (part[1] - part[0], self.grids[step].width)
            picture = np.zeros(shape if step == 1 else (*shape, 2), np.float32)
            if step == 1:
                picture += FLOOR_GREY
            below = [sheet for sheet in self.standing if sheet.height_mm < 0]
            above = [sheet for sheet in self.standing if sheet.height_mm >= 0]
            for sheet in below:
                self._lay_sheet(picture, sheet, time_s, part, step)
            self._lay_rotor(picture, spun, time_s, part, step, sheen)
            for sheet in above:
                self._lay_sheet(picture, sheet, time_s, part, step)
            if self.crossing is not None:
                self.crossing.lay(picture, time_s, part[0], step)
            result.append(picture)
        return Planes(result[0], result[1], rows[0])

    def _sensor_to_plane(self, height_mm: float, time_s: float, step: int, first: int) -> np.ndarray:
        """From column and row of a thinned picture that starts at a thinned row, to mm on a plane."""
        thin = np.array([[step, 0, (step - 1) / 2], [0, step, (step - 1) / 2 + step * first], [0, 0, 1.0]])
        return np.linalg.inv(self.view.plane_to_sensor(height_mm, time_s)) @ (
            thin if self.grids[1].ideal_x is None else np.eye(3)
        )

    def _lay_sheet(self, picture: np.ndarray, sheet: Sheet, time_s: float, part: tuple[int, int], step: int) -> None:
        number = next(i for i, one in enumerate(self.standing) if one is sheet)
        if self.view.steady:
            if (number, step) not in self._still:
                whole = (0, self.grids[step].height)
                self._still[number, step] = self._look_up(sheet, 0.0, whole, step)
            drawn, cover = (plane[part[0] : part[1]] for plane in self._still[number, step])
        else:
            drawn, cover = self._once(
                ("sheet", number, step), (time_s, *part), lambda: self._look_up(sheet, time_s, part, step)
            )
        picture *= (1 - cover) if step == 1 else (1 - cover)[..., None]
        picture += drawn

    def _once(
        self, key: tuple[str, int, int], moment: tuple[float, int, int], work: Callable[[], tuple[np.ndarray, ...]]
    ) -> tuple[np.ndarray, ...]:
        """The outcome of some work at a moment on a run of rows (counted in full rows), done once."""
        whole = (moment[0], moment[1] * key[2], moment[2] * key[2])
        if whole != self._moment:
            self._moment, self._at_moment = whole, {}
        if key not in self._at_moment:
            self._at_moment[key] = work()
        return self._at_moment[key]

    def _look_up(self, sheet: Sheet, time_s: float, part: tuple[int, int], step: int) -> tuple[np.ndarray, np.ndarray]:
        grid = self.grids[step]
        to_mm = self._sensor_to_plane(sheet.height_mm, time_s, step, part[0])
        sharp = sheet.px_per_mm
        to_sheet = np.array([[sharp, 0, -sheet.left_mm * sharp], [0, sharp, -sheet.top_mm * sharp], [0, 0, 1]]) @ to_mm
        planes = (sheet.luma, sheet.cover)
        if step == 2:
            to_sheet = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25], [0, 0, 1]]) @ to_sheet
            planes = (sheet.chroma, sheet.cover_half)
        size = (grid.width, part[1] - part[0])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        if grid.ideal_x is None or grid.ideal_y is None:
            drawn, cover = (cv2.warpPerspective(plane, to_sheet, size, flags=flags) for plane in planes)
            return drawn, cover
        u, v = _through(to_sheet, grid.ideal_x[part[0] : part[1]], grid.ideal_y[part[0] : part[1]])
        drawn, cover = (cv2.remap(plane, u, v, cv2.INTER_LINEAR) for plane in planes)
        return drawn, cover

    def _lay_rotor(
        self, picture: np.ndarray, spun: Spun, time_s: float, part: tuple[int, int], step: int, sheen: bool
    ) -> None:
        box = self._rotor_box(time_s, part, step)
        if box is None:
            return
        top, bottom, left, right = box
        grid = self.grids[step]
        to_mm = self._sensor_to_plane(0.0, time_s, step, part[0])
        if grid.ideal_x is None or grid.ideal_y is None:
            u = np.arange(left, right, dtype=np.float32)[None, :]
            v = np.arange(top - part[0], bottom - part[0], dtype=np.float32)[:, None]
        else:
            u, v = grid.ideal_x[top:bottom, left:right], grid.ideal_y[top:bottom, left:right]
        turns, row, inside = self._once(
            ("rotor", 0, step),
            (time_s, *part),
            lambda: self._on_edge(u, v, time_s, part, step) if self.on_edge else self._on_face(u, v, to_mm),
        )
        turned = np.mod(np.asarray(spun.turned_deg, dtype=float) / 360.0, 1.0).astype(np.float32)
        rowwise = turned if turned.ndim == 0 else turned[::step][top:bottom, None]
        column = (turns - rowwise) * np.float32(spun.columns)
        column = np.mod(column, np.float32(spun.columns)) + np.float32(spun.pad)
        if step == 2:
            column, row = (column - np.float32(0.5)) / 2, (row - np.float32(0.5)) / 2
            inside = inside[..., None]
        drawn = cv2.remap(spun.luma if step == 1 else spun.chroma, column, row, cv2.INTER_LINEAR)
        if self.on_edge:
            round_off = np.sqrt(np.clip(np.cos(2 * math.pi * turns), 0, 1))
            drawn = drawn * (inside * (round_off if step == 1 else round_off[..., None]))
        if sheen and step == 1 and not self.on_edge:
            drawn = drawn * self.shading.sheen[top:bottom, left:right]
        target = picture[top - part[0] : bottom - part[0], left:right]
        target *= 1 - inside
        target += drawn

    def _on_face(self, u: np.ndarray, v: np.ndarray, to_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Turns round the axis, row of the sheet, cover, for pixels of a picture."""
        x, y = _through(to_mm, u, v)
        sharp = np.float32(self.rotor.px_per_mm)
        row = np.hypot(x, y) * sharp
        turns = np.arctan2(x, -y) * np.float32(0.5 / math.pi)
        return turns, row, np.clip(np.float32(self.view.radius_mm) * sharp - row + np.float32(0.5), 0, 1)

    def _on_edge(
        self, u: np.ndarray, v: np.ndarray, time_s: float, part: tuple[int, int], step: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        if self.grids[1].ideal_x is None:
            u, v = u * step + (step - 1) / 2, (v + part[0]) * step + (step - 1) / 2
        angle, along, met = edge_hits(self.scene, self.view, (u.astype(float), v.astype(float)), time_s)
        row = (along + edge_width_mm(self.scene) / 2) * self.rotor.px_per_mm
        return (angle / 360).astype(np.float32), row.astype(np.float32), met.astype(np.float32)

    def _rotor_box(self, time_s: float, part: tuple[int, int], step: int) -> tuple[int, int, int, int] | None:
        if self.on_edge or self.grids[1].ideal_x is not None:
            return part[0], part[1], 0, self.grids[step].width
        h = self.view.plane_to_sensor(0.0, time_s)
        rim = np.array([[*on_clock(self.view.radius_mm + 0.5, a), 1.0] for a in range(0, 360, 3)]).T
        u, v, w = h @ rim
        x, y = u / w / step, v / w / step
        left, right = max(0, math.floor(x.min()) - 2), min(self.grids[step].width, math.ceil(x.max()) + 3)
        top, bottom = max(part[0], math.floor(y.min()) - 2), min(part[1], math.ceil(y.max()) + 3)
        return (top, bottom, left, right) if top < bottom and left < right else None

    def _blurred_round(self, blur_deg: float) -> tuple[np.ndarray, np.ndarray, int]:
        """The rotor sheet blurred round the axis by an exposure, exactly (a box, in Fourier space), thinned first."""
        cell = 360.0 / self.rotor.n_around
        thin = 1
        while thin < 8 and blur_deg / (2 * thin * cell) >= LEAST_CELLS:
            thin *= 2
        if thin not in self._thin:
            pair = (self.rotor.luma[:, POLAR_PAD:-POLAR_PAD], self.rotor.chroma[:, POLAR_PAD // 2 : -POLAR_PAD // 2])
            thinned = []
            for plane in pair:
                size = (plane.shape[1] // thin, plane.shape[0])
                thinned.append(np.fft.rfft(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), axis=1))
            self._thin[thin] = (thinned[0], thinned[1])
        waves = self._thin[thin]
        n = self.rotor.n_around // thin
        number = np.arange(waves[0].shape[1])
        # Thinning by means puts a cell's middle (thin − 1)/2 fine cells on; the phase takes that back.
        late = np.exp(1j * math.pi * number * (1 - thin) / self.rotor.n_around)
        luma = np.fft.irfft(waves[0] * np.sinc(number * blur_deg / 360) * late, n, axis=1).astype(np.float32)
        number = np.arange(waves[1].shape[1])
        box = (np.sinc(number * blur_deg / 360) * np.exp(1j * math.pi * number * (1 - thin) / self.rotor.n_around))[
            :, None
        ]
        chroma = np.fft.irfft(waves[1] * box, n // 2, axis=1).astype(np.float32)
        return _wrapped(luma, POLAR_PAD), _wrapped(chroma, POLAR_PAD // 2), n

    def _light(self, planes: Planes, colour: Colour, spot: np.ndarray | None) -> None:
        grey, blue, red = tint(colour)
        rows = slice(planes.first_row, planes.first_row + planes.luma.shape[0])
        half = slice(rows.start // 2, rows.stop // 2)
        small = cv2.resize(planes.luma, (planes.chroma.shape[1], planes.chroma.shape[0]), interpolation=cv2.INTER_AREA)
        planes.chroma *= grey
        planes.chroma += small[..., None] * np.array([blue, red], np.float32)
        planes.luma *= grey
        if spot is not None:
            planes.luma *= spot[rows]
            planes.chroma *= self.shading.spot_half[half][..., None]
            if self.shading.glare is not None:
                planes.luma += self.shading.glare[rows]


def _standing(scene: Scene, seen: View) -> list[Sheet]:
    sheets = standing_sheets(scene, seen)
    if scene.lamp is not None:
        sheets.append(lamp_sheet(scene, seen.focal_px / seen.distance_mm))
    return sorted(sheets, key=lambda sheet: sheet.height_mm)


def _through(h: np.ndarray, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points through a homography, float32 (errs below 0.001 px over 4096 px)."""
    h = (h / h[2, 2]).astype(np.float32)
    w = 1 / (h[2, 0] * u + h[2, 1] * v + h[2, 2])
    return (h[0, 0] * u + h[0, 1] * v + h[0, 2]) * w, (h[1, 0] * u + h[1, 1] * v + h[1, 2]) * w


def _wrapped(plane: np.ndarray, pad: int) -> np.ndarray:
    return np.ascontiguousarray(np.concatenate([plane[:, -pad:], plane, plane[:, :pad]], axis=1))
