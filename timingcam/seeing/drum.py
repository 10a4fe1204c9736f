"""A rotor seen from the side: its cylindrical edge, and the way between picture and edge.

In:  where the shaft appears, which way it points, how large the rotor is, and the lens.
Out: `Drum`, which turns pixels into positions on the edge and back, as `Pose` does for a rotor's face.
Not here: how it is found (`drum_start.py`, `rigid.py`).

What moves there moves by R·sin(angle), foreshortened away from the middle. Positions are given as on a face with the
index beside its rim: the angle clockwise when the picture is stood so that the index points down onto the marks,
counted in the picture's own directions; radius 1 where the edge ends on the index's side, less away from it. So
whatever turns, shifts and names marks need not know which kind of rotor it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.pose import FOCAL_LOG_SD

LEAST_FACING = 0.2  # our choice: cosine of the angle of sight; beyond, a degree is a fifth of what it is in the middle
AXIS_TILT_SD_RAD = 0.15  # our choice: the edge is filmed from the side, to some ten degrees
ALONG_SD, ROLL_SD_RAD = 0.03, 0.1  # what the turning hardly tells is held where it began: in radii, radians


@dataclass(frozen=True, slots=True, eq=False)
class Drum:
    """A cylinder of radius 1 seen by a pinhole camera.

    `centre_px` is where the middle of the shaft appears, at the level of the edge's end on the index's side; `size_px`
    the focal length over the distance to it in rotor radii. `out_rad` is the direction in the picture, clockwise from
    x, in which the shaft runs towards the index; `tilt_rad` how far it comes towards the camera there. `step` is how
    many rotor radii along the shaft make a radius less by 1.
    """

    centre_px: np.ndarray  # (2,)
    size_px: float
    out_rad: float
    tilt_rad: float
    step: float
    focal_px: float
    principal_px: np.ndarray  # (2,)

    @property
    def distance(self) -> float:
        """From the lens to the shaft, in rotor radii."""
        return self.focal_px / self.size_px

    @property
    def tilt_deg(self) -> float:
        """Angle by which the line of sight is off the square to the shaft."""
        return float(np.degrees(abs(self.tilt_rad)))

    def oblique_deg(self, at_px: np.ndarray) -> float:
        """Angle by which the line of sight to a pixel is off the square to the shaft."""
        axes, _ = self._frame()
        ray = np.array([*(at_px - self.principal_px) / self.focal_px, 1.0])
        return float(np.degrees(np.arcsin(np.clip(abs(ray @ axes[:, 2]) / np.linalg.norm(ray), 0, 1))))

    @property
    def radius_px(self) -> float:
        """How many pixels a radian is in the middle, where the edge is nearest."""
        return self.focal_px / max(self.distance - 1.0, 0.1)

    def prior(self) -> np.ndarray:
        """What is held of the six numbers of `moved`, as the inverse of their variances, shape (6, 6)."""
        return np.diag([0, 1 / ALONG_SD**2, 0, 1 / ROLL_SD_RAD**2, 1 / AXIS_TILT_SD_RAD**2, 1 / FOCAL_LOG_SD**2])

    def _frame(self) -> tuple[np.ndarray, np.ndarray]:
        """Directions towards the camera, across (clockwise) and along the shaft as columns, (3, 3), and the middle."""
        sight = np.array([*(self.centre_px - self.principal_px) / self.focal_px, 1.0])
        sight /= np.linalg.norm(sight)
        right = np.array([1.0, 0.0, 0.0])
        right -= sight * (right @ sight)
        right /= np.linalg.norm(right)
        down = np.cross(sight, right)
        c, s = np.cos(self.out_rad), np.sin(self.out_rad)
        along = np.cos(self.tilt_rad) * (c * right + s * down) - np.sin(self.tilt_rad) * sight
        across = -s * right + c * down
        toward = np.cross(along, across)
        toward *= -np.sign(toward @ sight)
        return np.stack([toward, across, along], axis=1), self.distance * sight

    def nearer(self, times: float) -> Drum:
        """The same with all angles as many times as large, a rotor so much smaller: what faces the camera stays."""
        axes, middle = self._frame()
        facing = (middle + axes[:, 0]) * times
        return drum_about(facing - axes[:, 0], axes[:, 2], self.step * times, self.focal_px, self.principal_px)

    def zoomed(self, times: float) -> Drum:
        """The same by a lens of so many times the focal length, from so much further: what faces the camera stays."""
        axes, middle = self._frame()
        facing = (middle + axes[:, 0]) * np.array([1.0, 1.0, times])
        return drum_about(facing - axes[:, 0], axes[:, 2], self.step, self.focal_px * times, self.principal_px)

    def between(self, inner: float, outer: float, width: float) -> Drum:
        """The same with what is at radius `outer` now at 1, and what is at `inner` at 1 - `width`."""
        axes, middle = self._frame()
        middle = middle + (outer - 1.0) * self.step * axes[:, 2]
        step = self.step * (outer - inner) / width
        return drum_about(middle, axes[:, 2], step, self.focal_px, self.principal_px)

    def from_other_side(self, width: float) -> Drum:
        """The same edge with the index on its other side, `width` radii away."""
        axes, middle = self._frame()
        far = middle - width * self.step * axes[:, 2]
        return drum_about(far, -axes[:, 2], self.step, self.focal_px, self.principal_px)

    def to_image(self, xy: np.ndarray) -> np.ndarray:
        """Positions on the edge, shape (..., 2), to pixels; NaN where they face away."""
        xy = np.asarray(xy, float)
        angle = np.arctan2(xy[..., 1], xy[..., 0]) - self.out_rad
        return self._seen(angle, (np.hypot(xy[..., 0], xy[..., 1]) - 1.0) * self.step, 1.0)

    def _seen(self, angle: np.ndarray, along: np.ndarray, radius: float) -> np.ndarray:
        axes, middle = self._frame()
        normal = np.cos(angle)[..., None] * axes[:, 0] + np.sin(angle)[..., None] * axes[:, 1]
        point = middle + radius * normal + along[..., None] * axes[:, 2]
        facing = -(point * normal).sum(axis=-1) / np.linalg.norm(point, axis=-1)
        px = self.focal_px * point[..., :2] / point[..., 2:] + self.principal_px
        return np.where((facing > LEAST_FACING)[..., None], px, np.nan)

    def to_plane(self, xy_px: np.ndarray) -> np.ndarray:
        """Pixels, shape (..., 2), to positions on the edge; NaN where the line of sight passes it by."""
        axes, middle = self._frame()
        xy_px = np.asarray(xy_px, float)
        ray = np.concatenate([(xy_px - self.principal_px) / self.focal_px, np.ones((*xy_px.shape[:-1], 1))], axis=-1)
        way, start = ray @ axes, -middle @ axes
        a = way[..., 0] ** 2 + way[..., 1] ** 2
        b = way[..., 0] * start[0] + way[..., 1] * start[1]
        room = b * b - a * (start[0] ** 2 + start[1] ** 2 - 1.0)
        far = (-b - np.sqrt(np.where(room > 0, room, np.nan))) / a
        at = start + far[..., None] * way
        angle = np.arctan2(at[..., 1], at[..., 0]) + self.out_rad
        radius = 1.0 + at[..., 2] / self.step
        return np.stack([np.cos(angle), np.sin(angle)], axis=-1) * np.where(radius > 0, radius, np.nan)[..., None]

    def matrix_to_image(self) -> np.ndarray:
        """The homography nearest to the way into the picture about the middle, shape (3, 3): for drawing only."""
        import cv2

        angle, radius = np.meshgrid(np.radians(np.linspace(-25, 25, 11)), np.linspace(0.7, 1.1, 9))
        xy = np.stack([np.cos(angle + self.out_rad), np.sin(angle + self.out_rad)], axis=-1) * radius[..., None]
        px = self.to_image(xy)
        good = np.isfinite(px).all(axis=-1)
        m, _ = cv2.findHomography(xy[good], px[good])
        return m / m[2, 2]

    def matrix_to_plane(self) -> np.ndarray:
        """The homography nearest to the way from pixels to the edge about the middle, shape (3, 3): for drawing."""
        m = np.linalg.inv(self.matrix_to_image())
        return m / m[2, 2]

    def parallax_deg(self, angle_deg: float, radius: float, height: float) -> float:
        """How much further clockwise a point above the edge appears than it stands, degrees.

        Parameters
        ----------
        angle_deg, radius : float
            Where it appears on the edge.
        height : float
            Over the edge, rotor radii.
        """
        axes, middle = self._frame()
        seen = np.radians(angle_deg) - self.out_rad
        along = (radius - 1.0) * self.step
        on_edge = np.array([np.cos(seen), np.sin(seen), along])
        lens = -middle @ axes
        way = lens - on_edge
        # Where the line of sight is `height` further from the shaft.
        a = way[0] ** 2 + way[1] ** 2
        b = way[0] * on_edge[0] + way[1] * on_edge[1]
        share = (-b + np.sqrt(b * b + a * ((1.0 + height) ** 2 - 1.0))) / a
        at = on_edge + share * way
        return float((np.degrees(seen - np.arctan2(at[1], at[0])) + 180.0) % 360.0 - 180.0)

    def lens_aside(self, angle_deg: float) -> float:
        """How far the lens is from the plane through the shaft and a place at an angle, rotor radii: more where it is
        further clockwise."""
        axes, middle = self._frame()
        lens, a = -middle @ axes, np.radians(angle_deg) - self.out_rad
        return float(lens[1] * np.cos(a) - lens[0] * np.sin(a))

    def moved(self, free: np.ndarray) -> Drum:
        """Changed by six numbers: the middle across and along the shaft (in radii), log size, direction of the shaft,
        its tilt (radians), log focal length."""
        c, s = np.cos(self.out_rad), np.sin(self.out_rad)
        return replace(
            self,
            centre_px=self.centre_px + self.size_px * (free[0] * np.array([-s, c]) + free[1] * np.array([c, s])),
            size_px=self.size_px * float(np.exp(free[2])),
            out_rad=self.out_rad + float(free[3]),
            tilt_rad=self.tilt_rad + float(free[4]),
            focal_px=self.focal_px * float(np.exp(free[5])),
        )


def drum_about(middle: np.ndarray, along: np.ndarray, step: float, focal_px: float, principal_px: np.ndarray) -> Drum:
    """A drum by where the middle of its shaft is and which way it points, in camera axes and rotor radii, (3,) each."""
    distance = float(np.linalg.norm(middle))
    centre_px = focal_px * middle[:2] / middle[2] + principal_px
    square = Drum(centre_px, focal_px / distance, 0.0, 0.0, step, focal_px, principal_px)
    axes, _ = square._frame()  # towards, down, right
    sight = middle / distance
    out_rad = float(np.arctan2(along @ axes[:, 1], along @ axes[:, 2]))
    return replace(square, out_rad=out_rad, tilt_rad=float(-np.arcsin(np.clip(along @ sight, -1, 1))))
