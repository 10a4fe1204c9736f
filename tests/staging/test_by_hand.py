"""The engine turned by hand, the piston stop and the lamp, against their definitions."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from timingcam.errors import CannotUse
from timingcam.staging.by_hand import contacts, hand_motion
from timingcam.staging.by_hand_truth import told_by_hand
from timingcam.staging.lamp import make_lamp
from timingcam.staging.render import frames, light_on_sensor, prepare, render_clip
from timingcam.staging.scene import Scene
from timingcam.staging.sound import engine_sound

COURSE = "[hand]\ncourse = [[0.0, -40.0], [0.1, -40.0], [0.3, 20.0], [0.4, 20.0], [0.5, -40.0]]\nuneven_s = 0.0\n"
STRAIGHT = '[hand]\ncourse = [[0.0, -50.0], [0.5, 50.0]]\nbetween = "straight"\nuneven_s = 0.0\n'
LAMP = "[lamp]\nlights_btdc_deg = 10.0\ngoes_out_btdc_deg = -60.0\nrise_ms = 0.0\nfall_ms = 0.0\n"


def test_pauses_are_level_and_passes_go_both_ways(staged):
    motion = hand_motion(staged(tail=COURSE))
    at = motion.angle_deg(np.array([0.0, 0.05, 0.1, 0.3, 0.35, 0.4, 0.5]))
    assert at == pytest.approx([-40, -40, -40, 20, 20, 20, -40], abs=1e-9)
    assert float(motion.speed_rpm(0.2)) > 0 > float(motion.speed_rpm(0.45))


def test_straight_course_turns_at_its_slope(staged):
    motion = hand_motion(staged(tail=STRAIGHT))
    # 100 degrees in half a second are 200 degrees a second, 33.3 rpm.
    assert float(motion.angle_deg(0.2)) == pytest.approx(-10.0, abs=1e-9)
    assert float(motion.speed_rpm(0.2)) == pytest.approx(200 / 6, rel=1e-6)


def test_an_uneven_hand_rests_where_the_course_rests(staged):
    motion = hand_motion(staged(tail=COURSE.replace("uneven_s = 0.0", "uneven_s = 0.004")))
    rest = motion.angle_deg(np.linspace(0.33, 0.37, 9))
    assert np.ptp(rest) == 0.0
    assert float(motion.angle_deg(0.2)) != pytest.approx(float(hand_motion(staged(tail=COURSE)).angle_deg(0.2)))


def test_the_stop_holds_alike_on_both_sides_of_top_dead_centre(staged):
    tail = "[hand]\ncourse = [[0.0, 200.0], [0.1, 350.0], [0.2, 350.0], [0.3, 10.0], [0.5, 10.0]]\nstop_deg = 25.0\n"
    scene = staged(tail=tail + "uneven_s = 0.0\n")
    motion, met = hand_motion(scene), contacts(scene)
    # The filmed cylinder's TDC is at 0 and 360: the stop leaves 25 to 335.
    assert [contact.engine_deg for contact in met] == [335.0, 25.0]
    inside = motion.angle_deg(np.linspace(0, 0.5, 2001))
    assert inside.min() == 25.0
    assert inside.max() == 335.0
    assert met[0].from_s < 0.1 < met[0].to_s


def test_a_stop_that_gives_does_so_outwards_and_differently_each_time(staged):
    tail = "[hand]\ncourse = [[0.0, 200.0], [0.1, 350.0], [0.2, 200.0], [0.3, 350.0], [0.5, 200.0]]\nstop_deg = 25.0\n"
    first, second = contacts(staged(tail=tail + "uneven_s = 0.0\nstop_give_deg = 0.2\n"))
    assert first.engine_deg >= 335.0
    assert second.engine_deg >= 335.0
    assert first.engine_deg != second.engine_deg


def test_a_course_that_begins_in_the_stop_is_refused(staged):
    scene = staged(tail="[hand]\ncourse = [[0.0, 5.0], [0.5, 90.0]]\nstop_deg = 25.0\n")
    with pytest.raises(CannotUse, match="piston would be through the stop"):
        hand_motion(scene)


def lit(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Engine angle and whether the lamp is full on, over the clip."""
    motion = hand_motion(scene)
    lamp = make_lamp(scene, motion)
    time_s = np.linspace(0.005, scene.run.duration_s - 0.005, 4000)
    return motion.angle_deg(time_s), lamp.brightness(time_s - 1e-4, 2e-4) > 0.5


@pytest.mark.parametrize("turns", ["clockwise", "anticlockwise"])
def test_the_lamp_burns_between_its_angles_whichever_way_the_rotor_looks(staged, turns):
    angle, on = lit(staged(turns=turns, tail=STRAIGHT + LAMP))
    # It lights at 10 degrees before TDC, engine angle -10, and would go out 60 after.
    assert angle[on].min() == pytest.approx(-10.0, abs=0.1)
    assert on[angle > -9.9].all()


def test_switchings_say_when_which_way_and_going_where(staged):
    scene = staged(tail=COURSE + LAMP)
    first, second = make_lamp(scene, hand_motion(scene)).switchings
    assert (first.on, first.forwards, second.on, second.forwards) == (True, True, False, False)
    # One step of 0.2 ms at some 500 degrees a second is a tenth of a degree.
    assert first.btdc_deg == pytest.approx(10.0, abs=0.15)
    assert second.btdc_deg == pytest.approx(10.0, abs=0.15)


def test_slack_delays_the_trigger_going_backwards_only(staged):
    scene = staged(tail=COURSE + LAMP + "slack_deg = 3.0\n")
    forwards, backwards = make_lamp(scene, hand_motion(scene)).switchings
    assert forwards.btdc_deg == pytest.approx(10.0, abs=0.15)
    assert backwards.btdc_deg == pytest.approx(13.0, abs=0.15)


def test_a_bulb_takes_its_time(staged):
    scene = staged(tail=STRAIGHT + LAMP.replace("rise_ms = 0.0", "rise_ms = 20.0"))
    lamp = make_lamp(scene, hand_motion(scene))
    begins = lamp.switchings[0].time_s
    # 63 % after one time constant, by its definition.
    assert float(lamp.brightness(np.array([begins + 0.02 - 5e-4]), 1e-3)[0]) == pytest.approx(0.632, abs=0.01)


def test_jitter_is_drawn_for_each_pass(staged):
    tail = "[hand]\ncourse = [[0.0, -700.0], [0.5, 2900.0]]\nbetween = 'straight'\nuneven_s = 0.0\n"
    scene = staged(tail=tail + LAMP + "jitter_deg = 2.0\n")
    at = [one.btdc_deg for one in make_lamp(scene, hand_motion(scene)).switchings if one.on]
    assert len(at) == 5
    assert np.ptp(at) > 0.5


def test_the_lamp_is_in_the_picture_where_the_truth_says(staged):
    scene = staged(tail=STRAIGHT + LAMP, light="ambient = 0.4", camera="rotation = 90")
    shoot = prepare(scene)
    told = json.loads(json.dumps(told_by_hand(shoot)))
    dark, bright = light_on_sensor(shoot, 0).luma, light_on_sensor(shoot, 12).luma
    row, column = np.unravel_index(np.argmax(bright - dark), dark.shape)
    x, y = told["lamp"]["at_px"]
    # Shown a quarter turn clockwise: the sensor's row is counted from the right.
    assert (scene.camera.height - 1 - row, column) == pytest.approx((x, y), abs=6)
    assert told["hand"]["frame_deg"][0] < told["hand"]["frame_deg"][-1]


def test_rows_see_the_lamp_for_as_long_as_it_burnt_while_they_were_open(staged):
    scene = staged(tail=STRAIGHT + LAMP)
    lamp = make_lamp(scene, hand_motion(scene))
    at = lamp.switchings[0].time_s
    opens = at - np.array([0.02, 0.015, 0.01, 0.005, 0.0])
    assert lamp.brightness(opens, 0.02) == pytest.approx([0.0, 0.25, 0.5, 0.75, 1.0], abs=0.02)


def test_no_spark_no_flash_no_note(staged):
    shoot = prepare(staged(tail=STRAIGHT))
    assert shoot.flashes == ()
    loud = replace(shoot.scene, sound=shoot.scene.sound.model_copy(update={"noise": 0.0}))
    assert not np.abs(engine_sound(loud, shoot.motion)).max() > 0


def test_an_engine_file_without_a_spec_will_do(staged, tmp_path):
    scene = staged(tail=STRAIGHT)
    assert len(list(frames(replace(scene, engine=scene.engine.model_copy(update={"spec": None}))))) == 15


def test_a_lamp_that_goes_out_before_it_lights_is_refused(staged):
    with pytest.raises(CannotUse, match="goes_out_btdc_deg below"):
        staged(tail="[lamp]\nlights_btdc_deg = 5.0\ngoes_out_btdc_deg = 6.0\n")


def test_truth_beside_the_clip(staged, tmp_path):
    written = render_clip(staged(tail=STRAIGHT + LAMP, light="ambient = 0.4"), tmp_path / "hand.mp4")
    told = json.loads(written["truth_json"].read_text(encoding="utf-8"))
    assert told["hand"]["contacts"] == []
    assert [one["on"] for one in told["lamp"]["switchings"]] == [True]
    assert written["truth_csv"].read_text(encoding="utf-8").count("\n") == 1
