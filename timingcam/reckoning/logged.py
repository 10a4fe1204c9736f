"""A logged tachometer set against the clip: how far their clocks are apart, and what the log then says at the flashes.

In:  the log, the flashes' times, a rough speed by the flashes or by the sound.
Out: `Logged`: `Speed`, the offset between the clocks and its doubt.
Not here: the file and the search for the offset (`rpmtable.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from timingcam.errors import CannotMeasure
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.result import Estimate
from timingcam.reckoning.rpmtable import Offset, RpmTable, align, hardly_changes, read_rpm_csv
from timingcam.reckoning.sound import SoundSpeed
from timingcam.reckoning.tacho import Speed, speed_from_table

UNALIGNED_SD_S = 0.3  # our choice: a log that is started by the same hand as the camera
FACTORS = (1.0, 2.0, 0.5, 3.0, 1.0 / 3.0)  # by which a wrong count of sparks puts the flashes' speed off
APART_REL = 0.02  # our choice: four times what a tachometer that logs is good for


@dataclass(frozen=True, slots=True, eq=False)
class Logged:
    """Speed by the log; what was added to its times, None where they were taken as they stand; how sure that is."""

    speed: Speed
    offset_s: Estimate | None
    time_sd_s: float


def speed_by_log(path: str | Path, at_s: np.ndarray, by_flashes: Speed | None, sound: SoundSpeed | None) -> Logged:
    """Speed at the flashes from a logged tachometer.

    Parameters
    ----------
    path : str or Path
        A CSV file of time_s and rpm; its clock may have been started at any time.
    at_s : ndarray, shape (n_flashes,)
        Times of the flashes.
    by_flashes : Speed or None
        By the flashes, where they tell one: sets the log's clock against the clip's.
    sound : SoundSpeed, optional
        In its place.

    Returns
    -------
    Logged

    Raises
    ------
    CannotUse
        If the file cannot be used.
    CannotMeasure
        If its course is not the clip's at any offset.
    """
    table = read_rpm_csv(path)
    rough = _rough(at_s, by_flashes, sound)
    if rough is None or hardly_changes(table.rpm) or hardly_changes(rough[1]):
        speed = speed_from_table(table.time_s, table.rpm, at_s)
        why = "the clip tells no speed of its own" if rough is None else "the speed hardly changes"
        said = (
            f"The logged speed's clock was taken to be the clip's, since {why}: blip the throttle once while both run."
        )
        speed = replace(speed, warnings=(*speed.warnings, said))
        return Logged(_held_against(speed, by_flashes), None, UNALIGNED_SD_S)
    offset = _aligned(table, *rough)
    speed = speed_from_table(table.time_s + offset.seconds, table.rpm, at_s)
    return Logged(_held_against(speed, by_flashes), estimate(offset.seconds, [Part(offset.sd_s)]), offset.sd_s)


def _rough(
    at_s: np.ndarray, by_flashes: Speed | None, sound: SoundSpeed | None
) -> tuple[np.ndarray, np.ndarray] | None:
    """Times and speeds by the clip itself, as far as it tells any."""
    if by_flashes is not None:
        known = np.isfinite(by_flashes.rpm)
        apart = np.concatenate([[True], np.diff(at_s[known]) > 0]) if known.any() else known
        return at_s[known][apart], by_flashes.rpm[known][apart]
    if sound is not None and sound.trusted:
        heard = sound.trust >= 0.5
        return sound.time_s[heard], sound.rpm[heard]
    return None


def _aligned(table: RpmTable, time_s: np.ndarray, rpm: np.ndarray) -> Offset:
    """The offset at which the courses are most alike, also where the flashes' speed is off by a whole factor."""
    found: list[Offset] = []
    refused: CannotMeasure | None = None
    for factor in FACTORS:
        try:
            found.append(align(table, time_s, rpm * factor))
        except CannotMeasure as fault:
            # The first one is about the speed as it stands, and so the one to tell a person.
            refused = refused or fault
    if not found:
        assert refused is not None
        raise refused
    return max(found, key=lambda offset: offset.correlation)


def _held_against(speed: Speed, by_flashes: Speed | None) -> Speed:
    """The same with a warning where the flashes say something else."""
    if by_flashes is None:
        return speed
    both = np.isfinite(speed.rpm) & np.isfinite(by_flashes.rpm)
    if not both.any():
        return speed
    ratio = float(np.median(by_flashes.rpm[both] / speed.rpm[both]))
    if abs(ratio - 1.0) < APART_REL:
        return speed
    said = (
        f"The flashes say {ratio:.2f} times the logged speed, which was taken: check the log's scale, and "
        "`sparks_per_rev` in the engine file."
    )
    return replace(speed, warnings=(*speed.warnings, said))
