"""The clips that must be measured: each trouble alone, and some together.

In:  nothing.
Out: `MEASURED`, a list of `Case`.
Not here: what must be refused (`gauntlet_refusals.py`), troubles of camera and file (`gauntlet_files.py`).
"""

from __future__ import annotations

from typing import Any

from gauntlet_case import SWEEP, Case

HAND: dict[str, Any] = {
    "camera.shake.turn_px": 5.0, "camera.shake.sway_mm": 1.0, "camera.shake.roll_deg": 0.4,
    "camera.shake.breathing_share": 0.004,
}  # fmt: skip


def _tilt(deg: float, from_deg: float, **more: Any) -> dict[str, Any]:
    return {"camera.tilt_deg": deg, "camera.tilt_from_deg": from_deg, **more}


# The hole stands 0.86 of the rim's radius above the rotor's centre: that is where the camera looks.
HOLE: dict[str, Any] = {"stator.window": True, "camera.rotor_share": 1.5, "camera.aim_px": [0.0, 619.0]}
WINDOW: dict[str, Any] = {"rms_deg": 0.5, "bias_deg": 0.4}

MEASURED = [
    Case("plain"),
    # Where the camera stands.
    Case("tilt-10", _tilt(10, 70)),
    Case("tilt-20", _tilt(20, 200)),
    Case("tilt-35", _tilt(35, 120)),
    Case("tilt-20-index-4mm", _tilt(20, 90), above_mm=4.0),
    Case("tilt-15-height-unknown", _tilt(15, 90), above_mm=3.0, given=False),
    # A hand that sways by two degrees, and speeds enough to see what it does: it tells the height.
    Case("swaying-height-unknown", {
        **HAND, **_tilt(14, 90), "camera.shake.sway_mm": 6.0, "run.duration_s": 20.0,
        "run.rpm": [[0, 1350], [1, 1350], [4, 5000], [5, 5000], [8, 1350], [9, 1350], [12, 5000], [13, 5000],
                    [16, 1350], [17, 1350], [19, 5000], [20, 5000]],
    }, above_mm=4.5, given=False),
    Case("square-height-unknown", above_mm=2.5, given=False),
    Case("close-200mm", {"camera.distance_mm": 200.0, "camera.focal_px": 750.0, **_tilt(8, 300)}),
    Case("zoomed", {"camera.focal_px": 1600.0, **_tilt(20, 200)}),
    Case("off-centre", {"camera.aim_px": [90.0, 35.0], "camera.rotor_share": 0.34}),
    Case("partly-out", {"camera.aim_px": [-60.0, 95.0], "camera.rotor_share": 0.45}),
    Case("partly-out-tilted", {"camera.aim_px": [60.0, 90.0], "camera.rotor_share": 0.42, **_tilt(15, 30)}),
    Case("index-at-side", {"stator.index_at_deg": 95.0, "stator.index": "notch"}, engine="pair-clockwise"),
    Case("small-rotor", {"camera.rotor_share": 0.25}),
    Case("lens-distortion", {"camera.distortion": -0.06, **_tilt(8, 40)}),
    # What the hand does.
    Case("shake-5px", HAND),
    Case("shake-30px", {**HAND, "camera.shake.turn_px": 30.0, "camera.rotor_share": 0.32}),
    Case("sinking-arm", {"camera.shake.drift_px_per_s": [6.0, 14.0], "camera.shake.turn_px": 2.0,
                         "camera.aim_px": [0.0, -30.0], "camera.rotor_share": 0.34}),
    Case("rotating-hand", {"camera.shake.roll_deg": 4.0, "camera.shake.turn_px": 3.0}),
    Case("breathing", {"camera.shake.breathing_share": 0.03, "camera.shake.turn_px": 3.0}),
    Case("focus-hunting", {"camera.hunting_px": 1.8, "camera.shake.turn_px": 2.0}),
    Case("soft-focus", {"camera.blur_px": 2.0}),
    Case("hand-crosses", {"trouble.occluder.kind": "hand", "trouble.occluder.from_s": 1.4,
                          "trouble.occluder.to_s": 2.8, "trouble.occluder.deepest_share": 0.9}),
    Case("lead-crosses", {"trouble.occluder.kind": "hose", "trouble.occluder.from_s": 0.5,
                          "trouble.occluder.to_s": 3.5, "trouble.occluder.deepest_share": 0.8}),
    # Light.
    Case("daylight-short-exposure", {"camera.exposure_s": 0.0016, "light.ambient": 0.35, "run.duration_s": 8.0,
                                     "run.rpm": [[0, 1350], [0.6, 1350], [3.7, 5000], [4.3, 5000], [7.4, 1350],
                                                 [8, 1350]]}),
    Case("bright-garage", {"light.ambient": 0.5}),
    Case("dim-long-exposure", {"camera.fps": 30.0, "camera.line_time_us": 40.0, "camera.exposure_s": 0.03,
                               "strobe.brightness": 0.6, "camera.photon_noise": 0.03, "camera.read_noise": 0.008}),
    Case("exposure-steps", {"camera.exposure_s": [[0, 0.0085], [1.5, 0.006], [2.8, 0.010]]}),
    Case("gain-steps", {"camera.gain": [[0, 1.0], [1.3, 0.6], [2.7, 1.6]]}),
    Case("flicker-100", {"light.ambient": 0.25, "light.flicker_share": 0.7, "light.flicker_hz": 100.0,
                         "camera.exposure_s": 0.006}),
    Case("flicker-120", {"light.ambient": 0.25, "light.flicker_share": 0.7, "light.flicker_hz": 120.0,
                         "camera.exposure_s": 0.006}),
    Case("over-exposed", {"strobe.brightness": 4.5}),
    Case("over-exposed-engraved", {"strobe.brightness": 2.5, "rotor.paint": None, "rotor.marks": "engraved"}),
    Case("oil-glare", {"light.glare": 0.8, **HAND}),
    Case("lens-reflection", {"camera.reflection": 0.12, "camera.aim_px": [30.0, 20.0], **HAND}),
    Case("red-strobe", {"strobe.colour": [1.0, 0.25, 0.15]}),
    Case("blue-strobe", {"strobe.colour": [0.25, 0.4, 1.0]}),
    Case("led-200us", {"strobe.flash_us": 200.0}),
    Case("led-500us", {"strobe.flash_us": 500.0}),
    Case("decaying-flash", {"strobe.shape": "decay", "strobe.flash_us": 25.0}),
    Case("uneven-flashes", {"strobe.brightness_sd": 0.35, "strobe.missed_share": 0.15, "strobe.double_share": 0.05}),
    # Marks.
    Case("window-25mm", HOLE, **WINDOW),
    Case("window-tilted", {**HOLE, **_tilt(10, 80)}, **WINDOW),
    Case("edge-marked", {"camera.rotor_share": 0.55}, engine="edge", above_mm=4.0),
    Case("edge-marked-shaken", {"camera.rotor_share": 0.55, **HAND}, engine="edge", above_mm=4.0),
    Case("edge-zoomed", {"camera.rotor_share": 0.55, "camera.focal_px": 1600.0}, engine="edge", above_mm=4.0),
    Case("edge-from-below", {"camera.rotor_share": 0.5, "stator.index_at_deg": 180.0, **_tilt(6, 20)}, engine="edge"),
    Case("edge-sideways-hand", {"camera.rotor_share": 0.5, "stator.index_at_deg": 97.0, **HAND},
         engine="edge-other-way"),
    Case("edge-engraved", {"camera.rotor_share": 0.6, "rotor.paint": None, "rotor.marks": "engraved",
                           "camera.width": 1280, "camera.height": 720, "camera.line_time_us": 20.0},
         engine="edge-other-way", above_mm=3.0),
    Case("edge-two-marks", {"camera.rotor_share": 0.45, "rotor.letters": False, **_tilt(8, 200)}, engine="edge-two"),
    Case("window-slow-sweep", {**HOLE, "run.duration_s": 9.0, "run.rpm": [[2.2 * t, n] for t, n in SWEEP], **HAND},
         **WINDOW),
    Case("window-two-marks", {**HOLE, "rotor.paint": "yellow", "camera.aim_px": [20.0, 600.0]}, engine="two-marks",
         **WINDOW),
    Case("window-at-side", {**HOLE, "stator.index_at_deg": 90.0, "camera.aim_px": [-560.0, 10.0], **_tilt(5, 30),
                            "camera.rotor_share": 1.35}, engine="pair-clockwise", **WINDOW),
    Case("cover-off-file-has-hole", {"camera.rotor_share": 0.44, "camera.aim_px": [10.0, 40.0], **_tilt(12, 10)}),
    Case("engraved", {"rotor.paint": None, "rotor.marks": "engraved"}, engine="pair-clockwise"),
    Case("stamped", {"rotor.paint": None, "rotor.marks": "stamped", "rotor.finish": "cast"}),
    Case("dots", {"rotor.marks": "dots"}),
    Case("double-lines", {"rotor.marks": "double"}, engine="pair-clockwise"),
    Case("one-mark", {}, engine="one-mark"),
    Case("two-marks", {"rotor.paint": "yellow"}, engine="two-marks"),
    Case("other-cylinder-too", {}, engine="vee"),
    Case("half-turn-twin", {"stator.index": "line"}, engine="half-turn"),
    Case("scratched", {"rotor.scratches": 60, "rotor.false_marks": 6, "rotor.dirt": 0.8}),
    Case("repainted", {"rotor.repaint_ghost_deg": 3.5}),
    Case("black-paint-brushed", {"rotor.paint": "black", "rotor.finish": "brushed", "stator.index": "line"}),
    Case("no-spec", {}, spec=False),
    # Speed and advance.
    Case("steady-idle", {"run.rpm": 1500, "run.wander_share": 0.01}),
    Case("steady-fast", {"run.rpm": 5200}),
    Case("straight-blips", {"run.rpm": [[0, 1400], [1.0, 4500], [2.0, 1500], [3.0, 4800], [4.0, 1600]],
                            "run.between": "straight"}),
    Case("sticking-advancer", {"run.hysteresis_deg": 3.0}),
    Case("worn-advancer", {"run.jitter_deg": 1.0}),
    Case("late-by-six", {"run.advance": [[1200, 2.0], [1900, 2.0], [3700, 26.0], [8000, 26.0]]}),
    Case("dial-10", {"strobe.dial_deg": 10.0, "run.rpm": 1500}, options={"dial_deg": 10.0}),
]  # fmt: skip
