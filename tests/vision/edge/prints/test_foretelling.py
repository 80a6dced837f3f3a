"""What a print is foretold to show past its cut, beside what it shows there uncut. Frames are generated."""

from __future__ import annotations

import math
from functools import cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole
from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, picture
from vision.edge.picture import Picture
from vision.edge.pixels.windows import Axes, Window, sample
from vision.edge.prints.foretelling import Prints, read_prints
from vision.edge.prints.likeness import differences
from vision.edge.prints.shifted import (
    DEEPEST_PX,
    MIDDLE_PX,
    REACH_PX,
    Ground,
    ground_beside,
    places_of,
    px_of,
    shown_at,
)
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import Scene, compare_with_mat, mat_picture
from vision.light import linear_image

Floats = NDArray[np.float64]

CORNERS = np.array([[60.0, 60.0], [150.0, 50.0], [158.0, 122.0], [68.0, 132.0]])
CUT = 1  # the side that is cut from longer cloth
QUIET = 0.002  # of full scale: noise, so that a print's own error shows


def dots(longer_mm: float = 0.0) -> Piece:
    """A dotted piece, its second side so much farther out; the print stays where it was."""
    corners = CORNERS.copy()
    ahead = (corners[1] - corners[0]) / np.hypot(*(corners[1] - corners[0]))
    corners[1:3] += longer_mm * ahead
    return Piece(corners, (0.5, 0.45, 0.4), dots=(0.1, 0.12, 0.25), dots_mm=(6.1, 1.9))


@cache
def empty() -> NDArray[np.float32]:
    return linear_image(picture(noise_sd=1e-4))


def scene_of(light: NDArray[np.float32]) -> Scene:
    return compare_with_mat(light, mat_picture(empty()), everywhere())


def read(light: NDArray[np.float32]) -> tuple[Window, Prints]:
    """The pixels about all sides, and what is foretold at them."""
    shown = Picture.of(scene_of(light), camera(), 0.0)
    ends = np.roll(CORNERS, -1, axis=0)
    along, lengths = ends - CORNERS, np.hypot(*(ends - CORNERS).T)
    axes = Axes.at(shown.camera, 0.0, (CORNERS + ends) / 2.0, along / lengths[:, None], lengths)
    window = sample(shown, axes, 10.0, 8.0, np.full((4, 2), 12.0), np.zeros(4, np.int64))
    return read_prints(window, axes, shown, shown.noise, np.zeros(4, np.int64))


def test_a_print_is_foretold_past_its_cut() -> None:
    told, prints = read(linear_image(picture(dots(), noise_sd=QUIET)))
    whole, _ = read(linear_image(picture(dots(longer_mm=12.0), noise_sd=QUIET)))
    assert prints.printed.all()
    assert np.all(prints.untold < 0.15)
    past = (told.side == CUT) & (told.across_px > 0.0) & (told.across_px < 3.0)
    uncut = whole.seen[:, past] - whole.seen[:, past].mean(axis=1, keepdims=True)
    shown = told.shown[0][:, past] - told.shown[0][:, past].mean(axis=1, keepdims=True)
    assert uncut[0].std() > 0.1
    assert np.sqrt(np.mean((shown - uncut) ** 2)) < 0.05 * uncut[0].std()


def test_what_is_foretold_has_the_slope_that_it_shows() -> None:
    told, _ = read(linear_image(picture(dots(), noise_sd=QUIET)))
    whole, _ = read(linear_image(picture(dots(longer_mm=12.0), noise_sd=QUIET)))
    past = (whole.side == CUT) & (np.abs(told.across_px) < 2.0)
    x, y = np.rint(camera().px_from_mat(told.points_mat_mm[past])).astype(int).T
    luma = picture(dots(longer_mm=12.0), noise_sd=1e-4) @ np.array([0.114, 0.587, 0.299]) / 255.0
    a, b = camera().px_from_mat(CORNERS[[1, 2]])
    out = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
    out = out if out @ (a - camera().px_from_mat(CORNERS[[0]])[0]) > 0 else -out
    by_x, by_y = (luma[y, x + 1] - luma[y, x - 1]) / 2.0, (luma[y + 1, x] - luma[y - 1, x]) / 2.0
    seen = by_x * out[0] + by_y * out[1]
    assert np.corrcoef(told.shown[1][0, past], seen)[0, 1] > 0.98
    assert told.shown[1][0, past].std() == pytest.approx(seen.std(), rel=0.1)


def test_of_figures_that_never_come_again_nothing_is_foretold() -> None:
    rng = np.random.default_rng(5)
    light, plain = linear_image(picture(dots(), noise_sd=QUIET)), linear_image(picture(noise_sd=1e-4))
    cloth = np.any(np.abs(light - plain) > 0.03, axis=2)
    cloth = cv2.morphologyEx(cloth.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((25, 25), np.uint8)) > 0
    blobs = cv2.GaussianBlur(rng.normal(size=cloth.shape).astype(np.float32), (0, 0), 3.0)
    figures = np.where(blobs > 0.0, 0.5, 0.2).astype(np.float32)[..., None]
    _, prints = read(np.where(cloth[..., None], cv2.GaussianBlur(figures, (0, 0), 0.8)[..., None], light))
    assert prints.printed.all()
    assert np.all(prints.untold > 0.9)


def test_a_dotted_side_lies_where_it_was_cut() -> None:
    """Within a fiftieth of a pixel; told by their neighbours alone these sides were up to a tenth off."""
    shown = Picture.of(scene_of(linear_image(picture(dots(), seed=3))), camera(), 0.0)
    ends = np.roll(CORNERS, -1, axis=0)
    starts = [SideStart(np.array([a, b]), (8.0, 8.0)) for a, b in zip(CORNERS, ends, strict=True)]
    found = fit_sides(shown, starts).fits
    for fit, a, b in zip(found, CORNERS, ends, strict=True):
        assert fit is not None
        outward = np.array([fit.along[1], -fit.along[0]])
        off_px = float((fit.middle_mat_mm - (a + b) / 2.0) @ outward) / MM_PER_PX
        assert abs(off_px) < 0.05
        assert fit.untold < 0.3


def test_differences_are_those_of_a_plain_sum() -> None:
    rng = np.random.default_rng(2)
    seen, clear = rng.normal(size=(20, 24, 3)).astype(np.float32), (rng.random((20, 24)) < 0.9).astype(np.float32)
    costs = differences(seen, clear, 2, 5, 6, 14, 3)
    assert costs.shape == (20 - 5 - 3 + 1, 48)
    for i, j in ((0, 24), (4, 20), (12, 30)):
        moved = np.s_[2 + 3 + i : 5 + 3 + i, 6 + j - 24 : 14 + j - 24]
        both = clear[2:5, 6:14] * clear[moved]
        plain = np.sum(both * np.sum((seen[2:5, 6:14] - seen[moved]) ** 2, axis=2)) / both.sum()
        assert costs[i, j] == pytest.approx(plain, rel=1e-4)
    assert np.all(np.isinf(costs[:, 0]))  # there lies nothing


def test_between_pixels_a_cubic_is_seen_as_it_is() -> None:
    """Cubic convolution reproduces polynomials of the second degree (R. Keys, 1981)."""
    y, x = np.mgrid[0:12, 0:14].astype(np.float32)
    levels = np.stack([0.1 * x + 0.2 * y, 0.01 * x * x, 0.02 * x * y], axis=2)
    to_px = np.zeros((2, 15))
    to_px[0, 5], to_px[1, 0], to_px[1, 1] = 8.0, MIDDLE_PX, REACH_PX  # along is x, inward y
    ground = Ground(to_px, 8, np.zeros((1, 3)), np.array([0.0, 8.0]))
    px, py = np.array([5.3, 7.75]), np.array([4.6, 6.2])
    seen, share = shown_at(levels, ground, places_of(ground, px - 2.0, py), np.array([[2.0, 0.0]]), np.ones((1, 1)))
    np.testing.assert_allclose(seen, np.column_stack([0.1 * px + 0.2 * py, 0.01 * px * px, 0.02 * px * py]), atol=1e-5)
    np.testing.assert_allclose(share, 1.0)


def test_places_beside_a_side_are_where_a_lens_shows_them() -> None:
    """Of a lens as wide and a camera as aslant as any on a table; held against the whole of its model."""
    lens = Lens((1920, 1080), (1500.0, 1500.0), (960.0, 540.0), (-0.2, 0.05, 0.0005, -0.0005, 0.0))
    tilt = math.radians(20.0)
    turned = np.array([[1.0, 0.0, 0.0], [0.0, math.cos(tilt), -math.sin(tilt)], [0.0, math.sin(tilt), math.cos(tilt)]])
    pinhole = Pinhole(lens, np.diag([1.0, -1.0, -1.0]) @ turned, np.array([-300.0, 180.0, 800.0]))
    axes = Axes.at(pinhole, 0.4, np.array([[250.0, 120.0]]), np.array([[0.8, 0.6]]), np.array([300.0]))
    ground = ground_beside(SimpleNamespace(camera=pinhole, height_mm=0.4), axes, 0, np.zeros(1, int), (-9.0, 9.0), 48.0)
    along, deep = np.random.default_rng(1).uniform([-ground.half_px, -8.0], [ground.half_px, DEEPEST_PX], (50, 2)).T
    places = along[:, None] * axes.along - deep[:, None] * axes.outward
    true_px = pinhole.px_from_mat(axes.middles_mat_mm + places / axes.scale, 0.4)
    seen_px = [px_of(ground.to_px, float(ground.half_px), a, d) for a, d in zip(along, deep, strict=True)]
    np.testing.assert_allclose(seen_px, true_px, atol=0.01)
