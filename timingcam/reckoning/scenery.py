"""What pictures of an engine turned by hand are drawn from.

In:  the rotor followed through a clip, its marks named.
Out: `Scenery`: where the crank stood frame by frame, and the reference picture with what was found in it.
Not here: any drawing (`showing/`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.reckoning.hand_turned import HandTurned, Named, advance_at
from timingcam.seeing.clip import frames
from timingcam.seeing.lamp import LampLight
from timingcam.seeing.slow import read_frames

N_TIED = 6  # frames by which the coarse track is tied to the maps


@dataclass(frozen=True, slots=True, eq=False)
class Scenery:
    """Frame by frame, and the reference picture.

    `before_tdc_deg` shape (n_frames,): where the crank stood, degrees before the cylinder's TDC, within -180 to 180,
    NaN where the rotor could not be read; `lamp` its brightness, 0 to 1, or None. Places are pixels of `picture` as
    shown: `rim_px` (n, 2), `index_px` (2, 2) the index's end nearest the marks and a point further out, `marks_px`
    (n_marks, 2, 2) the two ends of each mark where the rotor stood in the picture, `lamp_px`.
    """

    time_s: np.ndarray
    before_tdc_deg: np.ndarray
    lamp: np.ndarray | None
    picture: np.ndarray
    rim_px: np.ndarray
    index_px: np.ndarray
    mark_names: tuple[str, ...]
    marks_px: np.ndarray
    lamp_px: np.ndarray | None


def scenery_of(turned: HandTurned, named: Named, lamp: LampLight | None) -> Scenery:
    """Put it together.

    Parameters
    ----------
    turned : HandTurned
    named : Named
    lamp : LampLight, optional
    """
    turning, show = turned.turning, turned.turning.info.orientation
    zero, frame, turn = _tied(turned)
    pose, marks = turning.view.pose, named.marks
    picture = _picture(turned, frame)

    def shown(deg: float, radii: tuple[float, ...]) -> np.ndarray:
        a = np.radians(deg)
        at = np.array([[r * np.cos(a), r * np.sin(a)] for r in radii])
        return show.to_shown(_in_frame(turned, frame, pose.to_image(at)))

    round_about = np.radians(np.arange(0, 361, 5))
    rim = pose.to_image(np.stack([np.cos(round_about), np.sin(round_about)], axis=1))
    return Scenery(
        time_s=turning.track.time_s,
        before_tdc_deg=advance_at(turned, named, turning.track.turn_deg + zero),
        lamp=None if lamp is None else lamp.level,
        picture=show.show(picture),
        rim_px=show.to_shown(_in_frame(turned, frame, rim)),
        index_px=shown(marks.index.deg, (marks.index.radius, marks.index.radius + 0.25)),
        mark_names=tuple(mark.name for mark in marks.marks),
        marks_px=np.array([shown(mark.deg + turn, (mark.inner, mark.outer)) for mark in marks.marks]),
        lamp_px=None if lamp is None else show.to_shown(_in_frame(turned, frame, lamp.at_px)),
    )


def _tied(turned: HandTurned) -> tuple[float, int, float]:
    """What to add to the coarse track to be in step with the maps; a frame, and the rotor's turn in it."""
    track = turned.turning.track
    good = np.flatnonzero(np.isfinite(track.turn_deg) & np.isfinite(track.speed_deg_s))
    # At rest both readings are surest.
    still = good[np.argsort(np.abs(track.speed_deg_s[good]), kind="stable")[: max(N_TIED, len(good) // 4)]]
    fine = read_frames(turned.turning, still[np.linspace(0, len(still) - 1, N_TIED).round().astype(int)].tolist())
    apart = np.radians(fine.turn_deg - track.turn_deg[fine.frame])
    zero = float(np.degrees(np.angle(np.exp(1j * apart).mean())))
    return zero, int(fine.frame[0]), float(fine.turn_deg[0])


def _in_frame(turned: HandTurned, frame: int, xy_px: np.ndarray) -> np.ndarray:
    shift = turned.turning.track.shifts[frame]
    return xy_px if shift is None else shift.apply(np.asarray(xy_px, float))


def _picture(turned: HandTurned, number: int) -> np.ndarray:
    """Luma of one frame, 8 bit."""
    info = turned.turning.info
    found = [frame.luma for frame in frames(info) if frame.number == number]  # to the end, as in `seeing/sweep.py`
    return (found[-1] >> (info.bits - 8)).astype(np.uint8)
