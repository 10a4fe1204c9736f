"""Row brightness of every frame to how many flashes' light each row holds.

In:  the mean light of each row of each frame, shape (n_frames, n_rows).
Out: the same in units of one flash: 0 where only ambient light fell, 1 where one flash did, 2 where two did.
Not here: where that changes (`steps.py`).

A row's light is what the scene gives by itself plus a share for every flash within the row's exposure. Where exposures
are longer than the time between flashes, most lit rows may hold two: what one gives is told by how much a row brightens
from one row to the next, where a flash begins.
"""

from __future__ import annotations

import warnings

import cv2
import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.seeing.side_by_side import side_by_side

LEAST_OF_AMBIENT = 0.06  # our choice: what a passing shadow, or exposure that hunts, may do to whole rows
MIN_CONTRAST = 5.0  # our choice: a flash must stand this many row-noise sds over the ambient light
DO_LIGHT = "film nearer, with the strobe nearer to the marks and less light from elsewhere"
ABOUT = 40  # our choice: of the rows, so many parts on either side of a row tell with it whether a flash lit it
SELDOM = 0.5  # our choice: of the frames in which those say so
STEEP_SHARE = 0.25  # our choice: of the brightest light; a smaller change over a few rows is no flash's edge
FEWEST_STEPS = 12
DIM = 0.4  # our choice: of the usual row's light
REACH_SHARE = 0.14  # of the rows: as far as pictures are laid on one another, 0.08 of 16 by 9
TO_AND_FRO = 0.05  # our choice, of the same: what a move as far as pictures reach must gain
ALIGNINGS = 4  # our choice: two suffice, but where the hand moved by much
OTHERWISE = 0.5  # our choice, of the logarithm of light: rows that are off by more are so by something else
LEAST_MOVE_ROWS = 6  # our choice: less is in no one's way
ENOUGH_FRAMES = 12  # our choice: the median of so many is known to a third of what one frame differs by
ENOUGH_ROWS = 200  # our choice: neighbours say nearly the same
LEAST_LIT_SHARE = 0.15  # of the rows
NEARER = 0.005  # our choice, of the logarithm of light: of shifts that fit alike the nearer
UNDER_TWO = 1.6  # flashes, our choice: two give less than twice the light of one where the metal is near white
ONE_FLASH = 0.8  # steps of this share of the brightest light or more: no row held two flashes


def in_flashes(light: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
    """Light in units of a typical flash, the standard deviation of the rows' noise in the same, and the dim rows.

    Parameters
    ----------
    light : ndarray, shape (n_frames, n_rows)
        Mean light of each row, linear.

    Returns
    -------
    lit : ndarray, shape (n_frames, n_rows), float32
        Where hardly any row of the clip held two flashes, what lies between one and two is taken for one.
    noise : float
    dim : ndarray, shape (n_rows,), bool
        Rows where the scene is so dark that a bright thing moved by the hand looks like a flash.

    Raises
    ------
    CannotMeasure
        If nothing stands out from the light of the place.
    """
    ambient = np.percentile(light, 4, axis=0)
    over = light - ambient
    # Noise of one row: differences from row to row hold next to nothing of the scene once its own profile is out.
    noise = 1.4826 * float(np.median(np.abs(np.diff(over, axis=1)))) / np.sqrt(2) + 1e-7
    top = _brightest(over)
    usual_top, usual_ambient = float(np.median(top)), float(np.median(ambient))
    if usual_top < MIN_CONTRAST * noise or usual_top < LEAST_OF_AMBIENT * usual_ambient:
        raise CannotMeasure(
            found="no flash that stands out from the light of the place",
            expected=f"rows at least {MIN_CONTRAST:.0f} times their noise brighter under the flash",
            do=DO_LIGHT,
        )
    flash = np.maximum(top, 0.15 * usual_top)
    one = _one_flash(over / flash)
    most = 1.5 if one < ONE_FLASH else np.inf
    flash = _usual(over, flash * one, most)
    # A hand that shakes moves bright metal up and down: the picture of one flash moves along.
    dim = flash < DIM * float(np.median(flash))
    moved = _moved(over, flash) if one >= ONE_FLASH else np.zeros(len(over), int)
    if np.ptp(moved) >= LEAST_MOVE_ROWS:
        flash = _usual_moved(over, flash, moved, most)
    lit = (over / flash).astype(np.float32)
    if one >= ONE_FLASH:
        # Rows with two flashes are rare then. Somewhat more light than one gives is a bright thing that the hand moved;
        # in dim rows, any.
        lit = np.where((lit < UNDER_TWO) | dim, np.minimum(lit, 1.0), lit)
    return lit, noise / float(np.median(flash)), dim


def _usual(over: np.ndarray, flash: np.ndarray, most: float) -> np.ndarray:
    """The usual light of rows that one flash lit: the brightest frames overstate it.

    Where those above and below a row say that it was lit much more often than its own light does, it is a dark one, of
    a gap along the rows, and they are believed: beside a flash's end only one side is lit.
    """
    about = max(3, over.shape[1] // ABOUT)
    over_about = _smooth(over, about)
    for _ in range(2):
        flash_about = _smooth(flash, about)[0]
        own = (over > 0.5 * flash) & (over < most * flash)
        lit_about = (over_about > 0.5 * flash_about) & (over_about < most * flash_about)
        theirs = np.zeros(over.shape, bool)
        theirs[:, about:-about] = lit_about[:, : -2 * about] & lit_about[:, 2 * about :]
        often = theirs.sum(axis=0)
        dark = (own.sum(axis=0) < SELDOM * often) & (often >= ENOUGH_FRAMES)
        bright = np.where(np.where(dark, theirs, own), over, np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # rows that were never lit have no median
            usual = np.nanmedian(bright, axis=0)
        usual = np.where(np.isfinite(usual), usual, flash)
        wide, fine = _smooth(usual, max(2, over.shape[1] // 80))[0], _smooth(usual, 1)[0]
        # A straight edge of the scene along the rows is sharp: where enough frames tell, so is the flash's light.
        told = np.isfinite(bright).sum(axis=0) >= ENOUGH_FRAMES
        flash = np.maximum(np.where(told, fine, wide), 0.15 * float(np.median(usual)))
    return flash


def _usual_moved(over: np.ndarray, flash: np.ndarray, moved: np.ndarray, most: float) -> np.ndarray:
    """The usual light of rows that one flash lit, in each frame, of a picture that moves by so many rows: shape of
    `over`.

    What one frame does not show any more, above or below, others do. And against what all show together, where each
    lies is seen better.
    """
    n_rows = over.shape[1]
    beyond = max(2, round(REACH_SHARE * n_rows))
    for _ in range(ALIGNINGS):
        placed = np.full((len(over), n_rows + 2 * beyond), np.nan)
        for row, own, first in zip(placed, over, beyond - moved, strict=True):
            row[first : first + n_rows] = own
        begun = flash if len(flash) > n_rows else np.pad(flash, beyond, mode="edge")
        flash = _usual(placed, begun, most)
        again = _moved(over, flash)
        if np.array_equal(again, moved):
            break
        moved = again
    return np.stack([flash[first : first + n_rows] for first in beyond - moved])


def _moved(over: np.ndarray, flash: np.ndarray) -> np.ndarray:
    """By how many rows the picture is moved in each frame, shape (n_frames,): where lit rows are the evenest share of
    the flash's light, and without more to and fro than that takes; between frames with few lit rows as in their
    neighbours.

    `flash` is shape (n_rows,), or, of a picture that moves, as from some rows above the frame to as many below.
    """
    n_rows = over.shape[1]
    reach = max(2, round(REACH_SHARE * n_rows))
    beyond = (len(flash) - n_rows) // 2
    shifts = np.arange(-reach, reach + 1)
    log_flash = np.log(np.pad(flash, reach, mode="edge").astype(np.float32))
    # The row of the flash's light that each shift puts at the frame's first.
    firsts = reach + beyond - shifts

    def unevenness(own: np.ndarray) -> np.ndarray | None:
        rows = np.flatnonzero(own > 0.3 * flash[beyond : beyond + n_rows])
        if len(rows) < LEAST_LIT_SHARE * n_rows:
            return None
        rows = rows[:: max(1, len(rows) // ENOUGH_ROWS)]
        share = np.log(own[rows].astype(np.float32))[None, :] - log_flash[firsts[:, None] + rows[None, :]]
        # An edge of the scene that is off its place shows in a few rows, by much.
        off = np.abs(share - np.median(share, axis=1, keepdims=True))
        return np.minimum(off, OTHERWISE).mean(axis=1) + NEARER * np.abs(shifts) / reach

    each = list(side_by_side(unevenness, over))
    told = [frame for frame, uneven in enumerate(each) if uneven is not None]
    if not told:
        return np.zeros(len(over), int)
    path = shifts[_calmest(np.array([uneven for uneven in each if uneven is not None]), TO_AND_FRO / reach)]
    return np.round(np.interp(np.arange(len(over)), told, path)).astype(int)


def _calmest(cost: np.ndarray, a_step: float) -> np.ndarray:
    """The column to take in each row, shape (n,), for the least sum of their costs and of so much for each column from
    one row to the next (Viterbi's path)."""
    n, n_columns = cost.shape
    columns = np.arange(n_columns)
    change = (a_step * np.abs(columns[:, None] - columns[None, :])).astype(np.float32)
    total, came_from = cost[0].astype(np.float32), np.zeros((n, n_columns), np.int32)
    for row in range(1, n):
        options = total[:, None] + change
        came_from[row] = options.argmin(axis=0)
        total = options[came_from[row], columns] + cost[row].astype(np.float32)
    path = np.empty(n, int)
    path[-1] = int(total.argmin())
    for row in range(n - 1, 0, -1):
        path[row - 1] = came_from[row, path[row]]
    return path


def _shifted(light: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Each frame's rows moved down by its number of rows, the outermost repeated."""
    index = np.clip(np.arange(light.shape[1])[None, :] - rows[:, None], 0, light.shape[1] - 1)
    return np.take_along_axis(light, index, axis=1)


def _brightest(over: np.ndarray) -> np.ndarray:
    n_top = max(3, round(0.004 * len(over)))
    top = np.partition(over, -n_top, axis=0)[-n_top:].mean(axis=0) if len(over) > n_top else over.max(axis=0)
    return _smooth(top, max(3, over.shape[1] // ABOUT))[0]


def _one_flash(share: np.ndarray) -> float:
    """What one flash gives, as a share of the brightest light: the usual height of a steep change along the rows."""
    reach = max(4, share.shape[1] // 24)
    change = np.abs(share[:, 2 * reach :] - share[:, : -2 * reach])
    # The highest point of each steep stretch is one step.
    peak = cv2.dilate(change.astype(np.float32), np.ones((1, 4 * reach + 1), np.uint8))
    heights = change[(change >= peak) & (change > STEEP_SHARE)]
    return min(1.0, float(np.median(heights))) if len(heights) >= FEWEST_STEPS else 1.0


def _smooth(profiles: np.ndarray, half: int) -> np.ndarray:
    """The mean of as many on either side, along the rows of one profile or of several, shape (n, n_rows), of those
    that are known; NaN where none is."""
    profiles = np.atleast_2d(profiles).astype(np.float32)
    known = np.isfinite(profiles)
    if known.all():
        return _blurred(profiles, half)
    share = _blurred(known.astype(np.float32), half)
    return np.where(share > 0, _blurred(np.where(known, profiles, 0), half) / np.maximum(share, 1e-6), np.nan)


def _blurred(profiles: np.ndarray, half: int) -> np.ndarray:
    return cv2.blur(profiles, (2 * half + 1, 1), borderType=cv2.BORDER_REPLICATE)
