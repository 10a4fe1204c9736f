"""The opening through which a part of the rotor shows: where the picture changes from flash to flash.

In:  pictures laid on one another by what stands still, their mean.
Out: where the rotor shows, as a mask; and which way what moves there runs; the pictures of the clip that show it.
Not here: where the rotor's centre or shaft lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.clip import ClipInfo, frames
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import LitPicture
from timingcam.seeing.mosaic import Stack
from timingcam.seeing.survey import KEPT_BYTES

UNSTEADY_PX = 0.7  # our choice: a picture laid so far aside makes that much of a still edge's slope
STANDS_OUT = 4.0  # our choice: what moves, over the noise of what stands still
STILL_SHARE = 0.2  # our choice: of the picture, at least so much stands still, or no opening is seen
SWAYING_PX, EDGE_PX, MOST = 2.0, 7, 0.5  # our choice: how far aside, an edge's breadth, share of what moves
JOINED_SHARE = 0.08  # our choice, of the picture's shorter side: from a mark to the letter at its foot
THIN_SHARE = 0.01  # our choice: of the picture's shorter side; a still edge laid a little aside is thinner
LEAST_SHARE = 0.001  # our choice: of the picture's area; less shows no marks that could be told
MOST_SHOWN = 120  # our choice: pictures; each shows the opening, and little of the rotor
SHOWS_SHARE = 0.6  # our choice: of the opening's rows, that a flash lit
TALL_PERCENT = 75.0  # our choice: of the pieces of flashes, some are cut off at a frame's edge
FEWEST_BESIDE, EACH_BESIDE = 6, 8  # our choice: pictures above and below it, and one for so many that show it
DO_OPENING = "hold the phone still and nearer, square to the opening, with its whole edge and the index in the picture"


class NotAPart(CannotMeasure):
    """No sign that only a part of the rotor shows: its centre is in view, or nothing says where it is. A rotor whose
    face is marked is to be looked for as a whole."""


class InView(NotAPart):
    """Its centre, or most of its rim, is in view."""


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """Where the rotor shows: `shows` (h, w) of bool; `hull_px` (n, 2) the corners round it; `run_rad` the direction in
    which the light changes most there, clockwise from x: marks run across it."""

    shows: np.ndarray
    hull_px: np.ndarray
    run_rad: float

    def middle_px(self) -> np.ndarray:
        """The middle of its corners' box, shape (2,)."""
        return 0.5 * (self.hull_px.min(axis=0) + self.hull_px.max(axis=0))

    def reach_px(self) -> float:
        """Half its longer side."""
        return 0.5 * float(np.ptp(self.hull_px, axis=0).max())

    def beside(self, margin_px: float) -> np.ndarray:
        """What surely stands still: all that is further from it than that, shape (h, w)."""
        return cv2.distanceTransform((~self.shows).astype(np.uint8), cv2.DIST_L2, 5) > margin_px


def find_opening(stack: Stack, mean: np.ndarray, known: np.ndarray) -> Opening:
    """Find where the picture changes from flash to flash.

    Parameters
    ----------
    stack : Stack
    mean : ndarray, shape (h, w), float32
    known : ndarray of bool, same shape

    Raises
    ------
    NotAPart
        If nothing moves, or nothing stands still.
    """
    power, slopes, count = _changes(stack, mean, known)
    seen = known & (count > 3)
    if not seen.any():
        raise _no_opening("flashes that show no part of the picture in common")
    variance = cv2.blur(power / np.maximum(count, 1), (3, 3))
    gx, gy = cv2.Scharr(mean, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(mean, cv2.CV_32F, 0, 1) / 32
    noise = float(np.percentile(variance[seen], 100 * STILL_SHARE))
    slope = cv2.magnitude(gx, gy)
    over = np.where(seen, variance - STANDS_OUT**2 * noise, -1.0).astype(np.float32)
    loose = _largest(over - (UNSTEADY_PX * slope) ** 2)
    # Edges in another plane than the rest move aside by more when the hand sways. Where leaving out all that lies about
    # an edge leaves most of what moves, it is left out; narrow marks would go with it.
    about = cv2.dilate(slope, np.ones((EDGE_PX, EDGE_PX), np.uint8))
    strict = _largest(over - (SWAYING_PX * about) ** 2)
    there, hull = strict if cv2.contourArea(strict[1]) > MOST * cv2.contourArea(loose[1]) else loose
    if there.sum() < LEAST_SHARE * mean.size:
        raise _no_opening("next to nothing that changes from flash to flash")
    shows = np.zeros(mean.shape, np.uint8)
    cv2.fillConvexPoly(shows, hull, 1)
    tensor = [float(part[there].sum()) for part in slopes]
    run_rad = 0.5 * float(np.arctan2(2 * tensor[2], tensor[0] - tensor[1]))
    return Opening((shows > 0) & known, hull[:, 0].astype(float), run_rad)


def _largest(over: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The connected part that stands out most, where `over` is positive: its pixels, and the corners round it."""
    short = min(over.shape)
    thin, reach = (max(3, round(share * short)) | 1 for share in (THIN_SHARE, JOINED_SHARE))
    moves = cv2.morphologyEx((over > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((thin, thin), np.uint8))
    # Marks leave gaps between them where bare metal passes: what lies within a few per cent of one another is one.
    n, label = cv2.connectedComponents(cv2.dilate(moves, np.ones((reach, reach), np.uint8)))
    weight = np.bincount(label.ravel(), (over * moves).ravel(), n)
    weight[0] = 0
    there = (label == int(np.argmax(weight))) & (moves > 0)
    if n < 2 or not there.any():
        return np.zeros(over.shape, bool), np.zeros((1, 1, 2), np.int32)
    rows, cols = np.nonzero(there)
    return there, cv2.convexHull(np.stack([cols, rows], axis=1).astype(np.int32))


def _changes(stack: Stack, mean: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Sums over the pictures of what they differ by from the mean, squared; of the products of its slopes (xx, yy, xy);
    and how many show each place."""
    h, w = mean.shape
    power, count = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    slopes = [np.zeros((h, w), np.float32) for _ in range(3)]
    inverse = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    for lit, shift in zip(stack.lit, stack.shifts, strict=True):
        warp = shift.matrix()
        mask = np.zeros((h, w), np.float32)
        mask[lit.first : lit.last + 1] = 1.0
        inside = (cv2.warpPerspective(mask, warp, (w, h), flags=inverse) > 0.99) & known
        picture = cv2.warpPerspective(stack.light.picture(lit.luma, lit.rows), warp, (w, h), flags=inverse)
        if not inside.any():
            continue
        gain = float(np.median(picture[inside] / np.maximum(mean[inside], 1e-6)))
        off = np.where(inside, picture - gain * mean, 0).astype(np.float32)
        power += off**2
        count += inside
        soft = cv2.GaussianBlur(off, (0, 0), 1.2)
        dx, dy = cv2.Scharr(soft, cv2.CV_32F, 1, 0), cv2.Scharr(soft, cv2.CV_32F, 0, 1)
        whole = cv2.erode(inside.astype(np.uint8), np.ones((7, 7), np.uint8))
        for total, part in zip(slopes, (dx * dx, dy * dy, dx * dy), strict=True):
            total += part * whole
    return power, slopes, count


def _no_opening(found: str) -> NotAPart:
    return NotAPart(found=found, expected="a part of the rotor that turns, in an opening that stands still",
                         do=DO_OPENING)  # fmt: skip


def pictures_showing(
    info: ClipInfo, flashes: Flashes, opening: Opening, fewest: int
) -> tuple[list[LitPicture], list[LitPicture]]:
    """Pictures of flashes that lit the opening, and a few of others that lit what is beside it, where the index may be;
    both evenly from all over the clip."""
    low, high = opening.hull_px[:, 1].min(), opening.hull_px[:, 1].max()
    per_frame = info.width * info.height * (2 if info.bits > 8 else 1)
    most = min(MOST_SHOWN, max(fewest, int(KEPT_BYTES / per_frame)))
    # Of an opening that is taller than what any flash lights, that much.
    tall = min(high - low, float(np.percentile(flashes.piece_last - flashes.piece_first, TALL_PERCENT)))
    shows = _lit_rows(flashes, low, high) >= SHOWS_SHARE * tall
    index = _evenly(np.flatnonzero(shows), most)
    few = max(FEWEST_BESIDE, len(index) // EACH_BESIDE)
    others: list[int] = []
    for above, below in ((low - (high - low), low), (high, high + (high - low))):
        above, below = np.clip([above, below], 0.0, info.height - 1.0)
        there = _lit_rows(flashes, above, below) >= max(SHOWS_SHARE * (below - above), 1.0)
        others.extend(_evenly(np.flatnonzero(there & ~shows), few))
    wanted = np.unique([*index, *others]).astype(int)
    wanted = wanted[np.argsort(flashes.piece_frame[wanted], kind="stable")]
    at, rate_hz = flashes.piece_frame[wanted], flashes.rate_hz()
    showing: list[LitPicture] = []
    beside: list[LitPicture] = []
    for frame in frames(info):
        a, b = np.searchsorted(at, [frame.number, frame.number + 1])
        for k in wanted[a:b]:
            rows = int(flashes.piece_first[k]), int(flashes.piece_last[k])
            flash = int(flashes.piece_of[k])
            picture = LitPicture(frame.luma, frame.number, flash, *rows, float(rate_hz[flash]))
            (showing if shows[k] else beside).append(picture)
    return showing, beside


def _lit_rows(flashes: Flashes, first: float, last: float) -> np.ndarray:
    """How many of some rows each piece of a flash lit; negative where it ended before them or began after."""
    return np.minimum(flashes.piece_last, last) - np.maximum(flashes.piece_first, first)


def _evenly(index: np.ndarray, most: int) -> np.ndarray:
    if len(index) <= most:
        return index
    return index[np.unique(np.linspace(0, len(index) - 1, most).round().astype(int))]
