"""What a measurement of an engine turned by hand ought to find.

In:  a prepared shoot.
Out: a part of the truth file: crank angle at each frame, contacts with the piston stop, switchings of the lamp.
Not here: flashes (`truth.py`).
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from timingcam.staging.by_hand import contacts
from timingcam.staging.lamp import lamp_px
from timingcam.staging.strobe import tdc_deg

if TYPE_CHECKING:
    from timingcam.staging.render import Shoot


def told_by_hand(shoot: Shoot) -> dict[str, Any]:
    """Keys `hand` and `lamp` of the truth file, where the scene has them.

    Parameters
    ----------
    shoot : Shoot

    Returns
    -------
    dict
    """
    told: dict[str, Any] = {}
    scene = shoot.scene
    if scene.hand is not None:
        stop_deg = scene.hand.stop_deg
        told["hand"] = {
            "tdc_deg": tdc_deg(scene, scene.cylinder),
            "frame_deg": [round(float(deg), 5) for deg in _at_frames(shoot)],
            "stop_deg": stop_deg,
            "contacts": [asdict(contact) for contact in contacts(scene)] if stop_deg is not None else [],
        }
    if shoot.lamp is not None:
        told["lamp"] = {
            "at_px": list(lamp_px(scene, shoot.stage.view)),
            "switchings": [asdict(switching) for switching in shoot.lamp.switchings],
        }
    return told


def _at_frames(shoot: Shoot) -> np.ndarray:
    """Crank angle in the middle of the middle row's exposure of every frame."""
    filmed = shoot.shutter
    middle_s = filmed.start_s + filmed.line_time_s * (filmed.n_rows - 1) / 2 + filmed.exposure_s / 2
    return shoot.motion.angle_deg(middle_s)
