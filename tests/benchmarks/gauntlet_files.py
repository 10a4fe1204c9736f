"""The clips that must be measured whatever the phone and its file do to them.

In:  nothing.
Out: `FILES`, a list of `Case`.
Not here: troubles of the place, the hand and the marks (`gauntlet_scenes.py`).
"""

from __future__ import annotations

from gauntlet_case import SWEEP, Case
from gauntlet_scenes import HAND, HOLE, WINDOW

SLOW = {"camera.fps": 240.0, "camera.line_time_us": 8.0, "camera.exposure_s": 0.0025, "camera.height": 360,
        "camera.width": 480, "run.duration_s": 2.4,
        "run.rpm": [[0, 1400], [0.2, 1400], [1.1, 5000], [1.3, 5000], [2.2, 1400], [2.4, 1400]]}  # fmt: skip
LONG = [[2 * t, n] for t, n in SWEEP]
LATER = {"camera.fps": 24.0, "camera.line_time_us": 60.0, "camera.exposure_s": 0.012, "run.duration_s": 8.0,
         "run.rpm": LONG}  # fmt: skip

FILES = [
    Case("fps-24", LATER),
    Case("fps-30", {**LATER, "camera.fps": 30.0, "camera.line_time_us": 52.0}),
    Case("fps-120", {"camera.fps": 120.0, "camera.line_time_us": 14.0, "camera.exposure_s": 0.004}),
    Case("fps-240", SLOW),
    Case("fps-240-stretched-written", {**SLOW, "camera.stamps.stretched_to_fps": 30.0}),
    Case("fps-240-stretched-told", {**SLOW, "camera.stamps.stretched_to_fps": 30.0,
                                    "camera.stamps.capture_fps_written": False}, options={"capture_fps": 240.0}),
    Case("fps-varies", {"camera.fps_changes": [[1.3, 48.0], [2.6, 60.0]]}),
    Case("stamps-1ms", {"camera.stamps.rounded_to": "1 ms"}),
    Case("stamps-jitter", {"camera.stamps.jitter_us": 400.0}),
    Case("frames-dropped", {"camera.stamps.dropped_share": 0.05}),
    Case("frames-doubled", {"camera.stamps.duplicated_share": 0.05}),
    Case("first-not-at-0", {"camera.stamps.first_s": 3.7}),
    Case("hevc", {"camera.codec": "hevc"}),
    Case("ten-bit-hlg", {"camera.codec": "hevc", "camera.bits": 10, "camera.tone": "hlg"}),
    Case("starved-bit-rate", {"camera.bit_rate_mbps": 0.8, **HAND}),
    Case("rotated-90", {"camera.rotation": 90}),
    Case("rotated-180", {"camera.rotation": 180, **HAND}),
    Case("rotated-270", {"camera.rotation": 270, "camera.tilt_deg": 10.0}),
    Case("mirror-in-metadata", {"camera.mirrored": "metadata"}),
    Case("odd-size", {"camera.width": 618, "camera.height": 470}),
    Case("4k", {"camera.width": 3840, "camera.height": 2160, "camera.fps": 30.0, "camera.line_time_us": 14.0,
                "camera.exposure_s": 0.012, "run.duration_s": 2.0,
                "run.rpm": [[0, 1600], [1.0, 4600], [2.0, 1600]]}),
    Case("stabilised", {"camera.stabilised": 0.9, **HAND}),
    Case("noise-reduction", {"camera.noise_reduction": 0.6, "camera.photon_noise": 0.025}),
    Case("exposures-merged", {"camera.merging": 0.3}),
    Case("fast-readout", {"camera.line_time_us": 9.0, "camera.exposure_s": 0.003, "run.duration_s": 6.0,
                          "run.rpm": [[1.5 * t, n] for t, n in SWEEP]}),
    # Several at once, as they come.
    Case("phone-in-hand", {**HAND, "camera.tilt_deg": 14.0, "camera.tilt_from_deg": 250.0, "light.ambient": 0.2,
                           "camera.codec": "hevc", "camera.noise_reduction": 0.4, "camera.hunting_px": 0.8}),
    Case("dirty-and-tilted", {**HAND, "camera.tilt_deg": 18.0, "camera.tilt_from_deg": 60.0, "rotor.dirt": 0.8,
                              "rotor.scratches": 40, "light.glare": 0.4}, engine="vee"),
    Case("flicker-window-shaken", {**HOLE, **HAND, "light.ambient": 0.2, "light.flicker_share": 0.6}, **WINDOW),
    Case("led-tilted-rotated", {"strobe.flash_us": 250.0, "camera.tilt_deg": 15.0, "camera.rotation": 90, **HAND}),
    Case("dim-engraved-hand", {**HAND, "rotor.paint": None, "rotor.marks": "engraved", "strobe.brightness": 0.6,
                               "camera.photon_noise": 0.025, "camera.read_noise": 0.006, "light.ambient": 0.1}),
]  # fmt: skip
