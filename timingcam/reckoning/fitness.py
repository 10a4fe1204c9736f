"""Is this clip any good: what limits it, and what to film differently.

In:  what a part of the clip showed.
Out: `Inspection`: the facts, the accuracy to expect, advice in plain words.
Not here: looking at the clip (`inspecting.py`).

The limits below are our choice: where each begins to cost more than the rest of a careful measurement (0.3 degrees or
so), or half of the flashes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from timingcam.errors import CannotMeasure
from timingcam.reckoning.budget import total_sd_deg
from timingcam.reckoning.result import BudgetRow

SMALL_ROTOR_PX = 130.0  # a pixel at the rim is 0.44 degrees
SOFT_PX = 4.5  # a sharp edge takes 2 to 3 pixels after coding
SHAKY_PX = 12.0  # the picture moves while its rows are read
OBLIQUE_DEG = 15.0  # 2.5 mm of height at 50 mm radius are 0.8 degrees here
BRIGHT_PLACE = 0.5  # of the flash's light
WHITE_SHARE = 0.15  # of the rotor: marks drown
SHORT_BAND = 0.25  # of the frame's height: index and mark seldom fall into it together
FEW_FLASHES = 80  # for both flats and the rise between them
LOST_SHARE = 0.03
JITTERY_S = 1e-3
FEW_SHOW_BOTH = 0.25
FEW_READABLE = 0.6


@dataclass(frozen=True, slots=True)
class ClipLook:
    """The file and its frames; `from_s` to `to_s` is the part that was looked at."""

    path: str
    width: int
    height: int
    fps: float
    codec: str
    bits: int
    duration_s: float | None
    from_s: float
    to_s: float
    capture_fps: float | None
    lost_share: float
    stamp_jitter_s: float


@dataclass(frozen=True, slots=True)
class FlashLook:
    """Flashes of the part; what could not be told is None."""

    seen: int
    per_s: float
    exposure_s: float | None
    line_time_s: float | None
    lit_rows_share: float  # of the frame's height, by one flash, as a rule


@dataclass(frozen=True, slots=True)
class RotorLook:
    """The rotor in the picture, and how single flashes show it; NaN where that could not be told."""

    centre_px: tuple[float, float]
    radius_px: float
    in_picture_share: float  # of the rim; NaN where only a part of the rotor shows
    tilt_deg: float
    edge_px: float
    shake_px: float
    roll_deg: float
    over_exposed_share: float
    ambient_share: float
    readable_share: float  # of the flashes
    angle_sd_deg: float  # of one flash


@dataclass(frozen=True, slots=True)
class MarkLook:
    """One mark, or the index, as large as it is in the picture."""

    name: str
    width_px: float
    length_px: float


@dataclass(frozen=True, slots=True)
class EngineLook:
    """What the engine file adds: the marks by name, the speed, the accuracy to expect."""

    engine: str
    cylinder: str
    marks: tuple[MarkLook, ...]
    show_both_share: float  # of the flashes: index and a mark lit
    rpm: tuple[float, float]
    budget: tuple[BudgetRow, ...]

    @property
    def single_sd_deg(self) -> float:
        """To expect of one flash."""
        return total_sd_deg(self.budget, "random")

    @property
    def common_sd_deg(self) -> float:
        """To expect of all flashes alike."""
        return total_sd_deg(self.budget, "systematic")

    @property
    def largest(self) -> BudgetRow:
        """What limits the accuracy most."""
        return max((row for row in self.budget if row.kind == "systematic"), key=lambda row: row.effect_deg)


@dataclass(frozen=True, slots=True)
class Inspection:
    """What a look at a part of a clip came to; a stage that could not be reached is None, and `refusal` says why."""

    clip: ClipLook
    flashes: FlashLook | None
    rotor: RotorLook | None
    engine: EngineLook | None
    refusal: CannotMeasure | None

    @property
    def fit(self) -> bool:
        """Whether nothing stands in the way of a measurement, as far as was looked."""
        return self.refusal is None

    @property
    def advice(self) -> tuple[str, ...]:
        """What to film differently, in plain words, the most important first."""
        parts: list[str] = []
        if self.flashes is not None:
            parts += _of_flashes(self.flashes, self.clip)
        if self.rotor is not None:
            parts += _of_rotor(self.rotor)
        if self.engine is not None:
            parts += _of_engine(self.engine)
        return (*parts, *_of_clip(self.clip))


def _of_flashes(flashes: FlashLook, clip: ClipLook) -> Iterator[str]:
    if flashes.exposure_s is None:
        yield (
            "Flashes light whole frames, so that none can be timed: lock a shorter exposure, with the strobe nearer; "
            "or hold one speed and give it with --rpm."
        )
    elif flashes.lit_rows_share < SHORT_BAND:
        yield (
            f"Each flash lights {flashes.lit_rows_share:.0%} of the picture's height, so few show index and mark "
            "together: film in half-darkness, where the phone exposes longer, and keep both at the middle's height."
        )
    if clip.duration_s is not None and flashes.per_s * clip.duration_s < FEW_FLASHES:
        yield f"About {flashes.per_s * clip.duration_s:.0f} flashes in the clip: film for longer, some ten seconds."


def _of_rotor(rotor: RotorLook) -> Iterator[str]:
    if rotor.radius_px < SMALL_ROTOR_PX:
        yield (
            f"The rotor is small in the picture ({rotor.radius_px:.0f} pixels in radius, {57.3 / rotor.radius_px:.1f} "
            "degrees a pixel): go nearer, or zoom, until it fills the height."
        )
    if rotor.edge_px > SOFT_PX:
        yield f"Edges are {rotor.edge_px:.1f} pixels wide: tap the marks to focus on them, and lock the focus."
    if rotor.over_exposed_share > WHITE_SHARE:
        yield f"{rotor.over_exposed_share:.0%} of the rotor is plain white: lower the exposure, or the strobe's light."
    if rotor.ambient_share > BRIGHT_PLACE:
        yield (
            f"The place gives {rotor.ambient_share:.0%} as much light as a flash: make it darker, or bring the strobe "
            "nearer."
        )
    if rotor.shake_px > SHAKY_PX:
        yield f"The picture moves by {rotor.shake_px:.0f} pixels: rest the phone on something that does not shake."
    if rotor.tilt_deg > OBLIQUE_DEG:
        yield (
            f"The camera looks {rotor.tilt_deg:.0f} degrees past the rotor's axis: film square-on, or from a place in "
            "line with axis and index, and give the index's height in the engine file."
        )
    if rotor.in_picture_share < 0.8:
        yield f"{rotor.in_picture_share:.0%} of the rim is in the picture: the whole of it makes the tilt surer."
    if rotor.readable_share < FEW_READABLE:
        yield (
            f"The rotor can be read in {rotor.readable_share:.0%} of the flashes: switch stabilisation and exposure "
            "merging off, keep hands and leads out of the view."
        )


def _of_engine(engine: EngineLook) -> Iterator[str]:
    if engine.show_both_share < FEW_SHOW_BOTH:
        yield (
            f"Index and a mark are lit together in {engine.show_both_share:.0%} of the flashes: keep them at the "
            "middle of the picture's height, expose longer, or film at 60 frames a second."
        )
    yield from _worst_source(engine.largest)


def _worst_source(row: BudgetRow) -> Iterator[str]:
    do = {
        "delay of the strobe": "measure the strobe's delay and give --strobe-delay",
        "the mark's own position": "check the marks against true top dead centre with timingcam tdc, and give each "
        "mark's sd_deg",
        "height of the index": "measure how far the index stands off the marks, and give index_above_mm with its "
        "doubt in the engine file; or film square-on",
        "tilt of the camera": "film square-on, with the whole rim in view",
        "where the index is": "paint the index with a fine line",
        "where the mark is": "paint the marks with fine lines",
    }.get(row.source)
    if do is not None and row.effect_deg > 0.15:
        yield f"Most of the doubt comes from this: {row.source} ({row.effect_deg:.2f} degrees). To lessen it, {do}."


def _of_clip(clip: ClipLook) -> Iterator[str]:
    if clip.lost_share > LOST_SHARE:
        yield f"{clip.lost_share:.0%} of the frames are missing: close other programs on the phone, free its storage."
    if clip.stamp_jitter_s > JITTERY_S:
        yield (
            f"Frame times wander by {clip.stamp_jitter_s * 1e3:.1f} ms: set a fixed frame rate; a clip passed through "
            "a messenger or an editor has lost its own times."
        )
    if clip.duration_s is not None and clip.duration_s < 5:
        yield f"The clip lasts {clip.duration_s:.1f} s: ten seconds, up and down through all speeds, show more."
