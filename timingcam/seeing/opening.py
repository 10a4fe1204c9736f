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
from timingcam.seeing.rings import Ring, find_rings, unit_circle
from timingcam.seeing.speeds import WIDEST_STEP
from timingcam.seeing.stack import Stack
from timingcam.seeing.survey import KEPT_BYTES

UNSTEADY_PX = 0.7  # our choice: a picture laid so far aside makes that much of a still edge's slope
STANDS_OUT = 4.0  # our choice: what moves, over the noise of what stands still
STILL_SHARE = 0.2  # our choice: of the picture, at least so much stands still, or no opening is seen
SWAYING_PX, EDGE_PX, MOST = 2.0, 7, 0.5  # our choice: how far aside, an edge's breadth, share of what moves
JOINED_SHARE = 0.08  # our choice, of the picture's shorter side: from a mark to the letter at its foot
WHOLE, NEARLY_ALL = 0.6, 0.97  # our choice: of a hole's edge, of what moves in it
OF_ONE_SHARE = 0.05  # our choice: of what stands out most; less beside it is a shake's or a reflection's
THIN_SHARE = 0.01  # our choice: of the picture's shorter side; a still edge laid a little aside is thinner
LEAST_SHARE = 0.001  # our choice: of the picture's area; less shows no marks that could be told
MOST_SHOWN = 120  # our choice: pictures; each shows the opening, and little of the rotor
SHOWS_SHARE = 0.6  # our choice: of the opening's rows, that a flash lit
SHOWS_LEAST = 0.25  # our choice: of the same, where no flash lit more at about that speed
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
    hole: Ring | None = None  # the round one that it is, if it is

    def middle_px(self) -> np.ndarray:
        """The middle of its corners' box, shape (2,)."""
        return 0.5 * (self.hull_px.min(axis=0) + self.hull_px.max(axis=0))

    def reach_px(self) -> float:
        """Half its longer side."""
        return 0.5 * float(np.ptp(self.hull_px, axis=0).max())

    def beside(self, margin_px: float) -> np.ndarray:
        """What surely stands still: all that is further from it than that, shape (h, w)."""
        return cv2.distanceTransform((~self.shows).astype(np.uint8), cv2.DIST_L2, 5) > margin_px


def find_opening(
    stack: Stack, mean: np.ndarray, known: np.ndarray, *, may_be_round: bool = False, before: Opening | None = None
) -> Opening:
    """Find where the picture changes from flash to flash; or the round hole in which it does.

    Parameters
    ----------
    stack : Stack
    mean : ndarray, shape (h, w), float32
    known : ndarray of bool, same shape
    may_be_round : bool
        Whether a round hole is looked for: more of the rotor shows in it than what moves, grooves and bare metal.
    before : Opening, optional
        As it was found already in the same pixels: if that was a round hole, so is this.

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
    hole = before.hole if before is not None else None
    if hole is None and may_be_round:
        hole = _round_hole(mean, known, there)
    if hole is not None:
        hull = cv2.convexHull((hole.centre_px + unit_circle() @ hole.shape_px()).round().astype(np.int32))
        cv2.fillConvexPoly(shows, hull, 1)
    return Opening((shows > 0) & known, hull[:, 0].astype(float), run_rad, hole)


def _round_hole(mean: np.ndarray, known: np.ndarray, moves: np.ndarray) -> Ring | None:
    """The smallest ring that stands still about what moves; None where there is none that is whole or nearly so."""
    at_px = np.argwhere(moves)[:, ::-1].astype(float)

    def is_about(ring: Ring) -> bool:
        radius = np.linalg.norm((at_px - ring.centre_px) @ np.linalg.inv(ring.shape_px()), axis=1)
        return float((radius < 1).mean()) > NEARLY_ALL

    rings = [ring for ring in find_rings(mean, known) if ring.coverage > WHOLE and is_about(ring)]
    return min(rings, key=lambda ring: ring.size_px, default=None)


def _largest(over: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The part that stands out most, where `over` is positive, with what belongs to it: its pixels, and the corners
    round it."""
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
    for k in np.argsort(-weight)[1:]:
        if weight[k] < OF_ONE_SHARE * weight.max():
            break
        other = (label == k) & (moves > 0)
        if _near(there, other):
            there |= other
    return there, _corners(there)


def _corners(there: np.ndarray) -> np.ndarray:
    """The corners round some pixels, as OpenCV tells them, shape (n, 1, 2)."""
    return cv2.convexHull(np.argwhere(there)[:, ::-1].astype(np.int32))


def _near(there: np.ndarray, other: np.ndarray) -> bool:
    """Whether two parts are no further apart than the broader one is broad: marks at a hole's upper side and a bore at
    its lower one show in one hole."""
    corners = [_corners(part) for part in (there, other)]
    broad = [float(np.ptp(each[:, 0], axis=0).max()) for each in corners]
    inside, outside = corners if broad[0] > broad[1] else corners[::-1]
    gap = -max(cv2.pointPolygonTest(inside.astype(np.float32), (float(x), float(y)), True) for x, y in outside[:, 0])
    return gap < max(broad)


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
    rate_hz = flashes.rate_hz()
    lit_rows = _lit_rows(flashes, low, high)
    shows = lit_rows >= SHOWS_SHARE * tall
    shows |= (lit_rows >= SHOWS_LEAST * tall) & _in_gaps(rate_hz[flashes.piece_of], shows)
    index = _evenly(np.flatnonzero(shows), most)
    few = max(FEWEST_BESIDE, len(index) // EACH_BESIDE)
    others: list[int] = []
    for above, below in ((low - (high - low), low), (high, high + (high - low))):
        above, below = np.clip([above, below], 0.0, info.height - 1.0)
        there = _lit_rows(flashes, above, below) >= max(SHOWS_SHARE * (below - above), 1.0)
        others.extend(_evenly(np.flatnonzero(there & ~shows), few))
    wanted = np.unique([*index, *others]).astype(int)
    wanted = wanted[np.argsort(flashes.piece_frame[wanted], kind="stable")]
    at = flashes.piece_frame[wanted]
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


def _in_gaps(rate_hz: np.ndarray, shows: np.ndarray) -> np.ndarray:
    """Which pieces came at speeds between those that show enough: marks are followed from one speed to the next."""
    shown = np.unique(rate_hz[shows])
    gap = np.flatnonzero(shown[1:] > WIDEST_STEP * shown[:-1])
    after = np.searchsorted(shown, rate_hz, "right") - 1
    return np.isin(after, gap) & ~np.isin(rate_hz, shown)


def _lit_rows(flashes: Flashes, first: float, last: float) -> np.ndarray:
    """How many of some rows each piece of a flash lit; negative where it ended before them or began after."""
    return np.minimum(flashes.piece_last, last) - np.maximum(flashes.piece_first, first)


def _evenly(index: np.ndarray, most: int) -> np.ndarray:
    if len(index) <= most:
        return index
    return index[np.unique(np.linspace(0, len(index) - 1, most).round().astype(int))]
