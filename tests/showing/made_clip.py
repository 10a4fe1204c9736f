"""A small clip that flashes as hard as a clip can, drawn here, and the measurement that belongs to it.

Each frame is black but for the rows that one flash lit: a bright plate with a mark, a still housing around it.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from made_measurement import make_measurement

from timingcam.reckoning.result import ClipFacts, Measurement, Pictures, Readings
from timingcam.seeing.clip import sha256_of

WIDTH, HEIGHT, FPS, N_FRAMES = 320, 240, 30, 44
CENTRE, RADIUS = (160.0, 120.0), 70.0
MARK_DEG, INDEX_DEG = 30.0, -90.0
TONE_HZ, SAMPLES_PER_S = 440.0, 48_000


def rotor_deg_at(flash: int) -> float:
    return -120.0 + 0.6 * flash


def make_clip(path: Path, *, sound: bool = True) -> Measurement:
    """Write the clip; give what a measurement of it would have found: a flash in every other frame."""
    flashes = list(range(0, N_FRAMES, 2))
    rows = [(0, HEIGHT - 1) if k % 3 else (60, 190) for k in range(len(flashes))]
    with av.open(str(path), "w") as file:
        video = file.add_stream("libx264", rate=FPS)
        video.width, video.height, video.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        video.options = {"crf": "12", "preset": "ultrafast"}
        audio = file.add_stream("aac", rate=SAMPLES_PER_S, layout="mono") if sound else None
        for number in range(N_FRAMES):
            picture = np.zeros((HEIGHT, WIDTH), np.uint8)
            if number in flashes:
                k = flashes.index(number)
                first, last = rows[k]
                # Some flashes are twice as bright as others, as a worn lamp's are.
                picture[first : last + 1] = _drawn(rotor_deg_at(k), 1.0 if k % 2 else 0.55)[first : last + 1]
            file.mux(video.encode(av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")))
        file.mux(video.encode())
        if audio is not None:
            _add_tone(file, audio)
    return _measurement(path, np.array(flashes), rows)


def _drawn(rotor_deg: float, bright: float) -> np.ndarray:
    picture = np.full((HEIGHT, WIDTH), 110.0)
    cv2.circle(picture, (160, 120), 70, 190.0, -1, cv2.LINE_AA)
    angle = np.radians(MARK_DEG + rotor_deg)
    inner, outer = ((160 + r * np.cos(angle), 120 + r * np.sin(angle)) for r in (48.0, 68.0))
    cv2.line(picture, tuple(np.round(inner).astype(int)), tuple(np.round(outer).astype(int)), 20.0, 3, cv2.LINE_AA)
    cv2.line(picture, (160, 36), (160, 48), 250.0, 3)
    return np.clip(picture * bright, 0, 255).astype(np.uint8)


def _add_tone(file: av.container.OutputContainer, audio: av.AudioStream) -> None:
    t = np.arange(int(SAMPLES_PER_S * N_FRAMES / FPS)) / SAMPLES_PER_S
    tone = (0.4 * np.sin(2 * np.pi * TONE_HZ * t)).astype(np.float32)[None]
    for start in range(0, tone.shape[1], 1024):
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(tone[:, start : start + 1024]), format="fltp", layout="mono"
        )
        frame.sample_rate, frame.pts, frame.time_base = SAMPLES_PER_S, start, Fraction(1, SAMPLES_PER_S)
        file.mux(audio.encode(frame))
    file.mux(audio.encode())


def _measurement(path: Path, frames: np.ndarray, rows: list[tuple[int, int]]) -> Measurement:
    n = len(frames)
    made = make_measurement(n=n)
    old = made.readings
    time_s = frames / FPS + 0.005
    readings = Readings(
        time_s=time_s, rpm=old.rpm.copy(), rpm_sd=old.rpm_sd.copy(), advance_deg=old.advance_deg.copy(),
        advance_sd_deg=old.advance_sd_deg.copy(), used=old.used.copy(), reason=old.reason, frame=frames.copy(),
    )  # fmt: skip
    to_rotor = np.array([[1 / RADIUS, 0, -CENTRE[0] / RADIUS], [0, 1 / RADIUS, -CENTRE[1] / RADIUS], [0, 0, 1.0]])
    pictures = Pictures(
        frame=frames.copy(), row_first=np.array([r[0] for r in rows]), row_last=np.array([r[1] for r in rows]),
        to_rotor=np.tile(to_rotor, (n, 1, 1)), rotor_deg=np.array([rotor_deg_at(k) for k in range(n)]),
        mark_names=("F",), mark_deg=np.array([MARK_DEG]), mark_radius=np.array([[0.69, 0.97]]),
        index_deg=INDEX_DEG, index_radius=1.03, index_px=(160.0, 48.0), crop_of=np.zeros(0, int),
        crops=np.zeros((0, 8, 8), np.uint8), crop_origin_px=np.zeros((0, 2)), crop_scale=1.0,
    )  # fmt: skip
    clip = ClipFacts(path.name, sha256_of(path), N_FRAMES, N_FRAMES / FPS, WIDTH, HEIGHT, float(FPS), None)
    camera = replace(made.camera, rotor_centre_px=CENTRE, rotor_radius_px=RADIUS, line_time_s=None)
    return replace(made, clip=clip, camera=camera, readings=readings, pictures=pictures)
