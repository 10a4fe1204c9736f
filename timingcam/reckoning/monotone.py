"""An advance curve of any rising shape, where flat–rise–flat does not fit.

In:  points; the lines that were tried.
Out: whether those fit, and a monotone `Curve` without corners.
Not here: the lines (`brokenline.py`).
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression
from scipy.special import chdtrc, fdtrc, ndtr

from timingcam.errors import CannotMeasure
from timingcam.reckoning.brokenline import Points
from timingcam.reckoning.figures import GRID_POINTS, Doubts, scatter_estimate
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.linefit import CUTOFF, MAD_TO_SD, Fit, variance_inflation
from timingcam.reckoning.result import Curve, Estimate

BIN_READINGS = 12  # our choice: a bin's mean is then known to a third of the scatter
MAX_BINS = 30
FEW_BEYOND = 6  # our choice: bins more than the lines have parameters; of fewer, chi-square sees little
CURVE_BINS, BIN_OF_FEW = 10, 3  # our choice: two flats, two stages and their ends; a median leaves out one of three
BIN_APART_RPM = 20.0  # our choice: an advance changes by a quarter of a degree over it at most
# Both must hold, or a thousand flashes would condemn an advancer for a tenth of a degree that no corner suffers from:
CHANCE = 1e-4  # of so large a misfit by the noise alone
# Our choice: of neighbours being off alike, and of repeats at one speed going together that much better, both at once.
CHANCE_BESIDE, CHANCE_OF_REPEATS = 0.01, 0.001
OVERLAP = 2.0 / 3.0  # degrees of freedom to a difference of neighbours, each of which has a part in two
# Low, rising and high: through fewer, what rises is thrown out. Our choice, of all readings: stray sparks are fewer.
FEWEST_BINS, MOST_STRAY = 3, 0.15
DRAWS = 200  # our choice: an sd from so many is known to 5 %
FLAT_DEG = 0.4  # our choice: less than anybody sets, more than a curve's wander
FLAT_RPM, FLAT_SHARE = 150.0, 0.05
FAR_OFF_DEG, LEAST_TO_COMPARE = 0.5, 3  # rms; readings on the rise and on the flats each; our choice
MISFIT_DEG = 0.25  # rms; our choice: a quarter of what anybody sets an advancer to
# Our choice: stray sparks come one here and one there; where most of a dozen neighbours in speed are off the line to
# the same side, and few elsewhere, it is the line that is wrong. A strobe on two sparks is off by turns at all speeds.
TOGETHER_SHARE, ELSEWHERE_SHARE = 0.7, 0.2


def misfit_of_lines(points: Points, fit: Fit) -> str:
    """Why the lines do not fit, or nothing.

    Means of the residuals in bins of speed are held against their standard errors by chi-square. Readings that the
    robust fit has thrown out count first: a short stage of the advancer, swept through in a moment, is all outliers to
    it.
    """
    off_deg = _off_together(points, fit)
    if off_deg > 0:
        return does_not_follow(f"up to {off_deg:.1f} degrees")
    used = np.flatnonzero(fit.used)
    x, residual = points.x[used], fit.residual[used]
    bins = _bins(x)
    if len(bins) <= fit.form.size + FEW_BEYOND and (
        why := _neighbours_agree(x, residual, fit.form.size) or _apart_on_the_rise(points, fit)
    ):
        return why
    if len(bins) <= fit.form.size + 1:
        return ""
    mean = np.array([residual[members].mean() for members in bins])
    # Residuals that go together in time make means vary more. But a misfit makes them go together, too: so only what is
    # left about the means is asked for it.
    middle = np.array([x[members].mean() for members in bins])
    rest = residual - np.interp(x, middle, mean)
    inflation = variance_inflation(rest)
    var = np.array([inflation * np.var(rest) / len(members) for members in bins])
    chi_square = float(np.sum(mean**2 / var))
    chance = float(chdtrc(max(len(bins) - fit.form.size, 1), chi_square))
    size = float(np.sqrt(max(np.mean(mean**2) - np.mean(var), 0.0)))
    if chance > CHANCE or size < MISFIT_DEG:
        return ""
    return does_not_follow(f"{size:.1f} degrees rms")


def _neighbours_agree(x: np.ndarray, residual: np.ndarray, n_fitted: int) -> str:
    """Why lines do not fit too few readings for bins, or nothing: neighbours in speed that are off alike.

    Where most are off by more than what readings at one speed differ by, less of that is asked; not none, since sparks
    may scatter more on the rise than where the speed was held.

    References
    ----------
    .. [1] von Neumann, Ann. Math. Statist. 12 (1941) 367-395: the mean square successive difference is twice the
       variance where neighbours have nothing in common; over the variance its half has mean 1, and variance 1/n nearly
       (from memory).
    .. [2] Draper & Smith, Applied Regression Analysis, 2.1: lack of fit against pure error, by F (from memory).
    """
    order = np.argsort(x, kind="stable")
    ordered = residual[order]
    apart = np.diff(ordered)
    own, whole = 0.5 * float(np.mean(apart**2)), float(np.mean(ordered**2))
    size = float(np.sqrt(max(whole - own, 0.0)))
    repeats = apart[np.diff(x[order]) < BIN_APART_RPM]
    pure = 0.5 * float(np.mean(repeats**2)) if len(repeats) else np.inf
    free, ratio = max(len(residual) - n_fitted, 1), len(residual) * whole / max(pure, 1e-12)
    against = fdtrc(free, max(OVERLAP * len(repeats), 1.0), ratio / free)
    chance = CHANCE_BESIDE if against < CHANCE_OF_REPEATS else CHANCE
    if size < MISFIT_DEG or ndtr(-(1.0 - own / whole) * np.sqrt(len(ordered))) > chance:
        return ""
    return does_not_follow(f"{size:.1f} degrees rms")


def _apart_on_the_rise(points: Points, fit: Fit) -> str:
    """Why one straight rise is not believed, or nothing: the few readings on it lie off it far more than the flats' do.

    What the robust fit has thrown out there counts, but for as many as may be stray: with few on a stage, all are out.

    References
    ----------
    .. [1] Snedecor & Cochran, Statistical Methods, 6.12: the ratio of two variances (from memory).
    """
    parts = fit.form.split(fit.theta)
    rising = parts.slopes[np.searchsorted(parts.corners, points.x)] != 0
    if min(np.count_nonzero(rising), np.count_nonzero(~rising)) < LEAST_TO_COMPARE:
        return ""
    rise, flats = (np.sort(np.abs(fit.residual[which])) for which in (rising, ~rising))
    stray = min(int(np.count_nonzero(~fit.used[rising])), int(MOST_STRAY * len(rise)))
    rise = rise[: len(rise) - stray]
    # A stray spark on a flat must not make a misfit on the rise look usual.
    flats = np.minimum(flats, CUTOFF * MAD_TO_SD * float(np.median(flats)))
    on_rise, on_flats = (max(float(np.sqrt(np.mean(each**2))), 1e-6) for each in (rise, flats))
    if on_rise < FAR_OFF_DEG or fdtrc(len(rise), len(flats), (on_rise / on_flats) ** 2) > CHANCE:
        return ""
    return (
        f"The readings on the rise lie {on_rise:.1f} degrees rms off a straight one, those on the flats "
        f"{on_flats:.1f}: two stages, rounded corners or weights that jump, and too few flashes to tell which. Open "
        "and close the throttle more slowly. A smooth rising curve is given instead, without corners."
    )


def does_not_follow(how_far: str) -> str:
    """Why a curve without corners is given, for a person."""
    return (
        f"The advance does not follow flat, rise, flat (off by {how_far}): two stages or rounded corners. A smooth "
        "rising curve is given instead, without corners."
    )


def _off_together(points: Points, fit: Fit) -> float:
    """How far neighbours in speed that were thrown out together lie off the line, degrees; 0 where none do.

    Both with rising and with falling speed, where both were filmed: an advancer that sticks is off one way only.
    """
    order = np.argsort(points.x, kind="stable")
    thrown, residual = ~fit.used[order], fit.residual[order]
    reach = np.lib.stride_tricks.sliding_window_view(np.arange(len(order)), min(BIN_READINGS, len(order)))
    together = np.zeros(len(order), bool)
    for members in reach[thrown[reach].mean(axis=1) >= TOGETHER_SHARE]:
        side = thrown[members] & (np.sign(residual[members]) == np.sign(np.median(residual[members])))
        ways = [points.direction[order[members]] == way for way in (1, -1)]
        if side.mean() >= TOGETHER_SHARE and all(way.sum() < 3 or side[way].mean() >= TOGETHER_SHARE for way in ways):
            together[members] = True
    if not together.any() or together.all() or thrown[~together].mean() > ELSEWHERE_SHARE:
        return 0.0
    return float(np.max(np.abs(residual[together & thrown])))


def fit_monotone(
    points: Points, doubts: Doubts, rng: np.random.Generator, why: str
) -> tuple[Curve, np.ndarray, tuple[str, ...]]:
    """Isotonic regression of bin medians, joined without overshoot.

    Parameters
    ----------
    points : Points
        All readings.
    doubts : Doubts
        Systematic parts.
    rng : numpy.random.Generator
        For the bootstrap of the band.
    why : str
        Why no lines were fitted, for a person.

    Returns
    -------
    curve : Curve
        Corners and slope None; low-speed and full advance where the curve is flat there.
    core : ndarray of int
        Indices of the points that lie on it.
    warnings : tuple of str

    Raises
    ------
    CannotMeasure
        If the readings are too few to show a curve, and many lie off the one that they make.

    References
    ----------
    .. [1] Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980): monotone cubic interpolation.
    .. [2] Künsch, Ann. Statist. 17 (1989) 1217–1241: bootstrap in blocks.
    """
    _refuse_stray(points)
    bins = _bins(points.x, _of_a_curve(points.x))
    through, residual, core = _drawn(points, bins)
    inflation = variance_inflation(residual[core])
    grid = np.linspace(points.x[core].min(), points.x[core].max(), GRID_POINTS)
    random_sd = np.hypot(_band(points, through, core, grid, rng), _between_readings(points.x[core], through, grid))
    late, scaled = 6.0 * grid * doubts.delay_sd_s, through.derivative()(grid) * grid * doubts.rpm_rel_sd
    # Rising and falling err in opposite ways; a curve without corners does not tell them apart: all of it is left in.
    change = 0.0 if points.change is None else float(np.sqrt(np.mean(points.change[core] ** 2)))
    out_of_step = through.derivative()(grid) * change * doubts.rpm_time_sd_s
    systematic = doubts.shift_sd_deg**2 + late**2 + scaled**2 + out_of_step**2
    own = float(np.mean(points.y_sd[core] ** 2))
    variance = float(np.mean(residual[core] ** 2)) * len(points.x) / max(len(points.x) - len(bins), 1) - own
    variance_sd = float(np.std(residual[core] ** 2) * np.sqrt(inflation / max(len(core), 1)))
    level = through(grid)
    ends = [_flat_end(points, core, grid, level, doubts, last) for last in (False, True)]
    curve = Curve(
        ends[0], ends[1], None, None, None, scatter_estimate(variance, own, variance_sd**2), None,
        grid, level, random_sd, np.sqrt(random_sd**2 + systematic), "monotone",
    )  # fmt: skip
    return curve, core, (why, *_missing(ends))


def _drawn(points: Points, bins: list[np.ndarray]) -> tuple[PchipInterpolator, np.ndarray, np.ndarray]:
    """The curve through bins, all readings' residuals, and the indices of those that lie on it."""
    through = _through(points.x, points.y, bins)
    residual = points.y - through(points.x)
    sd = MAD_TO_SD * float(np.median(np.abs(residual)))
    return through, residual, np.flatnonzero(np.abs(residual) <= CUTOFF * max(sd, 1e-6))


def _refuse_stray(points: Points) -> None:
    """Refuse readings too few for three bins of full size, of which many lie off the curve that those make."""
    bins = _bins(points.x)
    _, residual, core = _drawn(points, bins)
    if len(bins) < FEWEST_BINS and len(core) < (1.0 - MOST_STRAY) * len(residual):
        raise CannotMeasure(
            found=f"{len(residual)} flashes with both a speed and an advance, {len(residual) - len(core)} of them off "
            "any curve that so few can show",
            expected=f"at least {FEWEST_BINS * BIN_READINGS}",
            do="open and close the throttle more slowly, and hold the low and the high speed longer",
        )


def _through(x: np.ndarray, y: np.ndarray, bins: list[np.ndarray]) -> PchipInterpolator:
    """Rising curve through the bins' medians, level beyond the outermost."""
    middle = np.array([x[members].mean() for members in bins])
    level = isotonic_regression(
        np.array([np.median(y[members]) for members in bins]), weights=[float(len(members)) for members in bins]
    ).x
    ends = (min(x.min(), middle[0] - 1.0), max(x.max(), middle[-1] + 1.0))
    return PchipInterpolator(
        np.concatenate([[ends[0]], middle, [ends[1]]]), np.concatenate([[level[0]], level, [level[-1]]])
    )


def _band(
    points: Points, through: PchipInterpolator, core: np.ndarray, grid: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Random sd of the curve: refitted to residuals drawn anew, in blocks that keep what goes together in time."""
    x = points.x[core]
    residual = points.y[core] - through(x)
    bins, n = _bins(x, _of_a_curve(x)), len(core)
    length = int(np.clip(np.ceil(2.0 * variance_inflation(residual)), 1, max(n // 5, 1)))
    drawn = []
    for _ in range(DRAWS):
        starts = rng.integers(0, n, size=int(np.ceil(n / length)))
        taken = (starts[:, None] + np.arange(length)[None, :]).ravel()[:n] % n
        drawn.append(_through(x, through(x) + residual[taken], bins)(grid))
    return np.std(drawn, axis=0)


def _between_readings(x: np.ndarray, through: PchipInterpolator, grid: np.ndarray) -> np.ndarray:
    """Sd of the curve where no reading holds it: between two neighbours in speed anything that rises from the one to
    the other is as likely, so that its advance lies anywhere between theirs."""
    ordered = np.sort(x)
    after = np.clip(np.searchsorted(ordered, grid), 1, len(ordered) - 1)
    above = through(ordered[after]) - through(grid)
    below = through(grid) - through(ordered[after - 1])
    # Mean square of what is even from -below to above.
    return np.sqrt(np.maximum(below**2 - below * above + above**2, 0.0) / 3.0)


def _flat_end(
    points: Points, core: np.ndarray, grid: np.ndarray, level: np.ndarray, doubts: Doubts, last: bool
) -> Estimate | None:
    """Advance at the slow or fast end, where the curve stays within `FLAT_DEG` of it for long enough."""
    end = level[-1] if last else level[0]
    flat = grid[np.abs(level - end) <= FLAT_DEG]
    if np.ptp(flat) < max(FLAT_RPM, FLAT_SHARE * np.ptp(grid)):
        return None
    x, y = points.x[core], points.y[core]
    inside = (x >= flat.min()) & (x <= flat.max())
    if inside.sum() < BIN_READINGS:
        return None
    spread = float(y[inside].std(ddof=1)) * np.sqrt(variance_inflation(y[inside]) / inside.sum())
    late = 6.0 * float(x[inside].mean()) * doubts.delay_sd_s
    random = Part(float(np.hypot(spread, FLAT_DEG / np.sqrt(12.0))), float(inside.sum()) - 1.0)
    return estimate(float(y[inside].mean()), [random, Part(doubts.shift_sd_deg), Part(late)])


def _missing(ends: list[Estimate | None]) -> list[str]:
    names = [name for name, end in zip(("low-speed", "full"), ends, strict=True) if end is None]
    if not names:
        return []
    return [f"No {' or '.join(names)} advance: the curve has no flat there to read it from."]


def _of_a_curve(x: np.ndarray) -> int:
    """How many readings a bin holds through which a curve goes: the fewer there are, the less a bin must hide."""
    return int(np.clip(len(x) // CURVE_BINS, BIN_OF_FEW, BIN_READINGS))


def _bins(x: np.ndarray, readings: int = BIN_READINGS) -> list[np.ndarray]:
    """Indices by rising x, in bins of about equal numbers whose means are apart."""
    n_bins = int(np.clip(len(x) // readings, 1, MAX_BINS))
    found: list[np.ndarray] = []
    for members in np.array_split(np.argsort(x, kind="stable"), n_bins):
        # A speed that was held fills many bins with the same speed: they become one.
        if found and x[members].mean() - x[found[-1]].mean() < BIN_APART_RPM:
            found[-1] = np.concatenate([found[-1], members])
        else:
            found.append(members)
    return found
