"""Every flash of the clip to the rotor's angle.

In:  the clip, its flashes, the view found from some of them.
Out: `FlashTurns`: for each flash how far the rotor had turned, and pictures to show it.
Not here: advance, which needs the marks' names (`marks.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.angles import Turn, fits, read_turn
from timingcam.seeing.cells import OWN_AND_ANOTHER, Cells, telling_cells
from timingcam.seeing.clip import ClipInfo, frames
from timingcam.seeing.flashes import Flashes
from timingcam.seeing.light import FlashLight
from timingcam.seeing.place import Ahead
from timingcam.seeing.register import register
from timingcam.seeing.shift import Shift
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.sides import NEAR_DEG
from timingcam.seeing.slices import in_slices
from timingcam.seeing.smear import smeared_to
from timingcam.seeing.strips import Sampler, make_sampler, read_strip
from timingcam.seeing.view import View

CROP_PX = 360  # our choice: width kept of each flash's picture
MOST_CROPS = 96
FEWEST_PAIRS = 5  # our choice
NOT_RECOGNISED, TWO_ANGLES = "the rotor cannot be recognised", "the rotor could stand at two angles"
CHI2_MEDIAN = 0.455  # of one degree of freedom
LEAST_KNOWN = 0.02  # our choice: of the cells that can be seen
BEYOND_DEG = 4.0  # our choice: a flash between two speeds that were looked at, or a spark that strays


@dataclass(frozen=True, slots=True, eq=False)
class FlashTurns:
    """Per flash, shape (n_flashes,): the turn, its sd (NaN where it could not be read), how well it matched, and why
    not.

    `centre` (n, 2) is where the rotor turned about, from the pose's centre, in rotor radii; `covariance` (n, 3, 3)
    that of turn (radians) and centre. `shift` is the 3 x 3 transform from the reference picture to the flash's first
    readable frame. `crops` are luma pictures of some flashes, with the flash each shows and the stored pixel of its
    first cell.
    """

    turn_deg: np.ndarray
    turn_sd_deg: np.ndarray
    centre: np.ndarray
    covariance: np.ndarray
    match: np.ndarray
    reason: tuple[str, ...]
    shift: np.ndarray
    crop_of: np.ndarray
    crops: np.ndarray
    crop_origin_px: np.ndarray
    crop_scale: float
    # Covariance of where single things that stand still appear, rotor radii squared, (n, 2, 2).
    place: np.ndarray

    def seen_at(self, at_deg: float, at_radius: float) -> tuple[np.ndarray, np.ndarray]:
        """The turn by which a place on the rotor came to where something stands still, and its sd, degrees.

        From a few marks on one side, a turn is hard to tell from a shift of the centre; but where they stand about the
        index, both move them against it alike. So this is known far better than the turn by itself, and a centre that
        was found a little aside hardly matters.

        Parameters
        ----------
        at_deg, at_radius : float
            Of what stands still, on the pose's plane: degrees clockwise, rotor radii.

        Returns
        -------
        turn_deg, sd_deg : ndarray, shape (n_flashes,)
        """
        a = np.radians(at_deg)
        # Where the centre moves by (x, y), what lies at that angle and radius appears further on by this.
        lever = np.array([1.0, -np.sin(a) / at_radius, np.cos(a) / at_radius])
        turn = self.turn_deg + np.degrees(self.centre @ lever[1:])
        own = np.degrees(np.sqrt(np.einsum("i,nij,j->n", lever, self.covariance, lever)))
        roll_var = np.maximum(self.turn_sd_deg**2 - np.degrees(1) ** 2 * self.covariance[:, 0, 0], 0.0)
        place = np.degrees(np.sqrt(np.einsum("i,nij,j->n", lever[1:], self.place, lever[1:])))
        return turn, np.sqrt(own**2 + roll_var + place**2)


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    turn: Turn | None
    shift: Shift | None
    reason: str


class _Table:
    """What each piece told, a row each: a long clip has tens of thousands, and as objects each takes two kilobytes."""

    def __init__(self, n: int) -> None:
        self.turn = np.full((n, 9), np.nan)  # deg, sd, match, rival, overlap, likeness, centre x and y, explained
        self.covariance = np.full((n, 3, 3), np.nan)  # of the turn and its centre
        self.matrix = np.full((n, 3, 3), np.nan)  # from the reference picture
        self.roll = np.full((n, 2), np.nan)  # the case's own turn in the picture, radians, and its variance
        self.apart_px2 = np.full((n, 2, 2), np.nan)
        self.reason = [""] * n

    def put(self, k: int, piece: _Piece) -> None:
        """Keep what one piece told."""
        self.reason[k] = piece.reason
        if piece.shift is not None:
            self.matrix[k], self.apart_px2[k] = piece.shift.matrix(), piece.shift.apart_px2
            self.roll[k] = piece.shift.params[3], piece.shift.covariance[3, 3]
        if piece.turn is not None:
            t = piece.turn
            self.turn[k] = t.deg, t.sd_deg, t.match, t.rival, t.overlap, t.likeness, *t.centre, t.explained
            self.covariance[k] = _covariance(t)

    def turns(self, pieces: list[int]) -> list[Turn]:
        """The turns of those pieces that were read."""
        found = []
        for k in pieces:
            deg, sd, match, rival, overlap, likeness, x, y, explained = map(float, self.turn[k])
            if np.isfinite(deg):
                found.append(Turn(deg, sd, match, rival, overlap, likeness, (x, y), self.covariance[k], explained))
        return found

    def located(self, pieces: list[int]) -> list[int]:
        """Those of the pieces that were laid on the reference."""
        return [k for k in pieces if np.isfinite(self.matrix[k, 0, 0])]


def read_flashes(
    info: ClipInfo,
    flashes: Flashes,
    light: FlashLight,
    view: View,
    progress: Callable[[int], None] | None = None,
    near_deg: np.ndarray | None = None,
) -> FlashTurns:
    """Read the rotor's angle in every flash.

    Parameters
    ----------
    info : ClipInfo
    flashes : Flashes
    light : FlashLight
    view : View
    progress : callable, optional
        Told the number of frames seen so far.
    near_deg : ndarray, shape (n,), optional
        About where the rotor is to be looked for in each; flashes of which that is NaN are left out.
    """
    sampler = make_sampler(view.rotor.grid, view.pose, view.shown)
    cells = _cells_of(view)
    which = np.ones(len(flashes), bool) if near_deg is None else np.isfinite(near_deg)
    pieces: list[list[int]] = [[] for _ in range(len(flashes))]
    table = _Table(len(flashes.piece_of))
    keep = set(np.unique(np.linspace(0, len(flashes) - 1, min(MOST_CROPS, len(flashes))).round().astype(int)).tolist())
    cutter = _Cutter(view, info)
    own_deg = flashes.rate_hz() * light.smear_deg_per_hz
    ahead = Ahead.of(light, view.reference) if in_slices(flashes, info.height) else None

    def read(lit: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, list[tuple[int, _Piece]]]:
        luma, index = lit
        found = []
        for k in index:
            rows = (int(flashes.piece_first[k]), int(flashes.piece_last[k]))
            own = cells if near_deg is None else _about(cells, float(near_deg[flashes.piece_of[k]]))
            likely = None if ahead is None else ahead.where(luma, rows)
            smear_deg = float(own_deg[flashes.piece_of[k]])
            found.append((int(k), _read(view, (sampler, own), (light.picture(luma, rows), rows, smear_deg), likely)))
        return luma, found

    for luma, found in side_by_side(read, lit_frames(info, flashes, which, progress)):
        for k, piece in found:
            flash = int(flashes.piece_of[k])
            pieces[flash].append(k)
            table.put(k, piece)
            if flash in keep and piece.shift is not None:
                cutter.cut(flash, luma, piece.shift)
    return _joined((pieces, table), cutter, view)


def _about(cells: Cells, deg: float) -> Cells:
    return replace(cells, between_deg=(deg - NEAR_DEG, deg + NEAR_DEG), surely=True)


def _cells_of(view: View) -> Cells:
    if view.part is None:
        return telling_cells(view.rotor, OWN_AND_ANOTHER)
    # A part of a rotor is held against the same part at another speed, that may have been seen once; and the map is of
    # flashes at all speeds, each followed from the one before: the others stand between those.
    turns_deg = view.turns_deg[np.isfinite(view.turns_deg)]
    least, most = float(turns_deg.min()) - BEYOND_DEG, float(turns_deg.max()) + BEYOND_DEG
    return replace(telling_cells(view.rotor), between_deg=(least, most))


def lit_frames(
    info: ClipInfo, flashes: Flashes, which: np.ndarray, progress: Callable[[int], None] | None
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Frames that show some of the flashes, and the pieces in each."""
    order = np.argsort(flashes.piece_frame, kind="stable")
    order = order[which[flashes.piece_of[order]]]
    ordered = flashes.piece_frame[order]
    for frame in frames(info):
        a, b = np.searchsorted(ordered, [frame.number, frame.number + 1])
        if b > a:
            yield frame.luma, order[a:b]
        if progress is not None:
            progress(frame.number + 1)


def _read(
    view: View, how: tuple[Sampler, Cells], seen: tuple[np.ndarray, tuple[int, int], float], likely: Shift | None
) -> _Piece:
    (sampler, cells), (picture, rows, own_deg) = how, seen
    shift = register(view.reference, picture, rows, likely)
    if shift is None:
        return _Piece(None, None, "too little of what stands still is lit")
    strip, known = read_strip(sampler, picture, shift, rows)
    if known.mean() < LEAST_KNOWN * sampler.share:
        return _Piece(None, shift, "too little of the rotor is lit")
    turn = read_turn(view.rotor, cells, *smeared_to(strip, known, sampler.grid, own_deg, view.rotor.smear_deg))
    if turn is None or not fits(turn):
        return _Piece(None, shift, NOT_RECOGNISED)
    if turn.rival > 0.9 * turn.match:
        return _Piece(None, shift, TWO_ANGLES)
    # The case's own turn in the picture carries over to the angle between mark and index.
    sd = float(np.hypot(turn.sd_deg, np.degrees(np.sqrt(shift.covariance[3, 3]))))
    return _Piece(replace(turn, sd_deg=sd), shift, "")


class _Cutter:
    """Cuts small pictures about the rotor and the index, of one size, out of frames."""

    def __init__(self, view: View, info: ClipInfo) -> None:
        self.centre, reach = view.about_px()
        self.half = reach
        self.scale = max(1.0, 2 * reach / CROP_PX)
        self.n = round(2 * reach / self.scale)
        self.wide = info.bits > 8
        self.crops: list[np.ndarray] = []
        self.of: list[int] = []
        self.origin: list[np.ndarray] = []

    def cut(self, flash: int, luma: np.ndarray, shift: Shift) -> None:
        """Keep the picture of a flash."""
        import cv2

        origin = shift.apply(self.centre) - self.half
        matrix = np.array([[self.scale, 0, origin[0]], [0, self.scale, origin[1]]])
        flags = cv2.INTER_AREA if self.scale <= 1 else cv2.INTER_LINEAR
        picture = luma if self.scale <= 1.5 else cv2.GaussianBlur(luma, (0, 0), 0.4 * self.scale)
        crop = cv2.warpAffine(picture, matrix, (self.n, self.n), flags=flags | cv2.WARP_INVERSE_MAP)
        crop = np.right_shift(crop, 2).astype(np.uint8) if self.wide else crop
        if flash in self.of:
            # A flash across two frames: each shows what it lit, and lit is brighter.
            k = self.of.index(flash)
            np.maximum(self.crops[k], crop, out=self.crops[k])
            return
        self.crops.append(crop)
        self.of.append(flash)
        self.origin.append(origin)


def _joined(read: tuple[list[list[int]], _Table], cutter: _Cutter, view: View) -> FlashTurns:
    pieces, table = read
    n = len(pieces)
    place = np.full((n, 2, 2), np.nan)
    turn, sd, match = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    centre, covariance = np.full((n, 2), np.nan), np.full((n, 3, 3), np.nan)
    shifts = np.tile(np.eye(3), (n, 1, 1))
    reasons = []
    roll_ratio = _roll_ratio(pieces, table)
    for i, parts in enumerate(pieces):
        good, located = table.turns(parts), table.located(parts)
        if located:
            shifts[i] = table.matrix[located[0]]
        if not good:
            reasons.append(table.reason[parts[0]] if parts else "no row is lit in full")
            continue
        turn[i], centre[i], covariance[i] = _together(good, view.rotor.centre_sd)
        place[i] = np.mean(table.apart_px2[located], axis=0) / view.pose.radius_px**2
        # What the case's own turn adds: the least of the pieces', which share most of what they are laid on.
        roll_var = roll_ratio**2 * min(t.sd_deg**2 - _turn_var_deg2(t) for t in good)
        sd[i] = np.sqrt(np.degrees(1) ** 2 * covariance[i, 0, 0] + roll_var)
        match[i] = max(t.match for t in good)
        reasons.append("")
    order = np.argsort(cutter.of) if cutter.of else np.zeros(0, int)
    crops = np.array(cutter.crops, np.uint8)[order] if cutter.of else np.zeros((0, cutter.n, cutter.n), np.uint8)
    return FlashTurns(
        turn, sd, centre, covariance, match, tuple(reasons), shifts, np.array(cutter.of, int)[order], crops,
        np.array(cutter.origin, float).reshape(-1, 2)[order], cutter.scale, place,
    )  # fmt: skip


def _roll_ratio(pieces: list[list[int]], table: _Table) -> float:
    """By how much the sds of the case's own turn are too small, 1 at least: the two pictures of a flash that lies
    across two frames show it at one instant, and should say the same (Birge's ratio, by the median)."""
    apart = []
    for parts in pieces:
        located = table.located(parts)
        if len(located) == 2:
            (one, one_var), (other, other_var) = table.roll[located]
            apart.append((one - other) ** 2 / (one_var + other_var))
    return max(1.0, float(np.sqrt(np.median(apart) / CHI2_MEDIAN))) if len(apart) >= FEWEST_PAIRS else 1.0


def _together(turns: list[Turn], centre_sd: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Turn (degrees), centre and covariance from all pieces of one flash; what is known of the centre beforehand counts
    once.

    A reading whose sectors disagree had its whole covariance widened, and holds less than all of the prior: no more is
    taken out than is in.
    """
    first = turns[0]
    state = np.array([[np.radians((t.deg - first.deg + 180) % 360 - 180), *t.centre] for t in turns])
    weights = [np.linalg.inv(_covariance(t)) for t in turns]
    prior = np.diag([0.0, 1 / centre_sd**2, 1 / centre_sd**2])
    held = [min(1.0, 1.0 / (centre_sd**-2 * np.linalg.eigvalsh(_covariance(t)[1:, 1:]).max())) for t in turns]
    total = np.sum(weights, axis=0) - (sum(held) - max(held)) * prior
    # The prior's own pull is to 0, so it is in the weighted sum as often as there are pieces, and adds nothing.
    mean = np.linalg.solve(total, np.einsum("kij,kj->i", np.array(weights), state))
    return first.deg + float(np.degrees(mean[0])), mean[1:], np.linalg.inv(total)


def _covariance(turn: Turn) -> np.ndarray:
    if turn.covariance is None:
        raise ValueError("a turn that was not fitted has no covariance")
    return turn.covariance


def _turn_var_deg2(turn: Turn) -> float:
    return float(np.degrees(1) ** 2 * _covariance(turn)[0, 0])
