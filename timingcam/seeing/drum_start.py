"""Where the shaft of a rotor lies that is seen from the side: the first guess.

In:  pictures laid on one another, the opening through which the rotor's edge shows.
Out: a `Drum` whose edge turns as one rigid thing, as well as a coarse search can tell.
Not here: the refining (`rigid.py`), and on which side of the edge the index is.

Marks slow down away from the middle, as the sine does. So the shaft's place and the rotor's size are those with which
what moves there turns alike everywhere.
"""

from __future__ import annotations

import numpy as np
from scipy import fft
from scipy.optimize import OptimizeResult, minimize, minimize_scalar

from timingcam.errors import CannotMeasure
from timingcam.seeing.angles import Turn
from timingcam.seeing.chain import chained_turns
from timingcam.seeing.drum import Drum, drum_about
from timingcam.seeing.opening import DO_OPENING, Opening
from timingcam.seeing.pose import CLEARLY_LESS, FOCAL_SHARE, ZOOMS
from timingcam.seeing.side_by_side import side_by_side
from timingcam.seeing.stack import Stack
from timingcam.seeing.stills import some_of
from timingcam.seeing.strips import Grid, Part

EDGE_WIDTH = 0.38  # our choice: the edge's breadth in radii of a strip, as marks on a face take up of theirs
N_PICTURES, N_ROWS, N_ANGLES = 28, 10, 1024  # our choice: enough for a guess
# Our choice: rotor radii over half of what moves: marks that are seen move over a third to nearly all of the half turn.
SIZES = (1.02, 1.12, 1.25, 1.4, 1.6, 1.9, 2.3, 3.0)
ASIDE = (-0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6)  # of that half
N_CLOSER, MOST_WALKED = 3, 50  # our choice
FAR_ASIDE = 0.3  # rotor radii
LEAST_TURNED = 6
MIN_SEEN = 4


def find_drum(stack: Stack, opening: Opening, part: Part) -> list[Drum]:
    """Guess the shaft: two, one for either side on which the index may be.

    Parameters
    ----------
    stack : Stack
        In the order of time.
    opening : Opening
    part : Part

    Raises
    ------
    CannotMeasure
        If nothing there turns as a rotor's edge does.
    """
    size = (stack.lit[0].luma.shape[1], stack.lit[0].luma.shape[0])
    fewer = _fewer(stack)
    trials = [(1.0, times, aside) for times in SIZES for aside in ASIDE if abs(aside) <= max(times - 0.9, 0.0)]
    shares = np.array(list(side_by_side(lambda one: unexplained_by(fewer, drum_at(opening, one, size), part), trials)))
    if not np.isfinite(shares).any():
        raise CannotMeasure(
            found="nothing in the opening that turns as a rotor's edge does", expected="marks on the rotor's edge, "
            "seen square from the side, that move as the advance does", do=DO_OPENING,
        )  # fmt: skip
    found = _closer(fewer, opening, part, [trials[k] for k in np.argsort(shares)[:N_CLOSER]])
    return [found, found.from_other_side(EDGE_WIDTH)]


def _closer(stack: Stack, opening: Opening, part: Part, starts: list[tuple[float, float, float]]) -> Drum:
    """The shaft that explains most, near the best of a coarse search.

    Size and turns go together, so that no step of a linear fit takes the one right without the other.
    """
    size = (stack.lit[0].luma.shape[1], stack.lit[0].luma.shape[0])

    def drum(free: np.ndarray) -> Drum:
        return drum_at(opening, (1.0, float(np.exp(free[0])), float(free[1])), size)

    def share(free: np.ndarray) -> float:
        left = unexplained_by(stack, drum(free), part)
        return left if np.isfinite(left) else 1.0

    def walk(start: tuple[float, float, float]) -> OptimizeResult:
        begin = np.array([np.log(start[1]), start[2]])
        corners = begin + np.array([[0.0, 0.0], [0.08, 0.0], [0.0, 0.1]])
        how = {"initial_simplex": corners, "xatol": 0.003, "fatol": 1e-4, "maxfev": MOST_WALKED}
        return minimize(share, begin, method="Nelder-Mead", options=how)

    walked = list(side_by_side(walk, starts))
    return drum(min(walked, key=lambda one: one.fun).x)


def moved_aside(stack: Stack, drum: Drum, part: Part) -> Drum:
    """The same shaft where it explains most, moved across by less than a third of the rotor's radius."""
    fewer = _fewer(stack)

    def share(aside: float) -> float:
        left = unexplained_by(fewer, drum.moved(np.array([aside, 0, 0, 0, 0, 0])), part)
        return left if np.isfinite(left) else 1.0

    tries = np.linspace(-FAR_ASIDE, FAR_ASIDE, 9)
    shares = list(side_by_side(share, tries))
    near = float(tries[int(np.argmin(shares))])
    gap = float(tries[1] - tries[0])
    best = minimize_scalar(share, bounds=(near - gap, near + gap), method="bounded", options={"xatol": 0.003})
    return drum.moved(np.array([float(best.x), 0, 0, 0, 0, 0]))


def by_its_lens(stack: Stack, drum: Drum, part: Part) -> Drum | None:
    """The same edge through another lens than the usual one, if it turns as one with that and clearly more so.

    Near the rotor the edge's sides are further away than its middle, by a part of the distance, and seem so much
    smaller; from further away, zoomed, they do not.
    """
    fewer = _fewer(stack)
    tried = [moved_aside(stack, drum.zoomed(times), part) for times in ZOOMS]
    shares = np.nan_to_num([unexplained_by(fewer, one, part) for one in tried], nan=1.0)
    best = int(np.argmin(shares))
    return tried[best] if shares[best] < CLEARLY_LESS * shares[ZOOMS.index(1.0)] else None


def _fewer(stack: Stack) -> Stack:
    """Some of the pictures, from all over the clip."""
    n_rows = stack.lit[0].luma.shape[0]
    lit = some_of(stack.lit, n_rows, 8.0, N_PICTURES, N_PICTURES)
    which = {id(one): k for k, one in enumerate(stack.lit)}
    return Stack(stack.light, lit, [stack.shifts[which[id(one)]] for one in lit])


def drum_at(opening: Opening, where: tuple[float, float, float], size: tuple[int, int]) -> Drum:
    """A shaft across the way marks move: `where` says which side the index is on (1 or -1), the radius over half of
    what moves, and how far aside of its middle the shaft lies, in that half."""
    side, times, aside = where
    across = np.array([np.cos(opening.run_rad), np.sin(opening.run_rad)])
    out_rad = opening.run_rad - side * np.pi / 2
    out = np.array([np.cos(out_rad), np.sin(out_rad)])
    run, up = opening.hull_px @ across, opening.hull_px @ out
    half = 0.5 * float(np.ptp(run))
    focal, principal = FOCAL_SHARE * max(size), (np.array(size) - 1) / 2.0
    nearest_px = times * half
    at = across * (0.5 * (run.min() + run.max()) + aside * half) + out * up.max()
    # As if the shaft lay square to the lens' own axis: how it really lies is found later.
    facing = np.array([*(at - principal) / focal, 1.0]) * focal / nearest_px
    step = float(np.ptp(up)) / nearest_px / EDGE_WIDTH
    return drum_about(facing + np.array([0.0, 0.0, 1.0]), np.array([*out, 0.0]), step, focal, principal)


def unexplained_by(stack: Stack, drum: Drum, part: Part) -> float:
    """Share of what moves that one rigid edge leaves unexplained; NaN where too little can be laid on one another."""
    grid = Grid(np.linspace(1 - EDGE_WIDTH, 0.99, N_ROWS), N_ANGLES)
    strips, knowns = stack.strips(drum, grid, part)
    turns = chained_turns(strips, knowns)
    return unexplained(strips, knowns, turns)


def unexplained(strips: list[np.ndarray], knowns: list[np.ndarray], turns: list[Turn | None]) -> float:
    """Share of the strips' power that their mean in the rotor's frame leaves; of strips without a turn, all of it."""
    good = [k for k, turn in enumerate(turns) if turn is not None]
    if len(good) < LEAST_TURNED:
        return np.nan
    n = strips[0].shape[1]
    degs = np.array([turns[k].deg for k in good])  # type: ignore[union-attr]
    phase = np.exp(1j * np.arange(n // 2 + 1) * np.radians(degs)[:, None])[:, None, :]
    stack = np.stack([strips[k] for k in good])
    known = np.stack([knowns[k] for k in good]).astype(np.float32)
    back, there = (fft.irfft(fft.rfft(each, axis=2) * phase, n, axis=2) for each in (stack * known, known))
    weight = there > 0.9
    weight &= weight.sum(axis=0) >= MIN_SEEN
    mean = (back * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    left = float((((back - mean) * weight) ** 2).sum())
    power = float(((back * weight) ** 2).sum())
    lost = sum(float((strips[k] ** 2).sum()) for k in range(len(strips)) if turns[k] is None)
    return (left + lost) / max(power + lost, 1e-12)
