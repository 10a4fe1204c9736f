"""The light of a film: each flash's lit rows laid over a steady average, everywhere evenly bright.

In:  frames of a clip, and where each flash lit them.
Out: grey pictures of one size in which the rotor's place stands still.
Not here: what is drawn over them (`film_overlay.py`), the order and length of what is shown (`film.py`).

Flashing pictures can bring on seizures. So what a flash lit replaces the average of all flashes where it lit it, and
is then made as bright, place by place, as that average is: what stands still stays as bright as it was, whatever the
strobe did.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.reckoning.result import Measurement
from timingcam.seeing.clip import ClipInfo, Frame

SIDE_PX = 720  # of the square that is shown: what a telephone's screen shows whole
AROUND = 1.42  # our choice, rotor radii from its centre to the edge: the index and its arrow are in view
FEATHER = 0.012  # of the picture's height: soft edge of what a flash lit, so that no hard line runs through the rotor
INSET = 0.008  # of the height: rows left out at a band's edge, where a flash of some length lit them in part only
COARSE_PX = 24  # brightness is held steady over places of this size; what is finer is what there is to see
WHITE = 0.92  # of the display's range: where the brightest hundredth of the average is put
MAX_GAIN = 3.0
DARK_EVERY = 10  # frames: enough of them to know the light that is always there
RING_STEP_DEG = 5
RIM_SOFT = 0.01  # rotor radii: soft edge between what turns and what stands still
BRACKET_PX = 12  # from the picture's left edge to the line beside the lit rows


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one frame that a flash lit: rows of the sensor."""

    flash: int
    frame: int
    first: int
    last: int


def pieces_of(measurement: Measurement, height: int) -> list[Piece]:
    """What each flash lit, also in the frame after the first.

    Parameters
    ----------
    measurement : Measurement
    height : int
        Rows of the sensor.

    Returns
    -------
    list of Piece
        By flash; one or two for each.
    """
    p, camera = measurement.pictures, measurement.camera
    found = []
    for flash, (frame, first, last) in enumerate(zip(p.frame, p.row_first, p.row_last, strict=True)):
        found.append(Piece(flash, int(frame), int(first), int(last)))
        if last < height - 1 or first <= 0 or camera.line_time_s is None or camera.exposure_s is None:
            continue
        # The band would go on below the foot; the next frame's rows open one frame later.
        rows_a_frame = 1.0 / (measurement.clip.fps * camera.line_time_s)
        on_next = math.floor(first + camera.exposure_s / camera.line_time_s - rows_a_frame)
        if on_next > 0:
            found.append(Piece(flash, int(frame) + 1, 0, min(on_next, height - 1)))
    return found


def framing(measurement: Measurement) -> np.ndarray:
    """How the rotor's plane lies in the film: as one flash near the middle of all saw it, about the rotor.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    ndarray, shape (3, 3)
        Rotor's plane to pixels of the film's square.
    """
    p = measurement.pictures
    known = np.flatnonzero(np.all(np.isfinite(p.to_rotor), axis=(1, 2)))
    from_rotor = np.linalg.inv(p.to_rotor[known])
    centres = from_rotor[:, :2, 2] / from_rotor[:, 2:, 2]
    typical = from_rotor[np.argmin(np.sum((centres - np.median(centres, axis=0)) ** 2, axis=1))]
    centre = typical[:2, 2] / typical[2, 2]
    reach = max(AROUND, p.index_radius + 0.25)
    half = min(reach * measurement.camera.rotor_radius_px, max(measurement.clip.width, measurement.clip.height) / 2)
    size = np.array([measurement.clip.width, measurement.clip.height])
    # Within the clip's picture as far as that is large enough.
    corner = np.clip(centre - half, 0.0, np.maximum(size - 2 * half, 0.0))
    corner = np.where(size < 2 * half, size / 2 - half, corner)
    scale = SIDE_PX / (2 * half)
    to_film = np.array([[scale, 0.0, -scale * corner[0]], [0.0, scale, -scale * corner[1]], [0.0, 0.0, 1.0]])
    return to_film @ typical


def grey(luma: np.ndarray, info: ClipInfo) -> np.ndarray:
    """A frame's luma as grey levels of a screen, shape as shown, uint8."""
    levels = luma.astype(np.float32) / (4.0 if luma.dtype != np.uint8 else 1.0)
    if not info.full_range:
        levels = (levels - 16.0) * (255.0 / 219.0)
    return np.ascontiguousarray(info.orientation.show(np.clip(levels, 0.0, 255.0).astype(np.uint8)))


def lit_share(piece: Piece, info: ClipInfo) -> np.ndarray:
    """How much of a picture counts as lit, 0 to 1 with a soft edge, shape as shown."""
    rows = np.arange(info.height, dtype=np.float32)
    soft = max(FEATHER * info.height, 1.0)
    # A band that reaches the picture's edge has no edge there.
    inset = INSET * info.height
    above = np.ones_like(rows) if piece.first <= 0 else (rows - piece.first - inset) / soft
    below = np.ones_like(rows) if piece.last >= info.height - 1 else (piece.last - inset - rows) / soft
    share = np.clip(np.minimum(above, below), 0.0, 1.0)
    return np.ascontiguousarray(info.orientation.show(np.broadcast_to(share[:, None], (info.height, info.width))))


class Laid:
    """Pictures of one or more flashes, laid on one another as the film shows them."""

    def __init__(self) -> None:
        self._light = np.zeros((SIDE_PX, SIDE_PX), np.float32)
        self._share = np.zeros((SIDE_PX, SIDE_PX), np.float32)

    def add(self, picture: np.ndarray, share: np.ndarray, to_film: np.ndarray) -> None:
        """Lay one picture down, each place with its share."""
        size = (SIDE_PX, SIDE_PX)
        here = cv2.warpPerspective(picture, to_film, size, flags=cv2.INTER_LINEAR)
        much = cv2.warpPerspective(share, to_film, size, flags=cv2.INTER_LINEAR)
        self._light += LIGHT[here] * much
        self._share += much

    def light(self, elsewhere: np.ndarray | float = 0.0) -> np.ndarray:
        """Mean light, relative luminance 0 to 1; what lies elsewhere where nothing was laid."""
        share = np.minimum(self._share, 1.0)
        mean = self._light / np.maximum(self._share, 1e-6)
        return mean * share + elsewhere * (1.0 - share)


# Screen's grey level to relative luminance (WCAG 2.2, "relative luminance"; IEC 61966-2-1), and back in 1/4095.
_LEVELS = np.arange(256) / 255.0
LIGHT = np.where(_LEVELS <= 0.04045, _LEVELS / 12.92, ((_LEVELS + 0.055) / 1.055) ** 2.4).astype(np.float32)
_STEPS = np.arange(4096) / 4095.0
_CODES = np.where(_STEPS <= 0.0031308, _STEPS * 12.92, 1.055 * _STEPS ** (1 / 2.4) - 0.055)
_CODES_8 = np.round(255.0 * _CODES).astype(np.uint8)


def screen(light: np.ndarray) -> np.ndarray:
    """Relative luminance to grey levels of a screen."""
    return _CODES_8[np.clip(light * 4095.0 + 0.5, 0, 4095).astype(np.int16)]


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What every flash is laid over: what stands still, and what turns, each the mean of all flashes."""

    still: np.ndarray  # (SIDE_PX, SIDE_PX) relative luminance, also of what turns, blurred
    turning: np.ndarray  # the rotor as it stands at 0 degrees
    inside: np.ndarray  # 1 within the rotor's outline, 0 outside
    from_rotor: np.ndarray  # (3, 3)

    def at(self, rotor_deg: float) -> np.ndarray:
        """The whole with the rotor turned; with the rotor's rings alone where it is not known how far."""
        if math.isfinite(rotor_deg):
            rotor = self._turned(rotor_deg)
        else:
            rotor = np.mean([self._turned(deg) for deg in range(0, 360, RING_STEP_DEG)], axis=0)
        return rotor * self.inside + self.still * (1.0 - self.inside)

    def _turned(self, deg: float) -> np.ndarray:
        to_film = turn(self.from_rotor, deg) @ np.linalg.inv(self.from_rotor)
        return cv2.warpPerspective(self.turning, to_film, (SIDE_PX, SIDE_PX), borderMode=cv2.BORDER_REPLICATE)


def turn(from_rotor: np.ndarray, deg: float) -> np.ndarray:
    """From the rotor's plane, turned clockwise first, to the film."""
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    return from_rotor @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def ground_of(still: Laid, turning: Laid, dark: np.ndarray, from_rotor: np.ndarray) -> Ground:
    """What every flash is laid over, brought to a good brightness.

    Parameters
    ----------
    still, turning : Laid
        All flashes as the camera saw them, and with the rotor turned back to 0 degrees.
    dark : ndarray, shape (SIDE_PX, SIDE_PX)
        Light where no flash ever shone.
    from_rotor : ndarray, shape (3, 3)
        Rotor's plane to the film.

    Returns
    -------
    Ground
    """
    mean = still.light(dark)
    gain = float(np.clip(LIGHT[round(255 * WHITE)] / max(float(np.percentile(mean, 99)), 1e-4), 1.0, MAX_GAIN))
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX]
    on_rotor = np.stack([x, y, np.ones_like(x)], axis=-1) @ np.linalg.inv(from_rotor).T
    radius = np.hypot(on_rotor[..., 0], on_rotor[..., 1]) / np.abs(on_rotor[..., 2])
    inside = np.clip((1.0 - radius) / RIM_SOFT, 0.0, 1.0).astype(np.float32)
    lit = np.minimum(mean * gain, 1.0)
    return Ground(lit, np.minimum(turning.light(mean) * gain, 1.0), inside, from_rotor)


def evened(light: np.ndarray, steady: np.ndarray) -> np.ndarray:
    """A picture made as bright as the steady one, place by place and as a whole.

    Parameters
    ----------
    light, steady : ndarray, shape (SIDE_PX, SIDE_PX)
        Relative luminance.

    Returns
    -------
    ndarray
        What is finer than `COARSE_PX` is kept.
    """
    floor = 0.002  # a hundredth of a dim grey: black places are not blown up into noise
    even = light * ((_coarse(steady) + floor) / (_coarse(light) + floor))
    even = np.minimum(even, 1.0)
    return np.minimum(even * float(steady.mean() / max(even.mean(), 1e-6)), 1.0)


def _coarse(light: np.ndarray) -> np.ndarray:
    small = cv2.resize(light, None, fx=4 / COARSE_PX, fy=4 / COARSE_PX, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 4.0, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, light.shape[::-1], interpolation=cv2.INTER_LINEAR)


def by_frame(pieces: Iterable[Piece]) -> dict[int, list[Piece]]:
    """Pieces under their frame's number."""
    found: dict[int, list[Piece]] = {}
    for piece in pieces:
        found.setdefault(piece.frame, []).append(piece)
    return found


def lay(laid: Laid, frame: Frame, piece: Piece, info: ClipInfo, to_film: np.ndarray) -> None:
    """Lay what a flash lit of one frame."""
    laid.add(grey(frame.luma, info), lit_share(piece, info), to_film)


def bracket(pieces: Iterable[Piece], info: ClipInfo, to_film: np.ndarray) -> np.ndarray | None:
    """Ends of a line along the film's left edge, beside the rows that were lit.

    Parameters
    ----------
    pieces : iterable of Piece
        Of one flash.
    info : ClipInfo
    to_film : ndarray, shape (3, 3)
        Pixels as shown to pixels of the film.

    Returns
    -------
    ndarray, shape (2, 2), or None
        None where all that is shown is lit, or rows run along the picture's height as it is shown, or the place is not
        known.
    """
    lit = list(pieces)
    if not np.all(np.isfinite(to_film)) or info.orientation.quarter_turns % 2 or len(lit) != 1:
        return None
    middle = info.width / 2
    ends = info.orientation.to_shown(np.array([[middle, lit[0].first], [middle, lit[0].last]]))
    seen = np.column_stack([ends, np.ones(2)]) @ to_film.T
    y = np.clip(np.sort(seen[:, 1] / seen[:, 2]), 0, SIDE_PX - 1)
    if y[1] - y[0] > SIDE_PX - 4:
        return None
    return np.array([[BRACKET_PX, y[0]], [BRACKET_PX, y[1]]])
