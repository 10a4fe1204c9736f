"""The gauntlet's picture sheet: a lit frame of every clip, with its name and what came of it.

In:  clips, verdicts.
Out: a PNG.
Not here: any measuring.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from gauntlet_judge import Verdict

from timingcam.seeing.clip import frames, linear_light, open_clip

TILE_PX = (320, 240)
LABEL_PX = 38
ACROSS = 6
LOOKED_AT = 50  # frames: the most brightly lit of them is shown
GOOD, BAD, WORST = (225, 225, 225), (0, 165, 255), (60, 60, 255)  # OpenCV: blue, green, red parts


def lit_frame(clip: Path) -> np.ndarray:
    """The brightest of the first frames, as shown, 8 bit grey."""
    info = open_clip(clip)
    table = linear_light(info)
    brightest, best = -1.0, None
    for frame in frames(info):  # to its end: a decoder with threads of its own is not left half way
        bright = float(table[frame.luma[::8, ::8]].mean()) if frame.number < LOOKED_AT else -1.0
        if bright > brightest:
            brightest, best = bright, frame
    assert best is not None
    luma = best.luma if info.bits == 8 else (best.luma >> (info.bits - 8)).astype(np.uint8)
    return np.ascontiguousarray(info.orientation.show(luma))


def sheet(shown: list[tuple[Verdict, Path]], out: Path) -> None:
    """Write the sheet; a small picture of each clip is kept beside it."""
    tiles = [_tile(verdict, clip) for verdict, clip in shown]
    blank = np.zeros_like(tiles[0])
    tiles += [blank] * (-len(tiles) % ACROSS)
    rows = [np.hstack(tiles[i : i + ACROSS]) for i in range(0, len(tiles), ACROSS)]
    part = out.with_name("sheet.part.png")  # whoever looks at the sheet meanwhile sees the old one whole
    cv2.imwrite(str(part), np.vstack(rows))
    part.replace(out)


def _tile(verdict: Verdict, clip: Path) -> np.ndarray:
    small = clip.with_suffix(".lit.png")
    if not small.exists() or small.stat().st_mtime < clip.stat().st_mtime:
        cv2.imwrite(str(small), lit_frame(clip))
    grey = cv2.imread(str(small), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    width, height = TILE_PX
    scale = min(width / grey.shape[1], height / grey.shape[0])
    grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    tile = np.zeros((height + LABEL_PX, width, 3), np.uint8)
    tile[LABEL_PX : LABEL_PX + grey.shape[0], : grey.shape[1]] = grey[..., None]
    colour = WORST if verdict.silently_wrong else GOOD if verdict.right else BAD
    got = f"RMS {verdict.rms_deg:.2f} bias {verdict.bias_deg:+.2f}" if verdict.rms_deg is not None else verdict.got
    for line, text in enumerate((verdict.name, got[:46])):
        cv2.putText(tile, text, (4, 14 + 18 * line), cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour, 1, cv2.LINE_AA)
    return tile
