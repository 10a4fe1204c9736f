"""What is drawn: every flash's place in the picture as shown.

In:  what the clip showed.
Out: `Pictures`.
Not here: the drawing.
"""

from __future__ import annotations

import numpy as np

from timingcam.reckoning.assemble import NOT_LIT, Seen
from timingcam.reckoning.result import Pictures, Readings
from timingcam.seeing.lit import marks_lit
from timingcam.seeing.shift import moved_by


def pictures_of(seen: Seen, readings: Readings) -> Pictures:
    """Turn stored pixels and angles into those of the picture as shown; crops of flashes that lit mark and index."""
    orientation = seen.info.orientation
    shown = orientation.matrix()
    sign = -1.0 if orientation.mirrored else 1.0
    turn = 90.0 * orientation.quarter_turns + (180.0 if orientation.mirrored else 0.0)
    linear = np.eye(3)
    linear[:2, :2] = shown[:2, :2]
    flat = seen.view.pose.matrix_to_plane()
    to_stored = np.linalg.inv(shown)
    to_rotor = np.array([linear @ flat @ np.linalg.inv(s) @ to_stored for s in seen.turns.shift])
    first = _pieces_first(seen)
    index = seen.marks.index
    at = np.array([np.cos(np.radians(index.deg)), np.sin(np.radians(index.deg))]) * index.radius
    shift = seen.turns.shift[_first_readable(seen)]
    x, y = orientation.to_shown(moved_by(shift, seen.view.pose.to_image(at)))
    marks = seen.marks.marks
    crops, origin = _shown_crops(seen)
    lit = np.array([reason != NOT_LIT for reason in readings.reason], bool)
    both = lit & np.logical_and(*marks_lit(seen.flashes, seen.turns, seen.view, seen.marks))
    showing = (both if both.any() else lit)[seen.turns.crop_of]
    return Pictures(
        frame=first[0], row_first=first[1], row_last=first[2], to_rotor=to_rotor / to_rotor[:, 2:, 2:],
        rotor_deg=sign * seen.turns.seen_at(index.deg, index.radius)[0],
        mark_names=tuple(m.name for m in marks),
        mark_deg=np.array([sign * m.deg + turn for m in marks]),
        mark_radius=np.array([(m.inner, m.outer) for m in marks]).reshape(-1, 2),
        index_deg=float(sign * index.deg + turn), index_radius=index.radius, index_px=(float(x), float(y)),
        crop_of=seen.turns.crop_of[showing], crops=crops[showing], crop_origin_px=origin[showing],
        crop_scale=seen.turns.crop_scale,
    )  # fmt: skip


def _pieces_first(seen: Seen) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frame, first and last row of each flash's first piece."""
    flashes, first = seen.flashes, seen.flashes.first_pieces()
    frame, begins, ends = (
        np.where(first >= 0, column[first], 0) if len(column) else np.zeros(len(first), int)
        for column in (flashes.piece_frame, flashes.piece_first, flashes.piece_last)
    )
    return frame, begins, ends


def _first_readable(seen: Seen) -> int:
    readable = np.flatnonzero(np.isfinite(seen.turns.turn_deg))
    return int(readable[0]) if len(readable) else 0


def _shown_crops(seen: Seen) -> tuple[np.ndarray, np.ndarray]:
    orientation = seen.info.orientation
    turns = seen.turns
    if not len(turns.crops):
        return turns.crops, turns.crop_origin_px
    crops = np.array([orientation.show(c) for c in turns.crops])
    far = turns.crop_origin_px + (turns.crops.shape[1] - 1) * turns.crop_scale
    corners = np.stack([orientation.to_shown(turns.crop_origin_px), orientation.to_shown(far)])
    return crops, corners.min(axis=0)
