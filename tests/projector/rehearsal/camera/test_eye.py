"""The camera's settings and automatics, and a lamp with dynamic contrast, as frames show them (generated)."""

import cv2
import numpy as np
import pytest

from projector.rehearsal.camera.exposure import Film
from projector.rehearsal.devices import VirtualCamera, VirtualClock
from projector.rehearsal.light.curves import Curve, linear_from_srgb
from projector.rehearsal.light.lamp import FOLLOW_S, Lamp
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks, Quirks
from projector.rehearsal.setting import setting_of
from projector.rehearsal.world import VirtualTable, virtual_table
from vision.frames.cameras import Adjustable, Automatic, Knob

SMALL = (480, 270)


def table(camera: CameraQuirks | None = None, projector: ProjectorQuirks | None = None) -> VirtualTable:
    return virtual_table(1, Work(), SMALL, SMALL, Quirks(camera or CameraQuirks(), projector or ProjectorQuirks()))


def grey(level: int) -> np.ndarray:
    return np.full((SMALL[1], SMALL[0], 3), level, np.uint8)


def light(frame: np.ndarray) -> np.ndarray:
    """Mean linear light in the middle: blue, green, red."""
    return linear_from_srgb(frame[90:180, 160:320] / 255.0).mean(axis=(0, 1))


def test_twice_the_exposure_is_twice_the_light_and_so_is_twice_the_gain() -> None:
    world = table()
    world.project(grey(255), 0.0)
    once = light(world.frame(1.0))
    world.eye.exposure_s *= 2
    assert light(world.frame(2.0)) / once == pytest.approx(2.0, rel=0.01)
    world.eye.exposure_s /= 2
    world.eye.gain = 2.0
    assert light(world.frame(3.0)) / once == pytest.approx(2.0, rel=0.01)


def test_gain_amplifies_noise_that_more_light_would_not_have() -> None:
    """Same picture, gathered with a quarter of the light: shot noise is twice as strong, read noise four times."""
    sensor = setting_of(1).sensor
    film = Film(sensor, (400, 300), np.random.default_rng(0))
    plane = np.full((300, 400), 0.18, np.float32)
    noise = [film.develop((plane, plane, plane), gain).noise[0][0, 0] for gain in (1.0, 4.0)]
    slope = np.gradient(Curve().encoded(np.array([0.179, 0.18, 0.181])) * 255, 0.001)[1]
    shot2 = (noise[0] / slope) ** 2 - sensor.read_noise**2
    assert noise[1] / slope == pytest.approx(np.sqrt(16 * sensor.read_noise**2 + 4 * shot2), rel=0.01)


def test_auto_exposure_follows_the_picture_and_a_held_one_does_not() -> None:
    world, clock = table(CameraQuirks(auto_exposure=True)), VirtualClock()
    camera = VirtualCamera(world, clock)
    assert isinstance(camera, Adjustable)
    levels = {}
    for level in (150, 255):
        world.project(grey(level), clock.now_s())
        levels[level] = [float(camera.read().pixels[..., 1].mean()) for _ in range(40)]
    assert levels[255][-1] == pytest.approx(levels[150][-1], rel=0.08)  # it has settled alike
    assert max(levels[255]) > 1.2 * levels[255][-1]  # and took its time
    assert camera.hold(Automatic.EXPOSURE)
    gain = camera.at(Knob.GAIN)
    world.project(grey(60), clock.now_s())
    for _ in range(20):
        camera.read()
    assert camera.at(Knob.GAIN) == gain


def test_auto_white_takes_a_cast_out() -> None:
    world = table(CameraQuirks(auto_white=True))
    red = grey(80)
    red[..., 2] = 255
    world.project(red, 0.0)
    casts = [float(np.ptp(np.log(light(world.frame(1.0 + 0.1 * k))))) for k in range(40)]
    assert casts[-1] < 0.3 * casts[0]


def test_autofocus_breathes_when_the_light_changes() -> None:
    """Features move in or out about the principal point, by at most 0.3 % of their distance from it."""
    world = table(CameraQuirks(autofocus=True))
    world.eye.autofocus = True
    seen = []
    for k, level in enumerate((120, 255, 90)):
        world.project(grey(level), 10.0 * k)
        for t in range(20):
            frame = world.frame(10.0 * k + 1.0 + 0.1 * t)
        seen.append(world.eye.focus)
        assert frame.shape == (SMALL[1], SMALL[0], 3)
    assert len({round(f, 6) for f in seen}) == 3
    assert max(abs(f) for f in seen) <= 1.0
    plain, zoomed = np.zeros((270, 480), np.float32), world.eye
    cv2.circle(plain, (400, 135), 6, 1.0, -1)
    zoomed.focus = 1.0
    moved = zoomed.looks((plain, plain, plain), setting_of(1, SMALL))[1]
    x = [float((p.sum(axis=0) @ np.arange(480)) / p.sum()) for p in (plain, moved)]
    assert x[1] - x[0] == pytest.approx(0.003 * (400 - setting_of(1, SMALL).camera.centre_px[0]), abs=0.02)


def test_the_driver_sets_exposure_and_gain_in_its_own_steps() -> None:
    camera = VirtualCamera(table(), VirtualClock())
    assert camera.turn(Knob.EXPOSURE_S, 0.00837) == pytest.approx(0.0084)
    assert camera.turn(Knob.EXPOSURE_S, 3.0) == pytest.approx(1 / 15)
    assert camera.turn(Knob.GAIN, 2.0) == 2.0
    assert camera.turn(Knob.COLOUR, 5000.0) is None
    deaf = VirtualCamera(table(CameraQuirks(deaf=True, auto_exposure=True)), VirtualClock())
    assert not deaf.hold(Automatic.EXPOSURE)
    assert deaf.turn(Knob.EXPOSURE_S, 0.01) is None
    assert deaf.at(Knob.GAIN) is None


def test_dynamic_contrast_follows_the_mean_of_the_picture_slowly() -> None:
    """An exponential towards 1 - share (1 - mean): after its time constant 1 / e of the way is left."""
    lamp = Lamp(0.5)
    lamp.shows(np.zeros((8, 8, 3), np.uint8), 0.0)
    lamp.shows(np.full((8, 8, 3), 255, np.uint8), 10.0)
    assert lamp.level(10.0) == pytest.approx(0.5)
    assert lamp.level(10.0 + FOLLOW_S) == pytest.approx(1.0 - 0.5 / np.e)
    assert lamp.level(20.0) == pytest.approx(1.0)
    assert Lamp(0.0).level(3.0) == 1.0


def test_light_does_not_add_up_under_dynamic_contrast() -> None:
    """Half a picture, lit alone, is darker than in a full white, stray light aside."""
    for dynamic, ratio in ((0.0, 1.0), (0.5, 0.75)):
        world = table(projector=ProjectorQuirks(dynamic=dynamic))
        half = grey(0)
        half[:, :240] = 255
        values = []
        for k, picture in enumerate((grey(0), half, grey(255))):
            world.project(picture, 10.0 * k)
            values.append(float(linear_from_srgb(world.frame(10.0 * k + 8.0)[90:180, 80:160, 1] / 255.0).mean()))
        assert (values[1] - values[0]) / (values[2] - values[0]) == pytest.approx(ratio, abs=0.02)


@pytest.mark.parametrize("curve", [Curve(), Curve(2.2), Curve(contrast=0.4), Curve(1.8, 0.2)])
def test_a_curve_is_turned_round_and_rises(curve: Curve) -> None:
    values = np.linspace(0.0, 1.0, 256)
    there = curve.light(values)
    assert curve.encoded(there) == pytest.approx(values, abs=1e-5)
    assert np.all(np.diff(there) > 0)
    assert [there[0], there[-1]] == pytest.approx([0.0, 1.0])


def test_srgb_is_as_its_standard_says() -> None:
    """IEC 61966-2-1: value 0.5 is 0.21404 of full light, and below 0.04045 the curve is straight."""
    assert Curve().light(np.array([0.5, 0.02])) == pytest.approx([0.21404, 0.02 / 12.92], abs=1e-5)
