"""Steps of the rows' light to the bands of rows that flashes lit.

In:  the mean light of each row of each frame, shape (n_frames, n_rows).
Out: `Bands`: for each flash in each frame its first and last edge, to a fraction of a row, and the rows it lit alone.
Not here: which bands belong to one flash, and when it was (`flashes.py`).

A flash that fell while a row was exposed lights it whole. All rows are exposed equally long, so in every frame flashes
end in the order in which they began, however many light a row at a time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import median_filter

from timingcam.errors import CannotMeasure
from timingcam.seeing.levels import DO_LIGHT, in_flashes
from timingcam.seeing.light import looked_up
from timingcam.seeing.medians import median
from timingcam.seeing.row_lights import RowLights
from timingcam.seeing.steps import Steps, find_steps

MIN_BAND_ROWS = 6  # our choice: shorter runs are noise or cannot hold a mark
TOO_TALL = 1.12  # our choice: of the usual height; noise and a stepping exposure stay below
TALL_PERCENTILE, TOO_LOW = 80.0, 0.85  # our choice: most are seen whole; of that height
LINE_SHARE = 0.015  # our choice, of the rows: a line of the scene, a groove or a rim's edge
BROAD_SHARE = 0.04  # our choice, of the rows: in fewer no mark can be read
UNLIT = 0.35  # flashes: rows darker than this were lit by none
FEWEST_WHOLE = 5
HEIGHT_WINDOW = 7  # bands seen whole
# Our choice: of the lit rows' light, rms over all rows; a flash a row further on changes a row by all of it, which is a
# fiftieth over the rows of a picture of 4K.
SAME_SHARE, LIT_PERCENTILE = 0.008, 95


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Rows lit by one flash in one frame, in order of frame and row; arrays of shape (n_bands,).

    `start_row` and `end_row` are where the band begins and ends, rows; NaN where the frame cut it off. `inner_first`
    and `inner_last` are the first and last row lit in full, and by no other flash; the last is below the first where
    there is none. `row_sd` is the standard uncertainty of an edge; `again` the frames that show the flashes of the one
    before, written twice, shape (n,): their bands are not among these. `ramp_rows` is within which an edge surely
    rises, `flash_rows` how many the flash lasted for.
    """

    frame: np.ndarray
    start_row: np.ndarray
    end_row: np.ndarray
    inner_first: np.ndarray
    inner_last: np.ndarray
    level: np.ndarray  # mean light of the flash, relative to the typical flash
    row_sd: float
    ramp_rows: float
    n_frames: int
    n_rows: int
    again: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    flash_rows: float = 0.0

    def __post_init__(self) -> None:
        columns = (self.frame, self.start_row, self.end_row, self.inner_first, self.inner_last, self.level)
        if len({len(c) for c in columns}) != 1:
            raise ValueError("one value a band in every column")
        for column in columns:
            column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.frame)

    def some(self, which: np.ndarray) -> Bands:
        """Some of them, by a mask, shape (n_bands,) of bool."""
        names = ("frame", "start_row", "end_row", "inner_first", "inner_last", "level")
        return replace(self, **{name: getattr(self, name)[which] for name in names})


@dataclass(slots=True)
class _Band:
    """One flash in one frame, as it is being found; rows outside of the frame where the frame cuts it."""

    frame: int
    start: float = np.nan
    end: float = np.nan
    lit_from: float = -np.inf
    lit_to: float = np.inf
    alone_from: float = -np.inf
    alone_to: float = np.inf


def row_light(luma: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Mean linear light of each row, shape (n_rows,), from every fourth column."""
    return looked_up(luma[:, ::4], table).mean(axis=1, dtype=np.float32)


def bands_of_clip(light: RowLights) -> Bands:
    """Find the bands of a clip of any length, in parts of some seconds.

    Parameters
    ----------
    light : RowLights
        Mean light of each row, linear.

    Returns
    -------
    Bands

    Raises
    ------
    CannotMeasure
        As `find_bands`, if it does so in every part.
    """
    found: list[tuple[int, Bands]] = []
    refusal: CannotMeasure | None = None
    for first, part in light.parts():
        try:
            found.append((first, _once(find_bands(part), part)))
        except CannotMeasure as fault:
            refusal = refusal or fault  # the strobe may have been elsewhere for a while
    if not found:
        assert refusal is not None
        raise refusal
    return _joined(found, light.shape)


def _once(bands: Bands, light: np.ndarray) -> Bands:
    """Those of frames that were not written twice: some recorders fill a gap with the frame before it, and its flashes
    would count as others, a frame later.

    A flash is known again by the rows at which it begins or ends. Where two frames are lit from top to foot, as by
    sensors that expose all rows at once, rows say nothing.
    """
    frames = np.unique(bands.frame[np.isfinite(bands.start_row) | np.isfinite(bands.end_row)])
    frames = frames[frames > 0]
    change = np.sqrt(np.mean((light[frames] - light[frames - 1]) ** 2, axis=1))
    lit = np.percentile(light[frames], LIT_PERCENTILE, axis=1) - np.median(light.min(axis=0))
    again = frames[change < SAME_SHARE * lit]
    return replace(bands.some(~np.isin(bands.frame, again)), again=again)


def _joined(found: list[tuple[int, Bands]], shape: tuple[int, int]) -> Bands:
    if len(found) == 1 and found[0][1].n_frames == shape[0]:
        return found[0][1]
    parts = [part for _, part in found]
    n = [len(part) for part in parts]

    def column(name: str) -> np.ndarray:
        return np.concatenate([getattr(part, name) for part in parts])

    return Bands(
        np.concatenate([part.frame + first for first, part in found]), column("start_row"), column("end_row"),
        column("inner_first"), column("inner_last"), column("level"),
        float(np.sqrt(np.average([part.row_sd**2 for part in parts], weights=n))),
        float(np.average([part.ramp_rows for part in parts], weights=n)), *shape,
        np.concatenate([part.again + first for first, part in found]),
        float(np.average([part.flash_rows for part in parts], weights=n)),
    )  # fmt: skip


def find_bands(light: np.ndarray) -> Bands:
    """Find the bands of rows that flashes lit.

    Parameters
    ----------
    light : ndarray, shape (n_frames, n_rows)
        Mean light of each row, linear.

    Returns
    -------
    Bands

    Raises
    ------
    CannotMeasure
        If nothing in the clip brightens and darkens as rows lit by a flash do.
    """
    lit, noise, dim = in_flashes(light)
    steps, lit = find_steps(lit, noise, dim)
    found: list[_Band] = []
    bounds = np.searchsorted(steps.frame, np.arange(len(lit) + 1))
    for frame in range(len(lit)):
        found += _of_frame(frame, lit[frame], steps, slice(bounds[frame], bounds[frame + 1]))
    found = _rejoined(found, light.shape[1], steps.ramp_rows)
    tall = usual_heights(np.array([b.frame for b in found]), np.array([b.end - b.start for b in found]))
    each = tall if tall is not None else [None] * len(found)
    parted = [part for band, rows in zip(found, each, strict=True) for part in _parted(band, rows, light.shape[1])]
    return replace(_told(parted, lit, steps.ramp_rows, noise), flash_rows=steps.flash_rows)


def _of_frame(frame: int, lit: np.ndarray, steps: Steps, here: slice) -> list[_Band]:
    """Bands of one frame: who began first ends first."""
    up, beside, row = steps.up[here], steps.beside[here], steps.row[here]
    parts = np.split(lit, np.where(up, beside, beside + 1))
    before = _lit_before_the_first(parts, np.cumsum(np.r_[0, np.where(up, 1, -1)]))
    bands = [_Band(frame) for _ in range(before)]
    ended = 0
    for rising, at, near in zip(up, row, beside, strict=True):
        if rising:
            lit_from = at if np.isfinite(at) else near - 0.5
            bands.append(_Band(frame, start=at, lit_from=lit_from))
        else:
            bands[ended].end = at
            bands[ended].lit_to = at if np.isfinite(at) else near + 0.5
            ended += 1
    for earlier, later in pairwise(bands):
        later.alone_from = max(later.alone_from, earlier.lit_to)
        earlier.alone_to = min(earlier.alone_to, later.lit_from)
    return bands


def _lit_before_the_first(parts: list[np.ndarray], course: np.ndarray) -> int:
    """How many flashes light the rows above the first step, from the light of all parts between steps."""
    level = np.array([median(part) if len(part) else np.nan for part in parts])
    rows = np.array([len(part) for part in parts])
    least = int(-course.min())
    tries = np.arange(least, least + 3)
    off = np.abs(level[None, :] - (tries[:, None] + course[None, :]))
    # A part without any light has no flash, whatever the others say.
    off += np.where((level < UNLIT)[None, :] & (tries[:, None] + course[None, :] > 0), 10.0, 0.0)
    return int(tries[np.argmin(np.nansum(off * rows, axis=1))])


def _rejoined(found: list[_Band], n_rows: int, ramp_rows: float) -> list[_Band]:
    """One band for two where a line of the scene along the rows parted it.

    All rows are exposed equally long: what ends where the next begins, of which one is seen whole and is too low for a
    flash, is one flash, if both together are no taller than one. And a few rows at the frame's foot that look brighter
    than the rest of a flash that goes on there, as they do below a lead or a shadow, are no other flash.
    """
    height = np.array([band.end - band.start for band in found])
    whole = height[np.isfinite(height)]
    if len(whole) < FEWEST_WHOLE:
        return found
    tall, near = float(np.percentile(whole, TALL_PERCENTILE)), LINE_SHARE * n_rows + ramp_rows
    few = BROAD_SHARE * n_rows
    out: list[_Band] = []
    for band in found:
        before = out[-1] if out and out[-1].frame == band.frame else None
        if before is not None and np.isnan(before.end) and np.isnan(band.end) and n_rows - band.start < few:
            out[-1] = replace(before, lit_to=band.lit_to, alone_to=max(before.alone_to, before.lit_to))
            continue
        if before is not None and abs(band.start - before.end) < near:
            low = min(before.end - before.start, band.end - band.start, key=lambda h: h if np.isfinite(h) else np.inf)
            together = min(band.lit_to, n_rows) - max(before.lit_from, 0.0)
            if low < TOO_LOW * tall and together < TOO_TALL * tall:
                out[-1] = _Band(
                    band.frame, before.start, band.end, before.lit_from, band.lit_to, before.alone_from, band.alone_to
                )
                continue
        out.append(band)
    return out


def usual_heights(frame: np.ndarray, height: np.ndarray) -> np.ndarray | None:
    """Height of a whole band about each of the bands, shape of `frame`; None where too few were seen whole.

    Cameras change their exposure while they film, some in steps: a running median keeps those sharp.
    """
    whole = np.flatnonzero(np.isfinite(height))
    if len(whole) < FEWEST_WHOLE:
        return None
    usual = median_filter(height[whole], HEIGHT_WINDOW, mode="nearest")
    after = np.clip(np.searchsorted(frame[whole], frame), 1, len(whole) - 1)
    nearer = frame - frame[whole[after - 1]] <= frame[whole[after]] - frame
    return usual[np.where(nearer, after - 1, after)]


def _parted(band: _Band, tall: float | None, n_rows: int) -> list[_Band]:
    """Two bands for one that is taller than a flash can light: one began where another ended, and no step shows.

    The first begins at the start and the last ends at the end; rows that both may have lit belong to neither.
    """
    top, foot = max(band.lit_from, 0.0), min(band.lit_to, float(n_rows))
    if tall is None or foot - top < TOO_TALL * tall:
        return [band]
    out = []
    # Where one cannot have reached yet, or any more: the other's end, a height away, bounds it.
    if np.isfinite(band.start):
        last = np.nanmin([band.start + tall, band.end - tall if np.isfinite(band.end) else n_rows - 1.0])
        out.append(
            _Band(band.frame, band.start, np.nan, band.lit_from, last, band.alone_from, min(band.alone_to, last))
        )
    if np.isfinite(band.end):
        first = np.nanmax([band.end - tall, band.start + tall if np.isfinite(band.start) else 0.0])
        out.append(_Band(band.frame, np.nan, band.end, first, band.lit_to, max(band.alone_from, first), band.alone_to))
    return out


def _told(found: list[_Band], lit: np.ndarray, ramp_rows: float, noise: float) -> Bands:
    n_rows = lit.shape[1]
    margin = ramp_rows / 2 + 1.5
    columns: list[tuple[float, ...]] = []
    for band in found:
        rows = min(band.lit_to, n_rows - 0.5) - max(band.lit_from, -0.5)
        blind = np.isnan(band.start) and np.isnan(band.end)
        begins, ends = max(band.lit_from, band.alone_from), min(band.lit_to, band.alone_to)
        # Beyond the frame there is nothing to keep a margin from.
        first, last = np.clip([np.ceil(begins + margin), np.floor(ends - margin)], -margin, n_rows + margin)
        first, last = max(int(first), 0), min(int(last), n_rows - 1)
        inner = lit[band.frame, first : max(last + 1, 0)]
        level = median(inner) if len(inner) else 1.0
        # A sliver at the frame's side has no edge that could be placed, and shows next to nothing.
        if rows < MIN_BAND_ROWS or (blind and (rows < 0.5 * n_rows or not len(inner))) or level <= UNLIT:
            continue
        columns.append((band.frame, band.start, band.end, first, last, level))
    if not columns:
        raise CannotMeasure(found="no flash in the whole clip", expected="bands of rows lit by a strobe", do=DO_LIGHT)
    frame, start, end, first, last, level = np.array(columns).T
    # An edge is where the ramp's area is halved: its noise is that of some ramp_rows sums of row noise.
    row_sd = float(np.hypot(0.29, noise * np.sqrt(2 * ramp_rows + 4)))
    return Bands(
        frame.astype(int), start, end, first.astype(int), last.astype(int), level, row_sd, ramp_rows, *lit.shape
    )
