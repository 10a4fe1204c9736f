"""The best frame of a clip that is refused, and what was found in it: to see what to film differently.

In:  the frames kept, those that a flash lit; the view and the marks, as far as they were found.
Out: `BestFrame`, in pixels of the picture as shown.
Not here: why the clip was refused; the drawing (`showing/refusal_sheet.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from timingcam.seeing.clip import ClipInfo, Frame
from timingcam.seeing.light import LitPicture
from timingcam.seeing.marks import Marks
from timingcam.seeing.view import View


@dataclass(frozen=True, slots=True, eq=False)
class BestFrame:
    """A frame as shown, luma (h, w) uint8, and what was found in it; None where not found.

    Angles are degrees clockwise as stored on the rotor's plane, radii rotor radii.
    """

    number: int
    luma: np.ndarray
    lit_rows: int | None  # of the stored picture, in full, by one flash
    from_rotor: np.ndarray | None = None  # (3, 3), rotor's plane to pixels as shown
    index_at: tuple[float, float] | None = None  # angle, and radius of the end nearest the marks
    marks_at: tuple[tuple[str, float, float], ...] | None = None  # name, angle in this frame, radius of the inner end

    def missing(self) -> tuple[str, ...]:
        """What was not found."""
        parts = (
            ("a flash", self.lit_rows), ("the rotor's rim", self.from_rotor), ("the index", self.index_at),
            ("the marks", self.marks_at),
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
        return BestFrame(frame.number, _as_shown(info, frame.luma), None)
    best = max(lit, key=lambda one: one.last - one.first)
    if view is not None:
        # The view's own pixels are those of its reference.
        of_view = [one for one in lit if one.frame == view.reference_frame]
        best = max(of_view, key=lambda one: one.last - one.first, default=best)
    seen = BestFrame(best.frame, _as_shown(info, best.luma), best.last - best.first + 1)
    return seen if view is None else _with_places(seen, info, view, marks)


def _with_places(seen: BestFrame, info: ClipInfo, view: View, marks: Marks | None) -> BestFrame:
    seen = replace(seen, from_rotor=info.orientation.matrix() @ view.pose.matrix_to_image())
    if marks is None:
        return seen
    seen = replace(seen, index_at=(float(marks.index.deg), float(marks.index.radius)))
    turn = view.reference_turn_deg
    if not np.isfinite(turn):
        return seen
    return replace(
        seen, marks_at=tuple((m.name, float(m.deg) + turn, float(min(m.inner, m.outer))) for m in marks.marks)
    )


def _as_shown(info: ClipInfo, luma: np.ndarray) -> np.ndarray:
    eight = luma if info.bits <= 8 else np.right_shift(luma, info.bits - 8).astype(np.uint8)
    return np.ascontiguousarray(info.orientation.show(eight))
