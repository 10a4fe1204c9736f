"""The clip again, slowed down, with what was measured drawn in.

In:  a `Measurement` and the clip that it was made from.
Out: a film: one picture for each flash, its figures and the growing curve beside it.
Not here: the light of its pictures (`film_light.py`), what is drawn (`film_overlay.py`, `film_panel.py`), the file's
format (`film_file.py`).

The film's time runs evenly: every second of the clip takes the same number of seconds. In the steady film, which is
the usual one, no picture is brighter than another; the flashing one shows the frames as they were filmed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Measurement
from timingcam.seeing.clip import ClipInfo, Frame, frames, open_clip, sha256_of
from timingcam.showing import film_light as light
from timingcam.showing import film_overlay
from timingcam.showing.film_card import warning_card
from timingcam.showing.film_file import FilmFile, slowed_sound
from timingcam.showing.film_panel import WIDTH_PX, Panel
from timingcam.showing.found import found_in

FLASHES_PER_S = 8.0  # our choice: an eighth of a second is enough to see where a mark stands
MOST_SLOWER = 60.0
SOUND_SLOWER = 4.0  # our choice: slower than this an engine is no engine to the ear
ENDING_S = 3.0
CARD_S = 5.0
Told = Callable[[str, float], None]
Still = tuple[float, np.ndarray]  # when it comes, seconds of the clip; the picture


@dataclass(frozen=True, slots=True)
class Film:
    """What was made."""

    seconds: float
    slower: float
    sound: str  # "slowed", "as filmed", "none in the clip", "too slow for it" or "stored stretched"
    flashing: bool


def usual_slowness(measurement: Measurement) -> float:
    """How many times slower than the engine ran, for every flash to be seen.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    float
        A whole number, 1 or more: the fastest fiftieth of the flashes aside, none is shown for less than 1/8 s.
    """
    between_s = np.diff(measurement.readings.time_s[measurement.readings.used])
    between_s = between_s[between_s > 0]
    if len(between_s) == 0:
        return 1.0
    return float(np.clip(math.ceil(1.0 / (FLASHES_PER_S * np.percentile(between_s, 2))), 1.0, MOST_SLOWER))


def make_film(
    measurement: Measurement,
    clip: str | Path,
    path: Path,
    *,
    slower: float | None = None,
    flashing: bool = False,
    progress: Told | None = None,
) -> Film:
    """Write the film.

    Parameters
    ----------
    measurement : Measurement
    clip : str or Path
        The clip that was measured.
    path : Path
        The file to write, MP4.
    slower : float, optional
        How many times slower than filmed, 1 or more; else as `usual_slowness` has it.
    flashing : bool
        Whether to show the frames as they were filmed, flashes and all.
    progress : callable, optional
        Told what is being done and which share of the clip has been seen.

    Returns
    -------
    Film

    Raises
    ------
    CannotUse
        If the clip is not the one that was measured, or nothing in the result says where the rotor is.
    """
    info = _same_clip(measurement, clip)
    if not np.any(np.all(np.isfinite(measurement.pictures.to_rotor), axis=(1, 2))):
        raise CannotUse(
            found="no flash with a place of the rotor in flashes.npz",
            expected="a result in which some were read",
            do="measure the clip again",
        )
    slow = usual_slowness(measurement) if slower is None else slower
    sound, words = _sound(measurement, info, slow)
    stage = _Stage(measurement, info, Panel(measurement, _footer(slow, flashing)))
    stills = stage.as_filmed(progress) if flashing else stage.steady(progress)
    with FilmFile(path, (light.SIDE_PX + WIDTH_PX, light.SIDE_PX), None if flashing else sound) as film:
        if flashing:
            film.show(warning_card((light.SIDE_PX + WIDTH_PX, light.SIDE_PX)), CARD_S)
        lead_s = film.seconds
        held: np.ndarray | None = None
        for time_s, picture in stills:
            if held is not None:
                film.show(held, lead_s + slow * time_s)
            held = picture
        if held is not None:
            film.show(held, max(lead_s + slow * measurement.clip.duration_s, film.seconds + 0.2))
        film.show(stage.ending(), film.seconds + ENDING_S)
        return Film(film.seconds, slow, "left out" if flashing else words, flashing)


class _Stage:
    """Where pictures and panel are put together."""

    def __init__(self, measurement: Measurement, info: ClipInfo, panel: Panel) -> None:
        self._m, self._info, self._panel = measurement, info, panel
        self._pieces = light.pieces_of(measurement, info.height)
        self._from_rotor = light.framing(measurement)
        self._names = [film_overlay.name_picture(name) for name in measurement.pictures.mark_names]
        self._last = np.zeros((light.SIDE_PX, light.SIDE_PX), np.uint8)

    def steady(self, progress: Told | None) -> Iterator[Still]:
        """One picture a flash, each as bright as the average of all."""
        ground = self._ground(progress)
        steady = ground.at(math.nan)
        yield 0.0, self._put_together(light.screen(light.evened(steady, ground.still)), None)
        due: dict[int, light.Laid] = {}
        last_frame = {piece.flash: piece.frame for piece in self._pieces}
        at = light.by_frame(self._pieces)
        for frame in self._frames("drawing every flash", progress):
            for piece in at.get(frame.number, []):
                self._lay(due.setdefault(piece.flash, light.Laid()), frame, piece)
            for flash in sorted(due):
                if last_frame[flash] <= frame.number:
                    rotor_deg = float(self._m.pictures.rotor_deg[flash])
                    behind = steady if math.isnan(rotor_deg) else ground.at(rotor_deg)
                    picture = light.evened(due.pop(flash).light(behind), ground.still)
                    yield float(self._m.readings.time_s[flash]), self._put_together(light.screen(picture), flash)

    def as_filmed(self, progress: Told | None) -> Iterator[Still]:
        """One picture a frame."""
        first_of = self._m.pictures.frame
        start_s: float | None = None
        # A clip stored stretched says times that many times too long.
        stretched = self._m.clip.capture_fps is not None and self._info.rate_fps > 0
        stretch = self._m.clip.fps / self._info.rate_fps if stretched else 1.0
        for frame in self._frames("drawing every frame", progress):
            start_s = frame.stamp_s if start_s is None else start_s
            seen = int(np.searchsorted(first_of, frame.number, side="right")) - 1
            nearest = max(seen, 0)
            laid = light.Laid()
            whole = light.Piece(nearest, frame.number, 0, self._info.height - 1)
            self._lay(laid, frame, whole)
            picture = light.screen(laid.light())
            time_s = (frame.stamp_s - start_s) / stretch
            yield time_s, self._put_together(picture, seen if seen >= 0 else None)

    def ending(self) -> np.ndarray:
        """The last picture again, beside the whole curve."""
        return np.hstack([self._last, self._panel.ending()])

    def _ground(self, progress: Told | None) -> light.Ground:
        still, turning = light.Laid(), light.Laid()
        dark, n_dark = np.zeros((light.SIDE_PX, light.SIDE_PX), np.float32), 0
        at = light.by_frame(self._pieces)
        for frame in self._frames("laying all flashes together", progress):
            for piece in at.get(frame.number, []):
                self._lay(still, frame, piece)
                rotor_deg = float(self._m.pictures.rotor_deg[piece.flash])
                if math.isfinite(rotor_deg):
                    self._lay(turning, frame, piece, -rotor_deg)
            if frame.number % light.DARK_EVERY == 0:
                one = light.Laid()
                self._lay(one, frame, light.Piece(0, frame.number, 0, self._info.height - 1))
                dark += one.light()
                n_dark += 1
        return light.ground_of(still, turning, dark / max(n_dark, 1), self._from_rotor)

    def _lay(self, laid: light.Laid, frame: Frame, piece: light.Piece, turned_deg: float = 0.0) -> None:
        to_rotor = self._m.pictures.to_rotor[piece.flash]
        if np.all(np.isfinite(to_rotor)):
            light.lay(laid, frame, piece, self._info, light.turn(self._from_rotor, turned_deg) @ to_rotor)

    def _put_together(self, picture: np.ndarray, flash: int | None) -> np.ndarray:
        shown = 0 if flash is None else flash
        found = found_in(self._m.pictures, shown, self._from_rotor)
        if flash is None:
            found = found.without_marks()
        drawn = film_overlay.draw(picture, found, self._names, None if flash is None else self._bracket(flash))
        self._last = drawn
        return np.hstack([drawn, self._panel.picture(flash)])

    def _bracket(self, flash: int) -> np.ndarray | None:
        """Ends of the line beside the rows that the flash lit; None where it lit all that is shown."""
        pieces = [piece for piece in self._pieces if piece.flash == flash]
        return light.bracket(pieces, self._info, self._from_rotor @ self._m.pictures.to_rotor[flash])

    def _frames(self, what: str, progress: Told | None) -> Iterator[Frame]:
        for frame in frames(self._info):
            if progress is not None and frame.number % 20 == 0:
                progress(what, frame.number / max(self._m.clip.frames, 1))
            yield frame


def _same_clip(measurement: Measurement, clip: str | Path) -> ClipInfo:
    info = open_clip(clip)
    if sha256_of(info.path) != measurement.clip.sha256:
        raise CannotUse(
            found=f"{info.path.name!r}, which is not the clip that this result was measured from",
            expected=f"{measurement.clip.path!r}, unchanged (SHA-256 {measurement.clip.sha256[:12]}…)",
            do="give that clip, or measure this one",
        )
    return info


def _sound(measurement: Measurement, info: ClipInfo, slower: float) -> tuple[Iterator[Any] | None, str]:
    if not info.has_sound:
        return None, "none in the clip"
    if measurement.clip.capture_fps is not None and abs(measurement.clip.fps / info.rate_fps - 1.0) > 0.01:
        return None, "left out: the clip is stored stretched"
    if slower > SOUND_SLOWER:
        return None, f"left out: slower than {SOUND_SLOWER:g} times it is no engine any more"
    return slowed_sound(info.path, slower), "as filmed" if slower == 1.0 else "slowed, at its own pitch"


def _footer(slower: float, flashing: bool) -> str:
    speed = "as fast as filmed" if slower == 1.0 else f"{slower:g} times slower than filmed"
    if flashing:
        return f"{speed}; held still by the housing;\nflashing as filmed"
    return f"{speed}; brightness evened; rows\nnot beside the white bar: filled in from other flashes"
