"""Light that comes and goes, gathered over exposures: against closed forms."""

import numpy as np
import pytest

from projector.rehearsal.light.curves import linear_from_srgb
from projector.rehearsal.light.wheel import Wheel, light_shares
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks, Quirks
from projector.rehearsal.world import VirtualTable, virtual_table

PERIOD_S = 1 / 120
WHEEL = Wheel(PERIOD_S)
ALWAYS = (-np.inf, np.inf)
SMALL = (320, 180)


def test_whole_periods_give_the_same_light_whenever_they_begin() -> None:
    opened = np.random.default_rng(1).uniform(0.0, 5.0, 200)
    for periods in (1, 2, 5):
        assert light_shares(opened, periods * PERIOD_S, ALWAYS, WHEEL) == pytest.approx(1.0, abs=1e-9)


def test_half_a_period_of_a_lamp_that_is_on_for_half_of_it() -> None:
    """Of even light's share it gives from 0 to 2, the triangle wave of the overlap, with mean 1."""
    lamp = Wheel(0.01, (0.5, 1.0), ((1, 1, 1), (0, 0, 0)))
    opened = np.array([0.0, 0.0025, 0.005, 0.0075]) + 3 * 0.01
    assert light_shares(opened, 0.005, ALWAYS, lamp)[:, 1] == pytest.approx([2.0, 1.0, 0.0, 1.0])


def test_a_colour_shines_in_its_own_segments_alone() -> None:
    """A third each of red, green, blue: each is three times as bright in its third."""
    lamp = Wheel(0.03, (1 / 3, 2 / 3, 1.0), ((0, 0, 1), (0, 1, 0), (1, 0, 0)))
    shares = light_shares(np.array([0.002, 0.012, 0.022]), 0.004, ALWAYS, lamp)
    assert shares == pytest.approx(3.0 * np.eye(3)[::-1], abs=1e-12)


def test_two_pictures_share_an_exposure_as_their_times_do() -> None:
    opened = np.array([0.0, 0.01])
    first, second = (light_shares(opened, 0.02, d, None) for d in ((-1.0, 0.015), (0.015, 9.0)))
    assert first[:, 0] == pytest.approx([0.75, 0.25])
    assert first + second == pytest.approx(1.0)


def flickering(exposure_s: float, readout_s: float = 0.0) -> VirtualTable:
    quirks = Quirks(CameraQuirks(readout_s=readout_s), ProjectorQuirks(wheel=WHEEL))
    world = virtual_table(1, Work(), SMALL, SMALL, quirks)
    world.eye.exposure_s = exposure_s
    world.project(np.full((*SMALL[::-1], 3), 200, np.uint8), 0.0)
    return world


def green(frame: np.ndarray) -> np.ndarray:
    """Linear green light in the middle, row by row."""
    return linear_from_srgb(frame[40:140, 100:220, 1] / 255.0).mean(axis=1)


@pytest.mark.parametrize(("exposure_s", "steady"), [(2 * PERIOD_S, True), (1.5 * PERIOD_S, False)])
def test_frames_flicker_unless_the_exposure_is_whole_periods(exposure_s: float, steady: bool) -> None:
    world = flickering(exposure_s)
    brightness = np.array([green(world.frame(1.0 + k * 0.0711)).mean() for k in range(12)])
    assert bool(brightness.std() / brightness.mean() < 0.004) is steady


def test_a_rolling_shutter_makes_bands_as_long_as_a_period_lasts() -> None:
    """Read out over 4 periods of the light, the picture shows 4 bands (its rows' spectrum peaks there)."""
    rolling = flickering(1.5 * PERIOD_S, readout_s=4 * PERIOD_S).frame(1.0)
    even = flickering(2 * PERIOD_S, readout_s=4 * PERIOD_S).frame(1.0)
    rows = [linear_from_srgb(f[..., 1] / 255.0).mean(axis=1) for f in (rolling, even)]
    spectrum = np.abs(np.fft.rfft(rows[0] / rows[1] - 1.0))
    assert int(spectrum[1:].argmax()) + 1 == 4
