"""The best frame of a clip that is refused, and what was found in it: to see what to film differently.

In:  the frames kept, those that a flash lit; the view and the marks, as far as they were found.
Out: `BestFrame`, in pixels of the picture as shown.
Not here: why the clip was refused; the drawing (`showing/refusal_sheet.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from timingcam.seeing.clip import ClipInfo, Frame
from timingcam.seeing.light import LitPicture
from timingcam.seeing.marks import Marks
from timingcam.seeing.view import View


@dataclass(frozen=True, slots=True, eq=False)
class BestFrame:
    """A frame as shown, luma (h, w) uint8, and what was found in it; places as shown, pixels; None where not found."""

    number: int
    luma: np.ndarray
    lit_rows: int | None  # of the stored picture, in full, by one flash
    rim_px: np.ndarray | None  # (n, 2), closed
    index_px: np.ndarray | None  # (2, 2), its two ends
    marks: tuple[tuple[str, np.ndarray], ...] | None  # names, and both ends (2, 2)

    def missing(self) -> tuple[str, ...]:
        """What was not found."""
        parts = (
            ("a flash", self.lit_rows), ("the rotor's rim", self.rim_px), ("the index", self.index_px),
            ("the marks", self.marks),
        )  # fmt: skip
        return tuple(name for name, part in parts if part is None)


def best_frame(
    info: ClipInfo,
    kept: tuple[Frame, ...],
    lit: list[LitPicture],
    view: View | None = None,
    marks: Marks | None = None,
) -> BestFrame | None:
    """Choose the frame that shows most, and say where things are in it.

    Parameters
    ----------
    info : ClipInfo
    kept : tuple of Frame
        From all over the clip.
    lit : list of LitPicture
        Those of them that a flash lit; may be empty.
    view, marks : View, Marks, optional
        As far as they were found.

    Returns
    -------
    BestFrame or None
        None where no frame was kept.
    """
    if not kept:
        return None
    if not lit:
        frame = max(kept, key=lambda one: float(one.luma[::8, ::8].mean()))
        return _shown(info, frame.luma, frame.number, None, (None, None, None))
    tallest = max(lit, key=lambda one: one.last - one.first)
    if view is None:
        return _shown(info, tallest.luma, tallest.frame, tallest.last - tallest.first + 1, (None, None, None))
    # The view's own pixels are those of its reference.
    of_view = [one for one in lit if one.frame == view.reference_frame]
    best = max(of_view, key=lambda one: one.last - one.first, default=tallest)
    return _shown(info, best.luma, best.frame, best.last - best.first + 1, _places(view, marks))


_Places = tuple[np.ndarray | None, np.ndarray | None, tuple[tuple[str, np.ndarray], ...] | None]


def _places(view: View, marks: Marks | None) -> _Places:
    """Rim, index and marks in the view's reference, stored pixels."""
    around = np.radians(np.linspace(0, 360, 181))
    rim = view.pose.to_image(np.stack([np.cos(around), np.sin(around)], axis=1))
    if marks is None:
        return rim, None, None
    index = _radial(view, marks.index.deg, marks.index.radius, marks.index.radius + 0.12)
    turn = view.turns_deg[0]
    if not np.isfinite(turn):
        return rim, index, None
    return rim, index, tuple((m.name, _radial(view, m.deg + float(turn), m.inner, m.outer)) for m in marks.marks)


def _radial(view: View, deg: float, inner: float, outer: float) -> np.ndarray:
    a = np.radians(deg)
    return view.pose.to_image(np.array([[inner], [outer]]) * np.array([np.cos(a), np.sin(a)]))


def _shown(info: ClipInfo, luma: np.ndarray, number: int, lit_rows: int | None, places: _Places) -> BestFrame:
    rim, index, marks = places
    turned = info.orientation
    eight = luma if info.bits <= 8 else np.right_shift(luma, info.bits - 8).astype(np.uint8)
    return BestFrame(
        number,
        np.ascontiguousarray(turned.show(eight)),
        lit_rows,
        None if rim is None else turned.to_shown(rim),
        None if index is None else turned.to_shown(index),
        None if marks is None else tuple((name, turned.to_shown(ends)) for name, ends in marks),
    )
