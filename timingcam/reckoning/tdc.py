"""True top dead centre: what each mark's own place is, by a positive piston stop.

In:  a clip of the engine turned by hand from stop to stop; the engine file; the cylinder that the stop is in.
Out: `TrueTdc`: the advance at which each mark really lines up with the index, with its doubt.
Not here: writing it into the engine file (`engine_edit.py`); pictures and files (`showing/`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from timingcam.engine import Engine
from timingcam.errors import CannotMeasure
from timingcam.reckoning.gum import Part, estimate
from timingcam.reckoning.hand_turned import (
    HandTurned,
    Named,
    Progress,
    Watched,
    clip_facts,
    follow_clip,
    name_marks,
    place_rows,
)
from timingcam.reckoning.piston import mark_btdc_deg
from timingcam.reckoning.result import BudgetRow, ClipFacts, Estimate
from timingcam.reckoning.scenery import Scenery, scenery_of
from timingcam.reckoning.stops import DO_STOPS, Contact, Middle, contacts_of, middle_of_stops
from timingcam.seeing.circle import wrap
from timingcam.seeing.marks import Mark
from timingcam.seeing.slow import FineTurns, in_step, near, read_frames

MOST_READ = 12  # frames read finely in one rest; more err alike
LIKE_AT_REST = 3.0  # our choice: frames of one rest share light and coding, so three count as one
T_MARK_DEG = 5.0  # our choice: the mark nearest to TDC, if its file puts it within this of it, is the T mark
# Advances of which the outermost are as far as any engine's go. With TDC known, marks and index by which the crank
# would be seen to stand at others are not taken: the marks as a whole are off by 4.5 degrees at most.
ANY_ADVANCE_DEG = (-3.7, 0.0, 57.0)
NOT_OF_A_MARK = "the mark's own position"
CAUTIONS = (
    "Turn the engine by hand only, never with the starter: a piston driven against the stop is damaged.",
    "Plug out, ignition off and its lead earthed, gearbox in neutral; no fingers near the chain or the rotor.",
    "Take the stop out before anybody turns the engine over.",
    "The engine maker's manual comes before anything said here.",
)


@dataclass(frozen=True, slots=True)
class MarkFound:
    """One mark: what its file says, where it really lines up with the index, and how far that is off.

    All in crank degrees before the TDC of `cylinder`. `error_deg` is measured less file.
    """

    name: str
    cylinder: str
    file_btdc_deg: float
    btdc_deg: Estimate
    error_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class TrueTdc:
    """True TDC of one cylinder against the marks. `t_mark` is the name of the T mark, or None."""

    clip: ClipFacts
    engine: Engine
    cylinder: str
    contacts: tuple[Contact, ...]
    contact_times_s: tuple[tuple[float, float], ...]
    blocked_deg: float
    marks: tuple[MarkFound, ...]
    t_mark: str | None
    budget: tuple[BudgetRow, ...]
    warnings: tuple[str, ...]
    scenery: Scenery


def true_tdc(
    clip: str | Path, engine: Engine, cylinder: str, watched: Watched | None = None, progress: Progress | None = None
) -> TrueTdc:
    """Measure true top dead centre by a piston stop.

    Parameters
    ----------
    clip : path
        A video in steady light of the engine turned by hand against a piston stop from both sides.
    engine : Engine
    cylinder : str
        The one that the stop is in.
    watched : Watched, optional
        Places that the user points at.
    progress : callable, optional

    Returns
    -------
    TrueTdc

    Raises
    ------
    CannotUse
        If a file or a value given cannot be used.
    CannotMeasure
        If the clip does not show a stop from both sides.
    """
    watched = watched or Watched()
    turned = follow_clip(clip, engine, cylinder, watched, progress)
    contacts = contacts_of(turned.forward_deg, turned.turning.track.time_s)
    middle = _measured(turned, contacts)
    around = _turn_at_tdc(turned, middle) - turned.sense * np.array(ANY_ADVANCE_DEG)
    named = name_marks(turned, around, _DO_NAMES, by_spec=False)
    rows = [row for row in place_rows(turned, named) if row.source != NOT_OF_A_MARK]
    stop = BudgetRow("where the stop holds", middle.part.sd, "deg", "random", middle.part.sd)
    found = _marks_found(turned, named, middle, rows)
    time_s = turned.turning.track.time_s
    return TrueTdc(
        clip=clip_facts(turned, watched.capture_fps),
        engine=engine,
        cylinder=cylinder,
        contacts=tuple(contacts),
        contact_times_s=tuple((float(time_s[c.first]), float(time_s[c.last])) for c in contacts),
        blocked_deg=middle.blocked_deg,
        marks=tuple(found),
        t_mark=file_t_mark(engine, cylinder),
        budget=(stop, *rows),
        warnings=tuple(_warnings(contacts, named, middle)),
        scenery=scenery_of(turned, named, None),
    )


_DO_NAMES = (
    "check that the stop is in the cylinder named, paint the marks, or point at them with --index X,Y and "
    "--mark NAME@X,Y"
)


def _measured(turned: HandTurned, contacts: list[Contact]) -> Middle:
    """The middle of the stops from frames read finely at each contact that counts."""
    turning = turned.turning
    used = [contact for contact in contacts if contact.used]
    numbers = [_some(contact) for contact in used]
    fine = read_frames(turning, {n for some in numbers for n in some.tolist()})
    if len(fine.frame) == 0:
        raise CannotMeasure(found="rests that cannot be read", expected="a clear view at the stops", do=DO_STOPS)
    unwrapped = turned.sense * in_step(turning, fine)
    ends: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for contact, some in zip(used, numbers, strict=True):
        here = np.isin(fine.frame, some)
        if here.any():
            ends[contact.ahead].append(_rest_of(unwrapped[here], near(fine, some.tolist())))
    if not ends[True] or not ends[False]:
        raise CannotMeasure(found="a stop that can be read from one side only", expected="both sides", do=DO_STOPS)
    return middle_of_stops(ends[True], ends[False])


def _some(contact: Contact) -> np.ndarray:
    """Frame numbers spread over a rest, its very beginning and end left out where it lasts."""
    spare = (contact.last - contact.first) // 8
    first, last = contact.first + spare, contact.last - spare
    return np.unique(np.linspace(first, last, min(MOST_READ, last - first + 1)).round().astype(int))


def _rest_of(deg: np.ndarray, fine: FineTurns) -> tuple[float, float]:
    """Median of a rest's readings and its sd."""
    scatter = 1.4826 * float(np.median(np.abs(deg - np.median(deg))))
    each = max(scatter, float(np.median(fine.sd_deg)))
    return float(np.median(deg)), each * float(np.sqrt(min(LIKE_AT_REST, len(deg)) / len(deg)))


def _turn_at_tdc(turned: HandTurned, middle: Middle) -> float:
    """The rotor's turn (fine reading, clockwise in the stored picture) at top dead centre."""
    return turned.sense * middle.tdc_deg


def mark_at_index_deg(mark: Mark, named: Named, turn_deg: float, sense: int) -> float:
    """How far a mark is past the index in the running direction, at a turn of the rotor, within -180 to 180.

    At top dead centre that is the advance at which it lines up with the index.
    """
    index = named.marks.index.deg - named.parallax_deg
    return float(wrap(sense * (mark.deg + turn_deg - index)))


def _marks_found(turned: HandTurned, named: Named, middle: Middle, rows: list[BudgetRow]) -> list[MarkFound]:
    engine = turned.engine
    tdc = {one.name: float(one.tdc_deg) for one in engine.cylinder}
    parts = [Part(row.effect_deg) for row in rows if row.source != "where the mark is"]
    found = []
    for mark in named.marks.marks:
        past = mark_at_index_deg(mark, named, _turn_at_tdc(turned, middle), turned.sense)
        spec = next(one for one in engine.rotor.mark if one.name == mark.name)
        for cylinder in _cylinders_of(mark, turned):
            # The mark passes the index at that cylinder's TDC less its btdc: the same place, counted from its own TDC.
            file_deg = mark_btdc_deg(spec, engine.crank)
            error = float(wrap(past + tdc[cylinder] - tdc[turned.cylinder] - file_deg))
            value = estimate(file_deg + error, [middle.part, Part(mark.sd_deg), *parts])
            found.append(MarkFound(mark.name, cylinder, file_deg, value, error))
    return found


def _cylinders_of(mark: Mark, turned: HandTurned) -> list[str]:
    """Cylinders whose mark of that name stands at that place by the file; the one with the stop first."""
    engine, sense = turned.engine, turned.sense
    spec = next(one for one in engine.rotor.mark if one.name == mark.name)
    here = []
    for one in engine.cylinder:
        if one.name in spec.cylinder:
            place = -sense * (float(one.tdc_deg) - mark_btdc_deg(spec, engine.crank))
            if abs(float(wrap(place - mark.file_deg))) < 0.1:
                here.append(one.name)
    return sorted(here, key=lambda name: name != turned.cylinder)


def file_t_mark(engine: Engine, cylinder: str) -> str | None:
    """Name of a cylinder's T mark by the engine file: the mark nearest to TDC, if it is within 5 degrees of it."""
    near_top = {
        mark.name: abs(mark_btdc_deg(mark, engine.crank))
        for mark in engine.rotor.mark
        if cylinder in mark.cylinder and abs(mark_btdc_deg(mark, engine.crank)) <= T_MARK_DEG
    }
    return min(near_top, key=lambda name: near_top[name]) if near_top else None


def _warnings(contacts: list[Contact], named: Named, middle: Middle) -> list[str]:
    words = []
    left_out = sorted({contact.reason for contact in contacts if contact.reason})
    words += [f"Left out: a place where the rotor {reason}." for reason in left_out]
    for ahead, way in ((True, "forwards"), (False, "backwards")):
        if sum(contact.used and contact.ahead == ahead for contact in contacts) == 1:
            words.append(f"The stop was met {way} only once: how well it repeats was taken from common practice.")
    if middle.blocked_deg < 5.0:
        words.append(
            f"The stop holds only {middle.blocked_deg:.1f} degrees before TDC, where the piston hardly moves: a longer "
            "stop gives a surer middle."
        )
    return words + list(named.marks.warnings)
