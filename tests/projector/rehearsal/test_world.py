"""The virtual table as the app meets it: frames in time (generated, not photographed), and one door to the truth."""

import numpy as np
import pytest

from projector.light.display import Display
from projector.rehearsal.camera.exposure import Film
from projector.rehearsal.devices import FRAME_S, VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.light.curves import linear_from_srgb
from projector.rehearsal.person.person import Work
from projector.rehearsal.setting import setting_of
from projector.rehearsal.things.cloth import ClothToLay
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.truth import CutDemand, widths_of
from projector.rehearsal.world import VirtualTable, WorldEndedError, virtual_table
from projector.table.clock import Clock
from vision.frames.cameras import Camera, CameraError

WORK = Work(
    PrintedSheet(np.full((180, 240), 255, np.uint8), 240.0, 180.0),
    (ClothToLay("strip", 80.0, 500.0, (), ("white",)),),
    (CutDemand("square", "strip", 80.0, np.pi / 2, "right"),),
)
SMALL = (640, 360)
WHITE = np.full((360, 640, 3), 255, np.uint8)


def table(seed: int = 1) -> VirtualTable:
    return virtual_table(seed, WORK, SMALL, SMALL)


def light(frame: np.ndarray) -> float:
    """Mean linear green light in the middle of a frame."""
    return float(linear_from_srgb(frame[140:220, 260:380, 1] / 255.0).mean())


def test_light_is_seen_one_latency_of_projector_and_camera_later() -> None:
    world = table()
    dark = light(world.frame(1.0))
    world.project(WHITE, 1.0)
    # The exposure that ends 40 ms before the frame lasts 1/60 s; the light comes 60 ms after the picture.
    assert light(world.frame(1.099)) == pytest.approx(dark, rel=0.02)
    between = light(world.frame(1.1 + 1 / 120))
    bright = light(world.frame(1.118))
    assert bright > 2 * dark
    assert between == pytest.approx((dark + bright) / 2, rel=0.02)


def test_the_same_seed_is_the_same_world_and_another_is_not() -> None:
    frames = [table(seed).frame(0.5) for seed in (1, 1, 2)]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])


def test_two_frames_of_a_still_table_differ_by_noise_alone() -> None:
    world = table()
    first, second = (world.frame(t).astype(float) for t in (1.0, 2.0))
    assert 0.3 < (first - second).std() < 3.0
    assert abs((first - second).mean()) < 0.02


def test_noise_is_as_strong_as_the_setting_says() -> None:
    """At 18 % grey, with the rounding to 8 bits (1/12 of a step squared) on top."""
    setting = setting_of(1)
    film = Film(setting.sensor, (400, 300), np.random.default_rng(0))
    grey = np.full((300, 400), 0.18, np.float32)
    noise = film.develop((grey, grey, grey)).noise[0][0, 0]
    seen = film.expose(film.develop((grey, grey, grey)))[..., 0].astype(float)
    assert seen.std() == pytest.approx(np.sqrt(noise**2 + 1 / 12), rel=0.03)
    low, high = (linear_from_srgb(np.array((seen.mean() + d) / 255)) for d in (-noise, noise))
    assert 20 * np.log10(0.18 / ((high - low) / 2)) == pytest.approx(setting.sensor.snr_grey_db, abs=0.1)


def test_a_hand_comes_and_the_strip_is_there_when_it_is_gone() -> None:
    world = table()
    world.project(WHITE, 0.0)
    empty = world.frame(0.9)
    world.hears({"event": "ask", "what": "strip", "name": "strip"}, 1.0)
    during = [world.frame(t) for t in np.arange(1.0, 2.2, 1 / 30)]
    after = world.frame(2.3)
    near_edge = [np.abs(f[-40:].astype(int) - empty[-40:]).mean() > 1.5 for f in during]
    assert any(near_edge)
    assert not near_edge[0]
    assert not near_edge[-1]
    changed = (np.abs(after.astype(int) - empty).max(axis=2) > 40).sum()
    pixel_mm2 = (609.6 / (0.93 * 360)) ** 2
    assert changed * pixel_mm2 == pytest.approx(80.0 * 500.0, rel=0.06)


def test_a_closed_world_gives_its_truth_and_nothing_more() -> None:
    world = table()
    world.hears({"event": "ask", "what": "sheet_flat", "n": 1}, 0.0)
    world.frame(3.0)
    truth = world.close()
    assert len(truth.sheets) == 1
    for refused in (lambda: world.frame(4.0), lambda: world.project(WHITE, 4.0), lambda: world.hears({}, 4.0)):
        with pytest.raises(WorldEndedError):
            refused()


def test_there_is_no_other_door() -> None:
    doors = {name for name in dir(table()) if not name.startswith("_")}
    seen = {"frame", "project", "hears", "advance", "keys", "busy", "camera_px", "projector_px"}
    assert doors == seen | {"close", "last_frame", "last_picture", "bump", "eye", "read_bars"}


def test_devices_stand_behind_the_protocols() -> None:
    world, clock = table(), VirtualClock()
    camera: Camera = VirtualCamera(world, clock)
    display: Display = VirtualDisplay(world, clock)
    passing: Clock = clock
    assert display.size_px == SMALL
    display.show(WHITE)
    times = [camera.read().t_s for _ in range(3)]
    assert np.diff(times) == pytest.approx(FRAME_S)
    assert passing.now_s() == times[-1]
    passing.wait_s(0.5)
    assert camera.read().t_s - times[-1] == pytest.approx(0.5 + FRAME_S, abs=FRAME_S)
    assert display.keys() == []
    world.close()
    with pytest.raises(CameraError, match="over"):
        camera.read()


def test_a_picture_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="360 x 640"):
        table().project(np.zeros((10, 10, 3), np.uint8), 0.0)


def test_widths_of_a_rhomboid_and_a_wedge() -> None:
    """A 45 degree rhomboid of sides 100 and 50 is 50 high and 100 sin 45 = 70.71 across (plane geometry)."""
    c = 50.0
    rhomboid = np.array([[0.0, 0.0], [100.0, 0.0], [100.0 + c, c], [c, c]])
    widths = {w.sides: w for w in widths_of(rhomboid)}
    assert widths[0, 2].mean_mm == pytest.approx(50.0)
    assert widths[1, 3].mean_mm == pytest.approx(100.0 * np.sqrt(0.5))
    wedge = widths_of(np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 52.0], [0.0, 50.0]]))
    across = next(w for w in wedge if w.sides == (0, 2))
    assert across.greatest_mm == pytest.approx(52.0)
    assert across.least_mm == pytest.approx(50.0, abs=0.02)
    assert across.mean_mm == pytest.approx(51.0, abs=0.02)
