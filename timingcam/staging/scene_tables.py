"""The tables of a scene file, key by key, with what each is when left out.

In:  nothing.
Out: pydantic models, one a table; `Tables`, the whole file.
Not here: reading a file (`scene.py`). Lengths, times and angles carry their unit in their key.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


Real = Annotated[float, Field(allow_inf_nan=False, strict=False)]
Above0 = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=False)]
From0 = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=False)]
Colour = tuple[Share, Share, Share]  # red, green, blue, linear light
Points = tuple[tuple[Real, Real], ...]


class EngineUse(_Table):
    """[engine]: which engine is filmed, and whose spark fires the strobe."""

    file: str
    cylinder: str


class Run(_Table):
    """[run]: what the engine does."""

    duration_s: Above0 = 8.0
    rpm: From0 | Points = 1200.0  # constant, or [seconds, rpm] points; 0 stands still
    between: Literal["smooth", "straight"] = "smooth"
    wander_share: From0 = 0.002  # slow wander of the speed, rms
    ripple_share: From0 = 0.004  # quickening and slowing within a cycle, amplitude
    advance: Points | None = None  # true [rpm, degrees]; the engine's spec where left out
    jitter_deg: From0 = 0.15  # of single sparks, sd
    hysteresis_deg: From0 = 0.0  # falling above rising, on the steepest part
    misfire_share: Share = 0.0
    start_deg: Real | None = None  # engine angle at time 0; drawn by the seed where left out


class Hand(_Table):
    """[hand]: the engine turned by hand, without a spark; where it is given, `run` tells only how long."""

    course: Annotated[Points, Field(min_length=2)]  # [seconds, engine angle] points; level between two is a pause
    between: Literal["smooth", "straight"] = "smooth"
    uneven_s: From0 = 0.02  # the hand runs ahead of the course or behind it, rms
    stop_deg: Annotated[float, Field(gt=0, lt=180, strict=False)] | None = None  # a piston stop holds this far either
    # side of the filmed cylinder's top dead centre; the course is cut off there
    stop_give_deg: From0 = 0.0  # where it holds, from one contact to the next, sd


class Lamp(_Table):
    """[lamp]: a lamp on the trigger, beside the rotor."""

    lights_btdc_deg: Real = 12.0  # turned forwards, it lights here ...
    goes_out_btdc_deg: Real = -60.0  # ... and goes out here; less than where it lights
    jitter_deg: From0 = 0.0  # of either, from pass to pass, sd
    slack_deg: From0 = 0.0  # of chain and gears: turned backwards the trigger hangs behind by it
    rise_ms: From0 = 1.0  # to 63 %
    fall_ms: From0 = 1.0
    brightness: Above0 = 2.5  # of its glass, white being 1
    halo_share: Share = 0.05  # of that, about it, by the lens
    colour: Colour = (1.0, 0.62, 0.2)
    at_deg: Real = 60.0  # clock direction
    at_radii: Above0 = 1.22  # from the rotor's centre
    above_mm: From0 = 3.0
    width_mm: Above0 = 6.0


class Strobe(_Table):
    """[strobe]."""

    delay_us: From0 = 40.0  # from the spark to the centre of the light
    flash_us: Above0 = 30.0  # length (square), or time to fall to 1/e (decay)
    shape: Literal["square", "decay"] = "square"
    brightness: From0 = 1.2
    brightness_sd: From0 = 0.03  # from flash to flash, as a share
    colour: Colour = (0.93, 0.97, 1.0)
    spot_share: Above0 = 1.35  # radius of the lit spot (to 60 %), in rotor radii
    dial_deg: From0 = 0.0
    dial_sparks_per_rev: Above0 | None = None  # what the dial assumes; the engine's own where left out
    missed_share: Share = 0.0
    double_share: Share = 0.0
    double_after_us: Above0 = 1500.0
    free_running_hz: Above0 | None = None  # flashes on its own, heedless of the engine
    lead: str | None = None  # the cylinder that the lead really is on


class Shake(_Table):
    """[camera.shake]: a hand."""

    turn_px: From0 = 0.0  # rms shift of the picture from the camera's turning
    sway_mm: From0 = 0.0  # rms shift of the lens itself, sideways
    roll_deg: From0 = 0.0
    breathing_share: From0 = 0.0  # rms change of scale
    drift_px_per_s: tuple[Real, Real] = (0.0, 0.0)  # the arm sinks: a steady shift of the picture as shown


class Stamps(_Table):
    """[camera.stamps]: how frame times are written."""

    rounded_to: Literal["exact", "1/600 s", "1 ms"] = "exact"
    jitter_us: From0 = 0.0
    dropped_share: Share = 0.0
    duplicated_share: Share = 0.0
    first_s: From0 = 0.0
    stretched_to_fps: Above0 | None = None  # slow motion: stored as if filmed at this rate
    capture_fps_written: bool = True


class Camera(_Table):
    """[camera]."""

    width: Annotated[int, Field(ge=64, le=4096)] = 1280
    height: Annotated[int, Field(ge=64, le=4096)] = 720
    fps: Above0 = 30.0
    fps_changes: Points = ()  # [seconds, frames a second] from then on: a variable frame rate
    line_time_us: Above0 | None = None  # 80 % of the frame period for all rows where left out
    exposure_s: Above0 | Points = 0.004  # constant, or [seconds, exposure] steps
    gain: Points = ()  # [seconds, factor] steps
    focal_px: Above0 | None = None  # as long as the longer side where left out
    distortion: Real = 0.0  # first radial term, of (r/f)²
    rotor_share: Above0 = 0.36  # rotor radius, of the frame's shorter side; sets the distance
    distance_mm: Above0 | None = None
    tilt_deg: Annotated[float, Field(ge=0, lt=80, strict=False)] = 0.0
    tilt_from_deg: Real = 0.0  # clock direction in which the camera stands off the rotor's axis
    roll_deg: Real = 0.0
    aim_px: tuple[Real, Real] = (0.0, 0.0)  # rotor centre from the middle of the picture as shown
    shake: Shake = Shake()
    stabilised: Share = 0.0  # how much of the shake the phone warps away
    blur_px: From0 = 0.0  # focus
    hunting_px: From0 = 0.0  # autofocus wandering, rms
    photon_noise: From0 = 0.012  # sd at full white
    read_noise: From0 = 0.002  # sd in the dark, of full white
    sharpening: From0 = 0.3
    tone: Literal["standard", "flat", "hlg"] = "standard"
    vignetting: Share = 0.15
    reflection: Share = 0.0  # between the lenses: the picture again, turned by half about its middle, this bright
    noise_reduction: Share = 0.0  # share of the frame before, where little has changed
    merging: Share = 0.0  # share of the frame before, everywhere
    rotation: Literal[0, 90, 180, 270] = 0
    mirrored: Literal["no", "pixels", "metadata"] = "no"  # in the stored picture, or by the container's matrix
    codec: Literal["h264", "hevc"] = "h264"
    bits: Literal[8, 10] = 8
    bit_rate_mbps: Above0 | None = None  # about a phone's where left out
    nearly_lossless: bool = False
    stamps: Stamps = Stamps()


class Light(_Table):
    """[light]: everything but the strobe."""

    ambient: From0 = 0.06  # brightness beside the flash's, at the first exposure
    colour: Colour = (1.0, 0.9, 0.76)
    flicker_share: Share = 0.0
    flicker_hz: Above0 = 100.0
    glare: Share = 0.0  # oily highlight that moves with the camera
    from_deg: Real = 320.0  # clock direction the strobe's light comes from


class RotorLook(_Table):
    """[rotor]."""

    finish: Literal["turned", "cast", "brushed"] = "turned"
    marks: Literal["engine", "engraved", "stamped", "painted", "dots", "double"] = "engine"
    paint: str | None = None  # colour for all marks
    letters: bool = True
    mark_width_mm: Above0 | None = None
    mark_length_share: Above0 = 0.17  # of the radius
    bolts: Annotated[int, Field(ge=0, le=12)] = 3
    holes: Annotated[int, Field(ge=0, le=12)] = 2
    dirt: Share = 0.3
    scratches: Annotated[int, Field(ge=0, le=200)] = 12
    false_marks: Annotated[int, Field(ge=0, le=20)] = 0  # scratches that look like marks
    repaint_ghost_deg: Real | None = None  # an old line of paint, this far from each mark
    mark_error_deg: From0 = 0.0  # sd of the marks' own places
    decal: str | None = None  # grey picture printed on the face
    decal_share: Above0 = 0.5  # its half width, of the radius


class StatorLook(_Table):
    """[stator]."""

    index: Literal["pointer", "line", "notch"] = "pointer"
    index_at_deg: Real = 0.0  # clock direction of the index, as a camera without roll sees it
    index_above_mm: Real | None = None  # true height; the engine file's where left out
    face_above_mm: Real | None = None  # height of the housing's face; the index's own for a line or notch
    gap_mm: Above0 = 1.5  # between rotor and housing
    screws: Annotated[int, Field(ge=0, le=12)] = 5
    pickup: bool = True
    window: bool = False  # cover on: only the timing hole


class Sound(_Table):
    """[sound]."""

    on: bool = True
    noise: From0 = 0.15


class Occluder(_Table):
    """[trouble.occluder]: something that crosses the view."""

    kind: Literal["hand", "hose"] = "hand"
    from_s: From0 = 1.0
    to_s: Above0 = 3.0
    deepest_share: Share = 0.6  # how far it comes in, of the frame's height


class Trouble(_Table):
    """[trouble]."""

    occluder: Occluder | None = None


class Tables(_Table):
    engine: EngineUse
    seed: Annotated[int, Field(ge=0)] = 1
    run: Run = Run()
    hand: Hand | None = None
    lamp: Lamp | None = None
    strobe: Strobe = Strobe()
    camera: Camera = Camera()
    light: Light = Light()
    rotor: RotorLook = RotorLook()
    stator: StatorLook = StatorLook()
    sound: Sound = Sound()
    trouble: Trouble = Trouble()
