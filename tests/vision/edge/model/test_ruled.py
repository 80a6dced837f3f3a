"""Ruled lines along sides: cut exactly against a convolution in numbers, found in a drawn mat, and sides on them.

Outside checks: a sharp product of mat and mask, convolved on a fine grid; frames drawn by `tests.vision.exact_cloth`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.vision.edge.model.test_light import STEPS, Sides, hold_slopes, start, two_sides
from tests.vision.exact import BLUR_PX, MM_PER_PX, Piece, camera, everywhere, grey, picture
from vision.edge.common import COMMON, OWN
from vision.edge.model.barsearch import find_bars
from vision.edge.model.ruled import Bars, mend_of
from vision.edge.picture import Picture
from vision.edge.pixels.windows import Axes, sample
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import Scene, compare_with_mat, mat_picture
from vision.light import linear_image, mean_light

Floats = NDArray[np.float64]

FINE_PX = 0.002
BLUR = 0.75
LINE = 0.2  # of a line's light over the mat's: 0.28 over 0.08, as drawn
PITCH_MM, LINE_MM = 25.4, 0.4


def blurred(sharp: Floats) -> Floats:
    reach = np.arange(-5.0, 5.0 + FINE_PX / 2, FINE_PX)
    kernel = np.exp(-0.5 * (reach / BLUR) ** 2)
    return np.convolve(sharp, kernel / kernel.sum(), "same")


def profile(away: Floats, width: float) -> Floats:
    return np.asarray((ndtr((away + width / 2) / BLUR) - ndtr((away - width / 2) / BLUR)) / width)


def a_bar(places: Floats, middle: Floats | float, width: float) -> Bars:
    """Of light 1 over the mat's, seen at places across."""

    n, away = len(places), places - middle
    slope = (profile(away + 1.0, width) - profile(away - 1.0, width)) / 2.0
    variance = np.full(n, BLUR**2 + width**2 / 12.0)
    return Bars(np.arange(n), away, np.zeros(n), variance, np.zeros(n), slope, np.full((3, n), width))


def mended(bars: Bars, e: Floats, blur: float) -> tuple[Floats, Floats, Floats]:
    one, other, third = np.array([mend_of(bars, k, float(e[k]), 0.0, blur, BLUR) for k in range(len(e))]).T
    return one, other, third


@pytest.mark.parametrize("width", [0.5, 1.0, 2.5])
@pytest.mark.parametrize("middle", [-1.0, -0.37, 0.0, 0.37, 1.0, 2.0])
def test_a_cut_line_is_what_convolution_in_numbers_makes_of_it(middle: float, width: float) -> None:
    x = np.arange(-12.0, 12.0, FINE_PX)
    sharp = (np.abs(x - middle) < width / 2).astype(float)
    places = np.arange(-4.0, 5.0, 0.25)
    bare, cut = (np.interp(places, x, blurred(one)) for one in (sharp, sharp * (x > 0.0)))
    bars = a_bar(places, middle, width)
    z = places / BLUR
    density = np.exp(-0.5 * z * z) / (BLUR * math.sqrt(2.0 * math.pi))
    first_order = bare * ndtr(z) + BLUR**2 * bars.slope * bars.light[0] * density
    mend = mended(bars, places, BLUR)[0] * bars.light[0]
    assert np.abs(first_order + mend - cut).max() < 0.003
    if abs(middle) < 0.5:
        assert np.abs(first_order - cut).max() > 0.02


def test_slopes_of_a_cut_line_are_finite_differences() -> None:
    places, step = np.arange(-4.0, 5.0, 0.25), 0.01
    bars = a_bar(places, 0.3, 1.0)
    _, by_distance, by_blur = mended(bars, places, BLUR)
    ahead, back = mended(bars, places + step, BLUR)[0], mended(bars, places - step, BLUR)[0]
    assert np.allclose(by_distance, (ahead - back) / (2 * step), atol=2e-4)
    more, less = mended(bars, places, BLUR + step)[0], mended(bars, places, BLUR - step)[0]
    assert np.allclose(by_blur, (more - less) / (2 * step), atol=3e-3)


def before_a_bar(sides: Sides, middles: Floats, width: float) -> Sides:
    """Sides before a mat with a line along each."""
    w = sides.pixels
    across, middle = w.across_px.astype(np.float64), middles.repeat(np.diff(w.side_starts))
    bar = a_bar(across, middle, width)
    bare = w.bare + LINE * width * profile(across - middle, width)
    slope = w.slope + LINE * width * bar.slope
    bare = bare.astype(np.float32)
    lined = w._replace(bare=bare, steady=bare, slope=slope.astype(np.float32))
    return replace(sides, pixels=lined, bars=bar._replace(light=LINE * bar.light))


@pytest.mark.parametrize("name", ["offset", "gain", "focus", "common chroma"])
def test_slopes_of_light_before_a_cut_line_are_finite_differences(name: str) -> None:
    own, common = start()
    own[:, 5:], common[:] = 0.0, (BLUR, common[1], *np.zeros(len(COMMON) - 2))
    # The edge runs within the line all along: where it passes a line's own edge, slopes change at once.
    lined = before_a_bar(two_sides(0.0), own[:, 0] + 0.1, 1.1)  # flat, as the blur's slope is exact there
    k = [*OWN, *(f"common {part}" for part in COMMON)].index(name)
    hold_slopes(lined, own, common, k, STEPS.get(name, 0.1))


def bare_scene() -> Scene:
    linear = mean_light([picture(seed=500 + i) for i in range(4)])
    return compare_with_mat(linear, mat_picture(linear), everywhere())


def test_lines_are_found_where_they_run_along_a_side_and_only_there() -> None:
    away = [0.3, -0.5, 8.0]  # of the line's middle outward, mm; the last has none near it
    turned = math.radians(40.0)
    middles = np.array(
        [[180.0, 4 * PITCH_MM - 0.3], [140.0, 5 * PITCH_MM + 0.5], [200.0, 6 * PITCH_MM - 8.0], [150, 130]]
    )
    along = np.array([[-1.0, 0.0]] * 3 + [[math.cos(turned), math.sin(turned)]])
    axes = Axes.at(camera(), 0.0, middles, along, np.full(4, 60.0))
    scene = bare_scene()
    window = sample(Picture.of(scene, camera(), 0.0), axes, 6.0, 7.5, np.zeros((4, 2)), np.zeros(4, np.int64))
    bars = find_bars(window, axes.outward_px, 0.85, 0.3, np.ones(4, bool))
    assert bars.beside(window.side, 4).tolist() == [True, True, False, False]
    for k in (0, 1):
        own = window.side[bars.pixels] == k
        middle = np.median(window.across_px[bars.pixels[own]] - bars.away_px[own])
        assert abs(middle - away[k] / MM_PER_PX) < 0.02
        assert abs(np.median(bars.variance[own]) - BLUR_PX**2 - (LINE_MM / MM_PER_PX) ** 2 / 12.0) < 0.04
        assert np.allclose(np.median(bars.light[:, own], axis=1), LINE * LINE_MM / MM_PER_PX, rtol=0.05)


def test_sides_on_a_ruled_line_are_measured_to_a_few_hundredths_of_a_pixel_and_that_is_stated() -> None:
    """Without cutting the lines the sides at 0.15 mm are a tenth of a pixel off."""
    bare = mat_picture(mean_light([picture(seed=500 + i) for i in range(8)]))
    pieces = [
        np.array([[x, y], [x + 48.0, y], [x + 48.0, y + 37.0], [x, y + 37.0]])
        for x, y in (
            (30.0, PITCH_MM + 0.15),
            (110.0, PITCH_MM - 0.15),
            (190.0, 2 * PITCH_MM + 0.4),
            (270.0, PITCH_MM + 0.1),
        )
    ]
    pixels = picture(*(Piece(corners, grey(0.6)) for corners in pieces), seed=3)
    scene = compare_with_mat(linear_image(pixels), bare, everywhere())
    sides = [np.array([a, b]) for piece in pieces for a, b in zip(piece, np.roll(piece, -1, axis=0), strict=True)]
    fitted = fit_sides(Picture.of(scene, camera(), 0.0), [SideStart(one, (8.0, 8.0)) for one in sides])
    off, u = [], []
    for side, fit in zip(sides, fitted.fits, strict=True):
        assert fit is not None
        along = (side[1] - side[0]) / np.hypot(*(side[1] - side[0]))
        off.append(float((fit.middle_mat_mm - side[0]) @ [along[1], -along[0]]) / MM_PER_PX)
        u.append(math.sqrt(fit.covariance[0, 0]) / MM_PER_PX)
    assert np.abs(off).max() < 0.04
    assert np.mean(np.square(np.array(off) / u)) < 2.0
    on_lines = np.array([0, 4, 12])  # within blur and half a line's width; without the lines' own doubt it is over 3
    assert np.mean(np.square(np.array(off) / u)[on_lines]) < 2.0
