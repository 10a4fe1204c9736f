"""The clips from which no honest number can come, each with the words of the reason.

In:  nothing.
Out: `REFUSED`, a list of `Case`.
Not here: what must be measured.
"""

from __future__ import annotations

from gauntlet_case import Case

SHORT = {"run.duration_s": 3.0, "run.rpm": [[0, 1400], [1.5, 4500], [3.0, 1400]]}
LATE = [[1200, -62.0], [1900, -62.0], [3700, -38.0], [8000, -38.0]]

REFUSED = [
    Case("no-strobe", {**SHORT, "strobe.brightness": 0.0, "light.ambient": 0.5}, refused="no flash|flashes"),
    Case("no-strobe-mains-flicker", {**SHORT, "strobe.brightness": 0.0, "light.ambient": 0.5,
                                     "light.flicker_share": 0.6, "light.flicker_hz": 100.3}, refused="flash"),
    Case("in-the-dark", {**SHORT, "strobe.brightness": 0.0, "light.ambient": 0.0}, refused="no flash"),
    Case("too-few-flashes", {**SHORT, "strobe.missed_share": 0.93}, refused=r"\d+ flashes"),
    Case("too-short", {"run.duration_s": 0.1, "run.rpm": 2400}, refused=r"\d+ (frames|flashes)"),
    # The rim's top is 8 px above the picture: most of each mark shows, and nothing of the index.
    Case("index-out-of-picture", {**SHORT, "camera.rotor_share": 0.45, "camera.aim_px": [0.0, -32.0]},
         refused="index"),
    Case("marks-not-these", {**SHORT}, told="other-marks", refused="spaced|no index"),
    Case("marks-out-of-focus", {**SHORT, "camera.blur_px": 14.0}, refused="spaced|lines|sharp|circle"),
    Case("centre-unsure", {**SHORT, "camera.aim_px": [0.0, 420.0], "camera.rotor_share": 0.95},
         refused="circle|centre|alike|rim"),
    Case("too-oblique", {**SHORT, "camera.tilt_deg": 62.0, "camera.tilt_from_deg": 80.0},
         refused="oblique|tilt|circle|alike"),
    Case("rotor-still", {"run.rpm": 0, "run.duration_s": 3.0, "strobe.free_running_hz": 21.3},
         refused="not turn|stands? still|never turns|one angle"),
    Case("free-running", {**SHORT, "strobe.free_running_hz": 21.3}, refused="spread over|follow"),
    Case("free-running-nearly-in-step", {"run.rpm": 2400, "strobe.free_running_hz": 20.07, "run.wander_share": 0.001},
         refused="spread over|follow|drift"),
    Case("wrong-lead-half-turn", {**SHORT, "strobe.lead": "R"}, engine="half-turn", refused="cylinder R|no index"),
    Case("wrong-lead-vee", {**SHORT, "strobe.lead": "R"}, engine="vee", refused="cylinder R|no index"),
    Case("nothing-near-any-mark", {**SHORT, "run.advance": LATE}, refused="no index|near"),
    Case("wrong-turns-in-file", {**SHORT}, told="pair-clockwise", refused="falls|turn|spaced"),
    Case("mirrored-selfie", {**SHORT, "camera.mirrored": "pixels"}, refused="falls|mirror|turn|spaced"),
    Case("rpm-unknown", {**SHORT, "camera.fps": 30.0, "camera.line_time_us": 10.0, "camera.exposure_s": 0.028,
                         "sound.on": False}, refused="flash times|speed|whose time"),
    Case("slow-motion-untold", {"camera.fps": 240.0, "camera.line_time_us": 8.0, "camera.exposure_s": 0.0025,
                                "camera.width": 480, "camera.height": 360, "run.duration_s": 2.0,
                                "run.rpm": [[0, 1400], [1.0, 4800], [2.0, 1400]],
                                "camera.stamps.stretched_to_fps": 30.0, "camera.stamps.capture_fps_written": False},
         refused="rpm|speed|slow"),
    Case("turned-by-hand", {"hand.course": [[0, -60], [0.5, -60], [2.0, 40], [3.0, -50]], "run.duration_s": 3.0,
                            "light.ambient": 0.6}, refused="flash"),
]  # fmt: skip
