"""The troubles of real footage, each by what it must do to frames and truth."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from timingcam.errors import CannotUse
from timingcam.staging.camera import on_clock
from timingcam.staging.edge import edge_hits, edge_width_mm
from timingcam.staging.light import flicker, smear_kernel
from timingcam.staging.render import flash_picture, frames, light_on_sensor, prepare
from timingcam.staging.rotor_look import mark_btdc_deg, placed_marks
from timingcam.staging.strobe import FlashLight
from timingcam.staging.truth import truth

EDGE = 'marks_on = "edge"'


@pytest.mark.parametrize(("turns", "sign"), [("clockwise", 1), ("anticlockwise", -1)])
@pytest.mark.parametrize("index_at", [0.0, 90.0])
def test_edge_marks_pass_left_to_right_when_clockwise(staged, turns, sign, index_at):
    """Stand the picture so that the index points down onto the marks: clockwise carries them to the right."""
    scene = staged(
        turns=turns,
        extra=EDGE,
        run="rpm = 3000\nstart_deg = 0.0",
        stator=f'index = "pointer"\nindex_at_deg = {index_at}',
    )
    shoot = prepare(scene)
    picture = flash_picture(shoot, float(shoot.motion.time_at(690 + 12.0)))  # 12° past the index
    # R·sin 12° across, at depth R·(1 − cos 12°) behind the plane that faces the camera at 375 mm.
    across = sign * 50 * math.sin(math.radians(12)) * 1500 / (375 + 50 * (1 - math.cos(math.radians(12))))
    out = 0.28 * edge_width_mm(scene) * 4  # middle of the mark, towards the index
    ux, uy = on_clock(1.0, index_at + 90)
    ox, oy = on_clock(1.0, index_at)
    line = np.linspace(across - 25, across + 25, 1001)
    x, y = 319.5 + line * ux + out * ox, 239.5 + line * uy + out * oy
    seen = cv2.remap(picture, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_LINEAR)[0]
    bright = np.clip(seen - (np.median(seen) + 0.25 * (seen.max() - np.median(seen))), 0, None)
    # 1.7 mm of paint leaning away from the camera: its middle to a twentieth of its 6.6 px.
    assert (bright * line).sum() / bright.sum() == pytest.approx(across, abs=0.35)


def test_rays_meet_the_edge_where_it_is(staged):
    scene = staged(extra=EDGE, camera="tilt_deg = 8.0\ntilt_from_deg = 30.0", stator='index = "pointer"')
    shoot = prepare(scene)
    for angle in (-50.0, 0.0, 33.0):
        a = math.radians(angle)
        u, v = shoot.stage.view.sensor_of((50 * math.sin(a), -3.0, 50 * (math.cos(a) - 1)), 0.0)
        found, along, met = edge_hits(scene, shoot.stage.view, (np.array([u]), np.array([v])), 0.0)
        assert (float(found[0]), float(along[0]), bool(met[0])) == (pytest.approx(angle), pytest.approx(-3.0), True)


def test_a_mark_given_as_piston_travel(staged):
    mark = staged().engine.rotor.mark[0].model_copy(update={"btdc_deg": None, "mm_btdc": 2.0})
    engine = staged().engine
    crank = engine.crank.model_copy(update={"stroke_mm": 60.0, "rod_mm": 120.0})
    scene = staged()
    object.__setattr__(scene, "engine", engine.model_copy(update={"crank": crank}))
    # Slider-crank, stroke 60, rod 120: 2.000 mm is 18.84491° (computed by two routes).
    assert mark_btdc_deg(mark, scene) == pytest.approx(18.84491, abs=1e-4)


def test_mark_errors_are_told(staged):
    scene = staged(rotor="mark_error_deg = 0.5")
    mark = placed_marks(scene)[0]
    assert mark.error_deg != 0
    assert (mark.clock_deg - 30 - mark.error_deg) % 360 == pytest.approx(0, abs=1e-9)


def test_a_hand_hides_the_index_for_a_while(staged):
    scene = staged(
        run="duration_s = 1.0\nrpm = 6000",
        tail="[trouble.occluder]\nfrom_s = 0.2\nto_s = 0.8\ndeepest_share = 1.0\n",
    )
    shoot = prepare(scene)
    hidden = [row.time_s for row in truth(shoot) if row.hidden]
    assert hidden and min(hidden) > 0.2 and max(hidden) < 0.8
    # Skin is redder than the metal that it covers.
    before, during = (light_on_sensor(shoot, int(t * 30)) for t in (0.1, 0.5))
    assert during.chroma[..., 1].max() > before.chroma[..., 1].max() + 0.02


def test_mains_flicker_is_a_hundred_waves_a_second(staged):
    scene = staged(light="flicker_share = 0.4\nambient = 1.0")
    opens = np.arange(0, 0.1, 1e-4)
    wave = flicker(scene.light, opens, 0.001)
    spectrum = np.abs(np.fft.rfft(wave - wave.mean()))
    assert np.argmax(spectrum) / 0.1 == pytest.approx(100)
    assert wave.max() - 1 == pytest.approx(0.4 * np.sinc(0.1), rel=1e-3)
    assert np.ptp(flicker(scene.light, opens, 0.01)) == pytest.approx(0, abs=1e-9)  # a whole wave: nothing left


def test_stabilising_moves_rows_but_keeps_the_lit_ones_told(staged):
    shake = "[camera.shake]\nturn_px = 12.0\n"
    plain, steady = (
        prepare(staged(camera=f"stabilised = {share}", light="ambient = 1.0", tail=shake)) for share in (0.0, 1.0)
    )
    moves = []
    for shoot in (plain, steady):
        seen = [light_on_sensor(shoot, n).luma for n in (1, 7)]
        small = [cv2.GaussianBlur(one, (0, 0), 2)[20:-20, 20:-20] for one in seen]
        moves.append(np.hypot(*cv2.phaseCorrelate(*small)[0]))
    assert moves[1] < moves[0]
    assert [row.rows for row in truth(plain)] == [row.rows for row in truth(steady)]


def test_noise_reduction_and_merging_leave_ghosts(staged):
    def second_frame(camera: str) -> np.ndarray:
        shoot = prepare(staged(run="rpm = 1700\nstart_deg = 0.0", camera="exposure_s = 0.006\n" + camera))
        lit = [n for n in range(15) if n in shoot.lit_by]
        after = next(n for n in lit if n + 1 not in shoot.lit_by) + 1
        return list(frames(shoot))[after].luma

    clean, merged = second_frame(""), second_frame("merging = 0.3")
    assert clean.max() == 16  # nothing shines after the flash
    assert merged.max() > 60
    assert second_frame("noise_reduction = 0.8").max() < 60  # a large change is not smoothed away


def test_gain_and_exposure_steps(staged):
    scene = staged(
        camera="gain = [[0, 1.0], [0.3, 2.0]]\nexposure_s = [[0, 0.01], [0.2, 0.005]]", light="ambient = 0.2",
        strobe="missed_share = 1.0",
    )  # fmt: skip
    level = [((frame.luma.astype(float) - 16) / 219).clip(0) ** 2 for frame in frames(scene)]
    mean = np.array([one[:, :100].mean() for one in level])
    assert mean[7] / mean[3] == pytest.approx(0.5, rel=0.1)  # code values of 8 bits are coarse in the dark
    assert mean[11] / mean[7] == pytest.approx(2.0, rel=0.1)


def test_smear_kernels_keep_their_balance():
    for shape in ("square", "decay"):
        for rate in (-40000.0, 9000.0):
            light = FlashLight(shape, 60e-6)
            kernel = smear_kernel(light, (0.0, 1.0), rate, 0.07)
            cells = np.arange(kernel.size) - kernel.size // 2
            assert kernel.sum() == pytest.approx(1, abs=1e-6)
            assert (kernel * cells).sum() == pytest.approx(0, abs=0.02)  # a fiftieth of half a camera pixel
            # Light sent after the centre finds the rotor turned on, so it draws from columns the other way.
            late = smear_kernel(light, (0.5, 1.0), rate, 0.07)
            middle = (late * (np.arange(late.size) - late.size // 2)).sum()
            assert np.sign(middle) == -np.sign(rate)


def test_window_shows_only_the_hole(staged):
    scene = staged(extra="window_mm = 26.0", stator="window = true", rotor="mark_width_mm = 3.0")
    picture = flash_picture(scene, 0.1)
    other = flash_picture(staged(extra="window_mm = 26.0", stator="window = true", rotor="mark_width_mm = 3.0"), 0.1037)
    apart = np.abs(picture - other) > 0.02
    rows, columns = np.nonzero(apart)
    if rows.size:
        # 26 mm at 4 px/mm round a point 43 mm above the centre, a pixel of blur aside.
        assert (np.hypot(columns - 319.5, rows - (239.5 - 172)) < 52 + 3).all()
    assert 0.01 < apart.mean() < 0.05 or rows.size > 200


def test_distortion_moves_the_rim_as_the_lens_says(staged):
    plain = flash_picture(staged(), 0.1)
    bent = flash_picture(staged(camera="distortion = -0.5"), 0.1)

    def gap_radius(picture: np.ndarray) -> float:
        line = picture[240, 320:640]
        return float(np.argmin(line[180:225]) + 180)

    # The dark gap lies about 203 px out: a radial factor of 1 − 0.5·(203/1500)² moves it in by 1.9 px.
    assert gap_radius(plain) - gap_radius(bent) == pytest.approx(1.9, abs=1.1)


def test_an_engine_that_stands_still(staged):
    scene = staged(run="rpm = 0", strobe="free_running_hz = 20.0", light="ambient = 0.2")
    rows = truth(prepare(scene))
    assert len(rows) >= 9
    assert {row.rpm for row in rows} == {0.0}
    assert np.ptp([row.seen_deg for row in rows]) == 0
    with pytest.raises(CannotUse, match=r"run\.rpm = 0"):
        staged(run="rpm = 0")


def test_a_reflection_between_the_lenses_is_the_picture_turned_by_half(staged):
    """The camera's picture again, turned by half about its middle, a tenth as bright."""
    plain = staged(camera="aim_px = [40.0, 25.0]")
    with_it = staged(camera="aim_px = [40.0, 25.0]\nreflection = 0.1")
    shoot = prepare(plain)
    time_s = shoot.flashes[2].time_s
    once = flash_picture(shoot, time_s)
    both = flash_picture(with_it, time_s)
    assert np.allclose(both, once + 0.1 * once[::-1, ::-1], atol=1e-5)  # float32 over a few sums


def test_letters_beyond_the_seam_of_a_marked_edge(staged):
    """On a thin sheet a mark's neighbour beyond the seam has letters that reach no point of it."""
    for btdc_deg in (-17, 17):  # 15 mm from the seam, either side; letters reach 5 mm
        scene = staged(
            extra=EDGE + f'\n[[rotor.mark]]\nname = "W"\ncylinder = "near"\nbtdc_deg = {btdc_deg}.0',
            stator='index = "pointer"',
            rotor="letters = true",
        )
        assert np.isfinite(prepare(scene).stage.rotor.luma).all()


def test_a_sinking_arm_shifts_the_picture_steadily(staged):
    scene = staged(camera="[camera.shake]\ndrift_px_per_s = [3.0, -20.0]")
    view = prepare(scene).stage.view
    early, late = (np.array(view.sensor_of((0.0, 0.0, 0.0), t)) for t in (0.1, 0.4))
    # 0.3 s of it; turning the camera by f·a shifts the middle by f·tan(a), here the same to 1e-4.
    assert late - early == pytest.approx([0.9, -6.0], abs=0.01)
