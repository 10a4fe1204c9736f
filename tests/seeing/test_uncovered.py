"""What a cover hides: of drawn rotors of which half, or less, lies under brick that stands still."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from drawn_clips import LIGHT, clip, posed
from drawn_rotors import SIZE, on_plane

from timingcam.errors import CannotMeasure
from timingcam.seeing.mosaic import lay
from timingcam.seeing.rings import Ring, whole_enough
from timingcam.seeing.strips import Part
from timingcam.seeing.told_twice import N_SECTORS
from timingcam.seeing.uncovered import _runs, uncovered_part
from timingcam.seeing.whole_view import find_view

SHAPE = (SIZE[1], SIZE[0])
SEEN = posed(4, 60)
RIM = Ring(SEEN.centre_px, (SEEN.radius_px, SEEN.radius_px), 0.0, 0.5, -1)
BESIDE = 0.2  # our choice, rim radii: a sector is that long at the rim, and one to either side may be taken as covered


def below(share: float) -> np.ndarray:
    """A cover with a straight edge aslant, which leaves such a share of the rim uncovered."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    aslant = np.radians(24.0)
    lower = (y - SEEN.centre_px[1]) * np.cos(aslant) - (x - SEEN.centre_px[0]) * np.sin(aslant)
    return np.asarray(lower > -np.cos(np.pi * share) * SEEN.radius_px)


def test_what_stands_still_within_the_rim_is_a_cover() -> None:
    covered = below(0.4)
    stack, _, _ = lay(LIGHT, clip(SEEN, covered=covered))
    part = uncovered_part(stack, replace(RIM, coverage=0.4), SHAPE)
    assert part is not None
    radius, _ = on_plane(SEEN)
    assert part.shows[radius > 1.05].all()  # beside the rotor the case is to be seen
    # Sectors are straight to the centre and a cover's edge need not be: near the rim, where marks are, they are alike.
    near = (radius > 0.85) & (radius < 0.97)
    assert part.shows[near & covered].mean() < BESIDE
    assert part.shows[near & ~covered].mean() > 1 - 2 * BESIDE


def test_a_whole_rotor_has_no_cover() -> None:
    stack, _, _ = lay(LIGHT, clip(SEEN))
    assert uncovered_part(stack, replace(RIM, coverage=0.95), SHAPE) is None  # not looked for
    assert uncovered_part(stack, replace(RIM, coverage=0.5), SHAPE) is None  # soft, or in the dark, but it turns


def test_nothing_turns_under_no_cover() -> None:
    """A case alone stands still all round."""
    stack, _, _ = lay(LIGHT, clip(SEEN, turned_deg=0.0))
    assert uncovered_part(stack, RIM, SHAPE) is None


def test_a_rim_that_ends_where_the_cover_begins_is_whole_enough() -> None:
    ring = replace(RIM, coverage=0.38)
    part = Part(~below(0.4))
    assert whole_enough(ring, SHAPE, part) is ring
    for known in (None, Part(~below(0.6))):  # no cover that is seen to hide the rest, or one that hides less
        with pytest.raises(CannotMeasure, match="38% shows an edge"):
            whole_enough(ring, SHAPE, known)


def test_the_view_of_a_rotor_of_which_half_is_covered() -> None:
    covered = below(0.5)
    view = find_view(LIGHT, clip(SEEN, covered=covered))
    assert view.uncovered is not None and view.shown is view.uncovered
    # Half a rim of 165 px, its edge known to a pixel: across it, the centre is held less well than by all of it.
    assert np.hypot(*(view.pose.centre_px - SEEN.centre_px)) < 2.0
    assert view.pose.radius_px == pytest.approx(SEEN.radius_px, abs=2.0)
    turns = view.turns_deg[np.isfinite(view.turns_deg)]
    assert len(turns) == 16
    # Between evenly drawn ones: a twentieth of a pixel at the rim is two hundredths of a degree.
    assert np.diff(np.sort(turns)) == pytest.approx(24.0 / 15, abs=0.1)


def test_runs_round_the_ring() -> None:
    """A run goes over the end of the ring; a gap of sectors that tell nothing belongs to it; a short one is none."""
    surely, maybe = np.zeros(N_SECTORS, bool), np.zeros(N_SECTORS, bool)
    surely[[30, 31, 0, 3]] = maybe[[29, 30, 31, 0, 1, 2, 3]] = True
    surely[[12, 13]] = maybe[[12, 13]] = True  # a lead
    assert set(np.flatnonzero(_runs(surely, maybe))) == {29, 30, 31, 0, 1, 2, 3}
    assert not _runs(np.ones(N_SECTORS, bool), np.ones(N_SECTORS, bool)).any()
