"""The rotor's plane as a camera sees it, and the way between picture and plane.

In:  where the rotor's centre appears, how large, how tilted, and the lens.
Out: `Pose`, which turns pixels into positions on the rotor and back.
Not here: how it is found (`view.py`, `rigid.py`).

Plane coordinates: the rotor's centre at 0, its rim at radius 1, x right and y down as in the picture, so that the angle
atan2(y, x) grows clockwise as the camera sees it; heights over the plane, towards the camera, in rim radii. Only
differences of angles have a meaning.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

# Common practice, no source: phones film with 24 to 28 mm equivalents, cropped a little; some zoom. The focal length is
# this share of the longer side, within about a factor 1.25 either way.
FOCAL_SHARE = 0.9
FOCAL_LOG_SD = 0.22
# Our choice: times the usual focal length, from a wide lens to what phones zoom by. Another than the usual one is taken
# where it leaves clearly less unexplained of what turns, by a seventh.
ZOOMS, CLEARLY_LESS = (0.7, 1.0, 1.4, 2.0, 2.8), 0.85
LEAN_SD_RAD = 0.35  # views are square-on to 35 degrees
N_FREE = 6


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A circle seen by a pinhole camera.

    `centre_px` is where its true centre appears, `size_px` the focal length over the distance in rim radii (about the
    rim's radius in the picture), `lean_rad` the tilt as a vector in the picture, pointing to where the plane's normal
    (towards the camera) leans: its length is the angle between the line of sight to the centre and the axis.
    """

    centre_px: np.ndarray  # (2,)
    size_px: float
    lean_rad: np.ndarray  # (2,)
    focal_px: float
    principal_px: np.ndarray  # (2,)

    @property
    def distance(self) -> float:
        """From the lens to the rotor's centre, in rim radii."""
        return self.focal_px / self.size_px

    @property
    def tilt_deg(self) -> float:
        """Angle between the line of sight to the rotor's centre and its axis."""
        return float(np.degrees(np.hypot(*self.lean_rad)))

    def oblique_deg(self, at_px: np.ndarray) -> float:
        """Angle between the line of sight to a pixel and the axis."""
        axes, _ = self._frame()
        ray = np.array([*(at_px - self.principal_px) / self.focal_px, 1.0])
        return float(np.degrees(np.arccos(np.clip(-ray @ axes[:, 2] / np.linalg.norm(ray), -1, 1))))

    @property
    def radius_px(self) -> float:
        """The rim's radius in the picture, along the direction that is not foreshortened."""
        return self.size_px

    def prior(self) -> np.ndarray:
        """What is known beforehand of the six numbers of `moved`, as the inverse of their variances, shape (6, 6)."""
        return np.diag([0, 0, 0, 1 / LEAN_SD_RAD**2, 1 / LEAN_SD_RAD**2, 1 / FOCAL_LOG_SD**2])

    def _frame(self) -> tuple[np.ndarray, np.ndarray]:
        """Plane axes and normal as columns, shape (3, 3), and the centre, in camera axes and rim radii."""
        sight = np.array([*(self.centre_px - self.principal_px) / self.focal_px, 1.0])
        sight /= np.linalg.norm(sight)
        right = np.array([1.0, 0.0, 0.0])
        right -= sight * (right @ sight)
        right /= np.linalg.norm(right)
        down = np.cross(sight, right)
        tilt = float(np.hypot(*self.lean_rad))
        if tilt < 1e-12:
            return np.stack([right, down, -sight], axis=1), self.distance * sight
        toward = (self.lean_rad[0] * right + self.lean_rad[1] * down) / tilt
        across = np.cross(sight, toward)
        normal = -np.cos(tilt) * sight + np.sin(tilt) * toward
        along = np.cos(tilt) * toward + np.sin(tilt) * sight
        # The smallest turn that tilts the plane: what lies across the tilt stays where it is.
        x = (right @ toward) * along + (right @ across) * across
        y = (down @ toward) * along + (down @ across) * across
        return np.stack([x, y, normal], axis=1), self.distance * sight

    def matrix_to_image(self, height: float = 0.0) -> np.ndarray:
        """Homography from the plane (or one `height` rim radii above it) to pixels, shape (3, 3)."""
        axes, centre = self._frame()
        camera = np.array([
            [self.focal_px, 0, self.principal_px[0]], [0, self.focal_px, self.principal_px[1]], [0, 0, 1.0]
        ])  # fmt: skip
        m = camera @ np.stack([axes[:, 0], axes[:, 1], centre + height * axes[:, 2]], axis=1)
        return m / m[2, 2]

    def matrix_to_plane(self) -> np.ndarray:
        """Homography from pixels to the plane, shape (3, 3)."""
        m = np.linalg.inv(self.matrix_to_image())
        return m / m[2, 2]

    def to_image(self, xy: np.ndarray) -> np.ndarray:
        """Positions on the rotor, shape (..., 2), to pixels."""
        return _project(self.matrix_to_image(), xy)

    def to_plane(self, xy_px: np.ndarray) -> np.ndarray:
        """Pixels, shape (..., 2), to positions on the rotor."""
        return _project(self.matrix_to_plane(), xy_px)

    def lens(self) -> np.ndarray:
        """Where the lens is, in plane coordinates: x, y and height, rim radii, shape (3,)."""
        axes, centre = self._frame()
        return -centre @ axes

    def parallax_deg(self, angle_deg: float, radius: float, height: float) -> float:
        """How much further clockwise a point above the plane appears than it stands, degrees.

        Parameters
        ----------
        angle_deg, radius : float
            Where it appears, in plane coordinates.
        height : float
            Over the plane, towards the camera, rim radii.

        Notes
        -----
        A point at height h on the line of sight from the lens at height H appears where that line meets the plane; it
        stands a share h/H of the way back towards the foot of the lens.
        """
        lens = self.lens()
        seen = radius * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
        stands = seen + (lens[:2] - seen) * height / lens[2]
        return float((angle_deg - np.degrees(np.arctan2(stands[1], stands[0])) + 180.0) % 360.0 - 180.0)

    def lens_aside(self, angle_deg: float) -> float:
        """How far the lens is from the plane through the axis and a place at an angle, rim radii: more where it is
        further clockwise."""
        a = np.radians(angle_deg)
        return float(self.lens()[:2] @ np.array([-np.sin(a), np.cos(a)]))

    def moved(self, free: np.ndarray) -> Pose:
        """Changed by six numbers: centre (2, in rim radii), log size, lean (2, radians), log focal length."""
        return replace(
            self,
            centre_px=self.centre_px + self.size_px * free[:2],
            size_px=self.size_px * float(np.exp(free[2])),
            lean_rad=self.lean_rad + free[3:5],
            focal_px=self.focal_px * float(np.exp(free[5])),
        )


def rim_misfit(pose: Pose, points_px: np.ndarray) -> np.ndarray:
    """How far out of the rim points of it lie, in rim radii, shape (n,)."""
    at = pose.to_plane(points_px)
    return np.hypot(at[:, 0], at[:, 1]) - 1.0


def ellipse_points(centre_px: np.ndarray, axes_px: tuple[float, float], angle_deg: float, n: int = 36) -> np.ndarray:
    """Points round an ellipse, shape (n, 2): half axes, and the direction of the first, clockwise from the x axis."""
    a = np.arange(n) * 2 * np.pi / n
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    turn = np.array([[c, -s], [s, c]])
    return np.stack([axes_px[0] * np.cos(a), axes_px[1] * np.sin(a)], axis=1) @ turn.T + centre_px


def square_on(centre_px: np.ndarray, radius_px: float, size: tuple[int, int]) -> Pose:
    """A rotor seen along its axis, in a picture of width and height `size`."""
    width, height = size
    return Pose(
        np.asarray(centre_px, float), radius_px, np.zeros(2), FOCAL_SHARE * max(size),
        np.array([(width - 1) / 2, (height - 1) / 2]),
    )  # fmt: skip


def poses_of_ellipse(
    centre_px: np.ndarray, axes_px: tuple[float, float], angle_deg: float, size: tuple[int, int],
    focal_px: float | None = None,
) -> list[Pose]:  # fmt: skip
    """The two poses of a circle that appears as a given ellipse, with the usual lens if it is not told.

    One ellipse has two, leaning opposite ways; near square-on they come together. Begun by the cone of sight, and by
    least squares from there, since the lens is only guessed here and everything is refined later.
    """
    points = ellipse_points(centre_px, axes_px, angle_deg)
    square = square_on(centre_px, max(axes_px), size)
    square = square if focal_px is None else replace(square, focal_px=focal_px)
    poses = []
    for sight, normal in _planes_of_cone(square, points):
        at_px = square.principal_px + square.focal_px * sight[:2] / sight[2]
        start = replace(square, centre_px=at_px)
        axes, _ = start._frame()
        off = axes.T @ normal
        tilt = float(np.arccos(np.clip(off[2], -1.0, 1.0)))
        start = replace(start, lean_rad=tilt * off[:2] / max(float(np.hypot(*off[:2])), 1e-12))

        def misfit(free: np.ndarray, start: Pose = start) -> np.ndarray:
            return rim_misfit(start.moved(np.append(free, 0.0)), points)

        poses.append(start.moved(np.append(least_squares(misfit, np.zeros(5), x_scale=0.01).x, 0.0)))
    return poses


def _planes_of_cone(lens: Pose, points_px: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """The two planes in which the cone of sight through an ellipse is cut as a circle: towards its centre, and the
    normal towards the camera, both in camera axes.

    References
    ----------
    .. [1] Forsyth et al., IEEE Transactions on Pattern Analysis and Machine Intelligence 13, 971 (1991): the planes by
       the eigenvectors of the cone's quadratic form (from memory).
    """
    x, y = ((points_px - lens.principal_px) / lens.focal_px).T
    middle, spread = np.array([x.mean(), y.mean()]), float(np.hypot(x.std(), y.std()))
    u, v = (x - middle[0]) / spread, (y - middle[1]) / spread
    # The conic through the points, about their middle, where its six numbers are of one size.
    a, b, c, d, e, f = np.linalg.svd(np.stack([u * u, u * v, v * v, u, v, np.ones(len(u))], axis=1))[2][-1]
    own = np.array([[a, b / 2, d / 2], [b / 2, c, e / 2], [d / 2, e / 2, f]])
    into = np.array([[1 / spread, 0, -middle[0] / spread], [0, 1 / spread, -middle[1] / spread], [0, 0, 1.0]])
    cone = into.T @ own @ into
    value, vector = np.linalg.eigh(cone)
    if np.count_nonzero(value > 0) == 1:
        value, vector = np.linalg.eigh(-cone)
    least, middling, most = value
    across, along = np.sqrt(max(most - middling, 0.0)) * vector[:, 2], np.sqrt(middling - least) * vector[:, 0]
    planes = []
    for sign in (1.0, -1.0):
        normal = (sign * across + along) / np.sqrt(most - least)
        sight = np.linalg.solve(cone, normal)
        planes.append((sight / sight[2], -normal * np.sign(normal @ sight) * np.sign(sight[2])))
    return planes


def _project(matrix: np.ndarray, xy: np.ndarray) -> np.ndarray:
    xy = np.asarray(xy, float)
    out = xy @ matrix[:, :2].T + matrix[:, 2]
    return out[..., :2] / out[..., 2:]
