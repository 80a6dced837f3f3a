"""The bounds of an edge's place against Fisher matrices summed pixel by pixel, and against a published closed form."""

import math

import numpy as np
import pytest

from tests.measure.edge_bound import (
    Field,
    least_offset_sd,
    least_offset_sd_of_print,
    least_tilt_sd,
    pixel_variance,
)
from tests.vision.exact_cover import Sensor

GREY = Sensor(grey=True)
LIGHT, MAT = (0.6,) * 3, (0.08,) * 3


def grey(level):
    return (level,) * 3


def pixels(length, reach, turn_rad):
    """Places (d across, t along) of the pixels of a turned grid within a strip along the side."""
    far = int(length + 2 * reach) + 5
    x, y = (c.ravel() for c in np.meshgrid(np.arange(-far, far) + 0.31, np.arange(-far, far) + 0.17))
    d, t = math.cos(turn_rad) * x + math.sin(turn_rad) * y, math.cos(turn_rad) * y - math.sin(turn_rad) * x
    near = (np.abs(d) < reach) & (np.abs(t) < length / 2)
    return d[near], t[near]


def step(d, blur):
    share = 0.5 * np.array([math.erfc(one / blur / math.sqrt(2)) for one in d])
    return share, np.exp(-0.5 * (d / blur) ** 2) / (blur * math.sqrt(2 * math.pi))


@pytest.mark.parametrize("turn_deg", [7.0, 31.0])
@pytest.mark.parametrize(("cloth", "mat", "sensor"), [(0.6, 0.08, GREY), (0.08, 0.45, Sensor(1.2, 30.0, grey=True))])
def test_plain_cloth(turn_deg, cloth, mat, sensor):
    """Offset and tilt of a side of 200 px: every pixel's share of information, with its own noise."""
    d, t = pixels(200.0, 8.0, math.radians(turn_deg))
    share, density = step(d, sensor.blur_px)
    variance = pixel_variance(mat + (cloth - mat) * share, sensor)
    slopes = (cloth - mat) * density[:, None] * np.column_stack([np.ones_like(t), t])
    offset, tilt = np.sqrt(np.diag(np.linalg.inv(slopes.T @ (slopes / variance[:, None]))))
    assert least_offset_sd(grey(cloth), grey(mat), sensor, 200.0) == pytest.approx(offset, rel=0.01)
    assert least_tilt_sd(offset, 200.0) == pytest.approx(tilt, rel=0.01)


def test_three_independent_channels_tell_more_by_the_root_of_three():
    one, three = (least_offset_sd(LIGHT, MAT, sensor, 100.0) for sensor in (GREY, Sensor()))
    assert one / three == pytest.approx(math.sqrt(3))


def test_even_noise_gives_the_published_closed_form():
    """A. Gatherer, Stanford CSL-TR-93-560 (1993): (sigma / C) sqrt(2 sqrt(pi) s) for a step in even noise."""
    sigma = math.sqrt(float(pixel_variance(np.array(0.08), GREY)))
    closed = sigma / 1e-5 * math.sqrt(2 * math.sqrt(math.pi) * GREY.blur_px / 150.0)
    assert least_offset_sd(grey(0.08001), MAT, GREY, 150.0) == pytest.approx(closed, rel=1e-3)


def test_a_level_unknown_in_each_bin():
    """Bins of 6 px along 120 px, seen 3.5 px within: the full matrix of offset and 20 levels."""
    d, t = pixels(120.0, 8.0, 0.4)
    d, t = d[d > -3.5], t[d > -3.5]
    share, density = step(d, GREY.blur_px)
    bins = np.floor((t + 60.0) / 6.0).astype(int)
    variance = pixel_variance(0.08 + 0.52 * share, GREY)
    slopes = np.column_stack([0.52 * density, np.where(bins[:, None] == np.arange(20), share[:, None], 0.0)])
    brute = math.sqrt(np.linalg.inv(slopes.T @ (slopes / variance[:, None]))[0, 0])
    ours = least_offset_sd(LIGHT, MAT, GREY, 120.0, inside_px=3.5)
    assert ours == pytest.approx(brute, rel=0.05)
    assert ours > 1.05 * least_offset_sd(LIGHT, MAT, GREY, 120.0)


def test_a_level_unknown_in_each_bin_has_a_closed_form_in_even_noise():
    s, w = GREY.blur_px, 3.5
    grown = 1 / math.sqrt(1 - (math.sqrt(math.pi) * s / 2) / (w - s / math.sqrt(math.pi)))
    faint = grey(0.0801)
    unknown, known = (least_offset_sd(faint, MAT, GREY, 100.0, inside) for inside in (w, None))
    assert unknown / known == pytest.approx(grown, rel=5e-3)


@pytest.mark.parametrize(("cloth", "spread", "length"), [(0.35, 0.15, 4.0), (0.2, 0.08, 8.0), (0.1, 0.06, 3.0)])
def test_a_print_unknown_everywhere(cloth, spread, length):
    """What 24 px more of a side tell: all pixels of strips of 24 and of 48 x 15 px with their joint covariance.

    The difference leaves out what the strips' ends tell. The field lives on cells of 1/12 px across and half a px
    along; derivatives by differences, pixels at four distances from the edge. No frequencies are used.
    """
    more = np.mean(
        [information(cloth, spread, length, 48, p) - information(cloth, spread, length, 24, p) for p in PHASES]
    )
    ours = least_offset_sd_of_print(grey(cloth), Field(grey(spread), length), MAT, GREY, 24.0)
    assert ours == pytest.approx(1.0 / math.sqrt(more), rel=0.05)


PHASES = (-0.25, 0.0, 0.25, 0.5)


def information(cloth, spread, length, strip, phase):
    """Fisher's, of the offset, from every pixel of a strip."""
    across, along = np.arange(-7.0, 8.0) + phase, np.arange(strip) - strip / 2 + 0.5
    fine_d = (np.arange(-12 * 11, 12 * 11) + 0.5) / 12
    fine_t = (np.arange(-2 * (strip // 2 + 4), 2 * (strip // 2 + 4)) + 0.5) / 2
    see_d, see_t = (gaussian(a[:, None] - b) * step for a, b, step in ((across, fine_d, 1 / 12), (along, fine_t, 0.5)))
    between_d, between_t = (np.exp(-np.abs(f[:, None] - f) / length) for f in (fine_d, fine_t))
    along_seen = see_t @ between_t @ see_t.T

    def normal(p):
        mask = np.clip((p - fine_d) * 12 + 0.5, 0.0, 1.0)
        across_seen = (see_d * mask) @ between_d @ (see_d * mask).T
        mean = np.repeat((0.08 + (cloth - 0.08) * (see_d @ mask))[None], strip, axis=0)
        return mean.ravel(), spread**2 * np.kron(along_seen, across_seen)

    (mean_a, joint_a), (mean_b, joint_b) = normal(-1 / 24), normal(1 / 24)
    mean, joint = normal(0.0)
    inverse = np.linalg.inv(joint + np.diag(pixel_variance(mean, GREY)))
    slope, turned = (mean_b - mean_a) * 12, inverse @ (joint_b - joint_a) * 12
    return slope @ inverse @ slope + 0.5 * np.sum(turned * turned.T)


def gaussian(d):
    return np.exp(-0.5 * (d / GREY.blur_px) ** 2) / (GREY.blur_px * math.sqrt(2 * math.pi))


def test_a_print_that_hardly_varies_is_plain_cloth():
    even = least_offset_sd_of_print(LIGHT, Field(grey(1e-6), 5.0), MAT, GREY, 100.0)
    assert even == pytest.approx(least_offset_sd(LIGHT, MAT, GREY, 100.0), rel=0.01)


def test_a_colour_print_has_three_noises_and_one_field():
    """With little spread three channels tell more by the root of three; with much, nearly no more than one."""
    few, many = (
        least_offset_sd_of_print(LIGHT, Field(grey(spread), 5.0), MAT, GREY, 100.0)
        / least_offset_sd_of_print(LIGHT, Field(grey(spread), 5.0), MAT, Sensor(), 100.0)
        for spread in (1e-6, 0.2)
    )
    assert few == pytest.approx(math.sqrt(3), rel=0.01)
    assert 1.0 < many < few
