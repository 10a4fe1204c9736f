"""How large the rotor is in the picture, by the spacing of its marks.

In:  lines on a map of the rotor whose scale is doubtful, the places of the file's marks.
Out: by how much angles on the map are to be multiplied, with its standard uncertainty, and how well it fits.
Not here: the map; which line is which for good (`naming.py`).

On an edge seen from the side, a larger rotor that turns less looks nearly like a smaller one that turns more. The
engine file's angles between the marks tell them apart: three marks by the ratio of their gaps, whatever the scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.drum import Drum
from timingcam.seeing.lines import Line
from timingcam.seeing.marks import Maps, Place
from timingcam.seeing.pose import N_FREE, Pose

SCALES = np.exp(np.linspace(np.log(0.35), np.log(2.8), 209))  # our choice: of a rotor's size by its turning alone
USUAL_LOG_SD = 0.4  # our choice: how far off the turning alone is
LEVER_DEG = 6.0  # our choice: to either side; a hole shows a little more
FITS_DEG = 0.8  # our choice: lines and marks on the metal
FEWEST = 2
MISSED = 5.0  # our choice: of a mark whose place can be seen; half of what a clear one counts
CLEAR_ENOUGH = 120.0
MOST_OFF = 0.12  # our choice: a scale further off, after arcs and turning, is another way to name the marks
# Our choice: not so where all of three marks or more are the plainest lines that there are, where they should be.
LEAST_VAR = 1e-12  # of a size, relative: far below what any pose is told to
CONTRADICTS = 3.0  # standard uncertainties: by chance once in 370 times
PLAINLY_OFF, PLAINER, SURELY_DEG = 0.4, 1.5, 0.4


@dataclass(frozen=True, slots=True)
class Scale:
    """By how much angles on the map are to be multiplied, its relative sd, and how well lines and marks then fit."""

    times: float
    sd: float
    score: float
    plain: bool = False  # whether all marks were found, three or more, and no other line is as plain

    def may_be(self) -> bool:
        """Whether it is no further off than what told the pose may be."""
        return abs(np.log(self.times)) < (PLAINLY_OFF if self.plain else MOST_OFF)


def scale_of(maps: Maps, lines: list[Line], places: list[Place]) -> Scale | None:
    """The scale at which lines on the map fit the file's marks best; None where fewer than two do.

    Parameters
    ----------
    maps : Maps
        Their angles may be wrong by a common factor.
    lines : list of Line
        On the rotor.
    places : list of Place
    """
    if len(lines) < FEWEST or len(places) < FEWEST:
        return None
    # About the middle of what shows, so that no seam lies among them.
    middle = float(np.degrees(np.angle(np.exp(1j * np.radians([line.deg for line in lines])).mean())))
    at = np.array([(line.deg - middle + 180.0) % 360.0 - 180.0 for line in lines])
    clear = np.sqrt(np.minimum([line.score for line in lines], CLEAR_ENOUGH))
    file_deg = np.array([place.deg for place in places])
    best: Scale | None = None
    for times in SCALES:
        prior = -0.5 * float(np.log(times) / USUAL_LOG_SD) ** 2
        for line_deg in at:
            for anchor in file_deg:
                zero = times * line_deg - anchor
                there = (file_deg + zero + 180.0) % 360.0 - 180.0
                fit = _fit((at, clear), there, float(times))
                if fit is not None:
                    # Of the marks that were not found, those whose place can be seen count against it.
                    missed = sum(maps.shows(middle + deg / times) for deg in there[~fit[1]])
                    fit = (fit[0] - MISSED * missed, *fit[1:])
                if fit is not None and (best is None or fit[0] + prior > best.score):
                    best = Scale(float(times), 0.0, fit[0] + prior)
                    chosen = fit[1:]
    if best is None:
        return None
    scale = _straight(best, *chosen, file_deg, np.array([place.sd_deg for place in places]))
    return replace(scale, plain=_plain(scale, chosen, (at, lines), file_deg))


def scale_lever(pose: Pose | Drum, at_deg: float, radius: float) -> np.ndarray:
    """How the angles that a pose tells about a place grow with each of its six numbers, relative, shape (6,)."""
    ends = np.radians(at_deg + np.array([-LEVER_DEG, LEVER_DEG]))
    px = pose.to_image(np.stack([np.cos(ends), np.sin(ends)], axis=1) * radius)

    def span(trial: Pose | Drum) -> float:
        at = trial.to_plane(px)
        angle = np.arctan2(at[:, 1], at[:, 0])
        return float((angle[1] - angle[0] + np.pi) % (2 * np.pi) - np.pi)

    step = 1e-3
    pairs = [(pose.moved(d), pose.moved(-d)) for d in np.diag(np.full(N_FREE, step))]
    return np.array([(np.log(span(a)) - np.log(span(b))) / (2 * step) for a, b in pairs])


def rescaled(
    pose: Pose | Drum, covariance: np.ndarray, lever: np.ndarray, scale: Scale
) -> tuple[Pose | Drum, np.ndarray]:
    """The pose with which angles are as the marks' spacing says, changed where it is known least; and its covariance.

    Where the spacing contradicts what told the pose, that has a fault which its covariance does not know of, such as a
    lens that bends lines or a part that moves by itself, and the marks alone count.

    References
    ----------
    .. [1] Kalman, J. Basic Eng. 82 (1960) 35-45: one measurement more, by its own doubt (from memory).
    """
    own_var, off = float(lever @ covariance @ lever), float(np.log(scale.times))
    if off**2 > CONTRADICTS**2 * (own_var + scale.sd**2):
        covariance = covariance * (off**2 / max(own_var, LEAST_VAR))
        own_var = float(lever @ covariance @ lever)
    gain = covariance @ lever / (own_var + scale.sd**2)
    return pose.moved(gain * off), covariance - np.outer(gain, lever @ covariance)


def _fit(
    lines: tuple[np.ndarray, np.ndarray], there_deg: np.ndarray, times: float
) -> tuple[float, np.ndarray, np.ndarray] | None:
    """Score, which places were found, and the angles on the map at which they were."""
    at, clear = lines
    off = np.abs((times * at[None, :] - there_deg[:, None] + 180.0) % 360.0 - 180.0)
    worth = clear[None, :] * np.exp(-((off / FITS_DEG) ** 2))
    which = worth.argmax(axis=1)
    most = worth[np.arange(len(which)), which]
    found = off[np.arange(len(which)), which] < 2 * FITS_DEG
    if found.sum() < FEWEST or len(np.unique(which[found])) < found.sum():
        return None
    return float(most[found].sum()), found, at[which]


def _plain(
    scale: Scale, chosen: tuple[np.ndarray, np.ndarray], of: tuple[np.ndarray, list[Line]], file_deg: np.ndarray
) -> bool:
    """Whether all marks were found, so many that their ratio tells, exactly, and no other line is nearly as plain."""
    (found, on_map), (at, lines) = chosen, of
    if len(found) <= FEWEST or not found.all():
        return False
    off = (scale.times * on_map - file_deg + 180.0) % 360.0 - 180.0
    mine = np.isin(at, on_map)
    score = np.array([line.score for line in lines])
    others = float(score[~mine].max(initial=0.0))
    return bool(np.ptp(off) < 2 * SURELY_DEG and score[mine].min() > PLAINER * others)


def _straight(rough: Scale, found: np.ndarray, on_map: np.ndarray, file_deg: np.ndarray, sd_deg: np.ndarray) -> Scale:
    """The scale by least squares over the marks that were found."""
    x, y = on_map[found], file_deg[found]
    # Places may lie on either side of the seam.
    y = y[0] + (y - y[0] - rough.times * (x - x[0]) + 180.0) % 360.0 - 180.0 + rough.times * (x - x[0])
    weight = 1.0 / (sd_deg[found] ** 2 + 0.1**2)
    mx, my = np.average(x, weights=weight), np.average(y, weights=weight)
    power = float((weight * (x - mx) ** 2).sum())
    times = float((weight * (x - mx) * (y - my)).sum()) / max(power, 1e-9)
    return Scale(times, 1.0 / (times * max(power, 1e-9) ** 0.5), rough.score)
