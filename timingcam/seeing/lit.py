"""Which flashes lit a mark, and which the index.

In:  the flashes, their turns and shifts, the view, the marks found.
Out: per flash whether either can be seen in it.
Not here: whether its angle could be read.
"""

from __future__ import annotations

import numpy as np

from timingcam.seeing.flashes import Flashes
from timingcam.seeing.marks import Marks
from timingcam.seeing.readout import FlashTurns
from timingcam.seeing.shift import moved_by
from timingcam.seeing.view import View


def marks_lit(flashes: Flashes, turns: FlashTurns, view: View, marks: Marks) -> tuple[np.ndarray, np.ndarray]:
    """Whether a named mark, and whether the index, lies in rows that the flash lit in full: two (n_flashes,) of bool.

    The index stands still, and where it stands is known from all flashes: it need not be lit in each.
    """
    index = marks.index
    at_index = _on_plane(np.array([index.deg]), np.array([index.radius]))[0]
    ends = np.array(
        [m.outer if abs(m.outer - index.radius) < abs(m.inner - index.radius) else m.inner for m in marks.marks]
    )
    middle = 0.7 * ends + 0.3 * np.array([m.inner + m.outer for m in marks.marks]) / 2
    degs = np.array([m.deg for m in marks.marks])
    mark, index_too = np.zeros(len(flashes), bool), np.zeros(len(flashes), bool)
    for k in range(len(flashes)):
        if not np.isfinite(turns.turn_deg[k]):
            continue
        pieces = flashes.piece_of == k
        rows = _rows(view, turns.shift[k], np.vstack([at_index, _on_plane(degs + turns.turn_deg[k], middle)]))
        lit = np.array([
            bool(((flashes.piece_first[pieces] <= row) & (row <= flashes.piece_last[pieces])).any())
            for row in rows
        ])  # fmt: skip
        index_too[k], mark[k] = lit[0], lit[1:].any()
    return mark, index_too


def _on_plane(deg: np.ndarray, radius: np.ndarray) -> np.ndarray:
    return np.stack([np.cos(np.radians(deg)), np.sin(np.radians(deg))], axis=1) * radius[:, None]


def _rows(view: View, shift: np.ndarray, plane_xy: np.ndarray) -> np.ndarray:
    return moved_by(shift, view.pose.to_image(plane_xy))[:, 1]
