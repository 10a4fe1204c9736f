"""Static timing and true TDC made up for the tests of words and pictures: no clip, no measuring."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from timingcam.engine import read_engine
from timingcam.reckoning.passes import BACKWARDS, UNREAD, Pass
from timingcam.reckoning.result import BudgetRow, Check, ClipFacts, Estimate
from timingcam.reckoning.scenery import Scenery
from timingcam.reckoning.static import STROKE, StaticTiming
from timingcam.reckoning.stops import TURNED_BACK, Contact
from timingcam.reckoning.tdc import MarkFound, TrueTdc

ENGINE = read_engine(Path(__file__).parents[2] / "shared" / "engines" / "demo-twin.toml")
CLIP = ClipFacts("hand.mp4", "0" * 64, 120, 4.0, 640, 360, 30.0, None)
BUDGET = (
    BudgetRow("3 passes", 0.12, "deg", "random", 0.12),
    BudgetRow("where the index is", 0.03, "deg", "systematic", 0.03),
)


def make_scenery(*, lamp: bool) -> Scenery:
    time_s = np.arange(120) / 30
    before = 40 - 60 * np.sin(time_s)
    before[7] = np.nan
    a = np.linspace(0, 2 * np.pi, 60)
    level = (before < 10).astype(float)
    return Scenery(
        time_s=time_s,
        before_tdc_deg=before,
        lamp=level if lamp else None,
        picture=np.random.default_rng(1).integers(20, 90, (360, 640)).astype(np.uint8),
        rim_px=np.stack([320 + 130 * np.cos(a), 180 + 130 * np.sin(a)], axis=1),
        index_px=np.array([[320.0, 50.0], [320.0, 20.0]]),
        mark_names=("T", "S"),
        marks_px=np.array([[[330.0, 80.0], [332.0, 60.0]], [[350.0, 82.0], [355.0, 63.0]]]),
        lamp_px=np.array([460.0, 98.0]) if lamp else None,
    )


def make_static() -> StaticTiming:
    """Three passes forwards, one backwards, one that could not be read."""
    nan = float("nan")
    return StaticTiming(
        clip=CLIP,
        engine=ENGINE,
        cylinder="left",
        spark_at="lamp-on",
        passes=(
            Pass(0.52, 9.8, 0.2, 18.0, True, ""),
            Pass(1.31, 10.9, 0.4, -42.0, False, BACKWARDS),
            Pass(2.03, 10.1, 0.2, 20.0, True, ""),
            Pass(2.70, nan, nan, nan, False, UNREAD),
            Pass(3.44, 9.9, 0.2, 17.0, True, ""),
        ),
        advance_deg=Estimate(9.93, 0.15, 9.6, 10.26),
        repeatability_deg=0.153,
        check=Check("static advance", 9.93, 7.0, 11.0, "in"),
        budget=BUDGET,
        warnings=(STROKE, "Passes turned backwards, left out: 1."),
        scenery=make_scenery(lamp=True),
    )


def make_tdc() -> TrueTdc:
    """T 0.54 degrees early, S as its file says."""
    marks = []
    for cylinder in ("left", "right"):
        marks.append(MarkFound("T", cylinder, 0.0, Estimate(0.54, 0.07, 0.40, 0.68), 0.54))
        marks.append(MarkFound("S", cylinder, 9.0, Estimate(8.95, 0.07, 8.81, 9.09), -0.05))
    return TrueTdc(
        clip=CLIP,
        engine=ENGINE,
        cylinder="left",
        contacts=(
            Contact(10, 40, 155.0, True, True, ""),
            Contact(70, 90, -155.0, False, True, ""),
            Contact(110, 119, 20.0, True, False, TURNED_BACK),
        ),
        contact_times_s=((0.33, 1.33), (2.33, 3.0), (3.67, 3.97)),
        blocked_deg=25.0,
        marks=tuple(marks),
        t_mark="T",
        budget=BUDGET,
        warnings=("The stop was met backwards only once.",),
        scenery=make_scenery(lamp=False),
    )
