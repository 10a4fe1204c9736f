"""Sentences for a person about what limits one measurement.

In:  what the clip showed, the engine file, the strobe.
Out: sentences, without repeats.
Not here: reasons to refuse, which are raised where they are found.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from timingcam.engine import Engine
from timingcam.reckoning.assemble import Seen, Strobe, height_of
from timingcam.reckoning.identity import bare
from timingcam.reckoning.marks_order import alike_after_turn

OBLIQUE_DEG = 25.0  # our choice: beyond it a doubt of the tilt counts for more than all else
JITTER_S = 0.3e-3  # our choice: stamps off by more than this deserve a word


def warnings_of(
    seen: Seen, engine: Engine, strobe: Strobe, more: tuple[str, ...], identity: Literal["seen", "assumed"] = "assumed"
) -> tuple[str, ...]:
    """Everything a person should know about this measurement, the gravest first; `identity` is as of the result."""
    said = list(more) + list(seen.marks.warnings) + list(seen.flashes.warnings) + list(seen.view.warnings)
    apart = alike_after_turn(bare(engine))
    if apart is not None and identity == "assumed":
        said.append(
            f"The marks of the cylinders look alike {apart:.0f} degrees apart: that it is the cylinder named is taken "
            "from the command, not seen."
        )
    if strobe.dial_deg:
        said.append(
            f"The strobe's dial stood at {strobe.dial_deg:g} degrees. Such a dial counts on an even spark rate and is "
            "wrong in a sweep: film with it at 0."
        )
    if strobe.delay_s is None:
        said.append(
            "The strobe's delay is not given: light that comes up to 0.1 ms after the spark was allowed for, which at "
            "3000 rpm makes the advance look up to 1.8 degrees too small. Give --strobe-delay."
        )
    height = height_of(seen, engine)
    if height.source != "file":
        known = "0 to 5 mm was allowed for"
        if height.source == "clip":
            known = f"by the hand's swaying it is {height.mm:.1f} mm, give or take {2 * height.sd_mm:.1f}"
        said.append(
            f"The engine file does not say how high the index stands over the marks: {known}. "
            "Give index_above_mm, or film with the lens in the plane through the axis and the index."
        )
    if seen.view.tilt_deg > OBLIQUE_DEG:
        said.append(f"The camera looks at the rotor {seen.view.tilt_deg:.0f} degrees off its axis: film squarer.")
    if seen.info.orientation.mirrored:
        said.append(
            "The file asks to be shown mirrored; the turning was taken as in the picture that the camera stored."
        )
    if not seen.clock.regular and seen.clock.jitter_s > JITTER_S:
        said.append("The frames' time stamps are uneven, so speeds are less certain.")
    unread = float(np.mean(~np.isfinite(seen.turns.turn_deg)))
    if unread > 0.5:
        said.append(f"In {unread:.0%} of the flashes the marks were not lit or could not be read.")
    return tuple(dict.fromkeys(said))
