"""The light across sides: its slopes against finite differences, its fit against the best that could be done.

The frames are generated; the bound is Cramer and Rao's (`tests.measure.edge_bound`, with its sources).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.tone import SRGB
from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, grey, least_offset_sd_px, picture
from vision.edge.common import COMMON, OWN
from vision.edge.model.coverage import LAMP, Rims
from vision.edge.model.cuts import cuts_of
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.light import Unknowns, tables
from vision.edge.model.predicting import Light, lay_out, predict, room_for
from vision.edge.model.ruled import NO_BARS, Bars
from vision.edge.picture import Picture
from vision.edge.pixels.sidepixels import SidePixels, side_pixels
from vision.edge.pixels.windows import Axes, sample
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.light import linear_image, mean_light
from vision.polygons import outward_normals

Floats = NDArray[np.float64]

HEIGHT_MM = 0.4
# Wide beside the steps of the table of encoded values, narrow beside the blur and a side light's soft turn.
STEPS = {
    **{"turn": 3e-4, **dict.fromkeys(("offset", "bow", "focus", "common luma"), 0.02)},
    **dict.fromkeys(("common chroma", "common cast_x", "common cast_y"), 0.05),
    "common near": 1.0,  # of a lens that hardly stands aside
}


@dataclass(frozen=True, eq=False, slots=True)
class Sides:
    """Pixels of some sides, lines of the mat along them, and levels of their cloth (2, 3, B)."""

    pixels: SidePixels
    axes: Axes
    levels: Floats
    bars: Bars = NO_BARS


def two_sides(height_mm: float = HEIGHT_MM) -> Sides:
    """Two sides before a mat that grows brighter across the picture."""
    ramp = np.broadcast_to(np.linspace(0.05, 0.12, 200, dtype=np.float32)[None, :, None], (160, 200, 3))
    bare = np.ascontiguousarray(ramp * np.array([0.8, 1.0, 0.9], np.float32))
    scene = compare_with_mat(bare, mat_picture(bare), np.ones(bare.shape[:2], bool))
    middle = camera().mat_from_px(np.array([[90.0, 80.0], [110.0, 70.0]]))
    turns = np.array([0.4, 2.2])
    axes = Axes.at(camera(), height_mm, middle, np.column_stack([np.cos(turns), np.sin(turns)]), np.full(2, 24.0))
    window = sample(Picture.of(scene, camera(), height_mm), axes, 5.0, 6.0, np.zeros((2, 2)), np.zeros(2, np.int64))
    pixels = side_pixels(window, Encoder.of(SRGB))
    levels = YCC_OF_BGR @ np.random.default_rng(1).uniform(0.5, 0.9, (3, len(window.bin_side)))
    return Sides(pixels, axes, np.stack([levels, 0.02 * np.sin(10.0 * levels)]))


def start() -> tuple[Floats, Floats]:
    """The sides' own unknowns and the common ones, at which slopes are taken."""
    own = np.array([[0.31, 0.004, 0.2, 0.95, 0.03, 0.05, 0.02], [-0.4, -0.006, -0.1, 1.05, -0.02, -0.1, -0.03]])
    return own, np.array([0.85, 0.9, 0.5, 0.3, -0.2, 0.15, 0.05, 0.6])


def lights(sides: Sides, own: Floats, common: Floats, figured: bool) -> list[Light]:
    w, axes, at, encoder = sides.pixels, sides.axes, Unknowns(own, common), Encoder.of(SRGB)
    table = tables(axes.rims, at, axes.outward, axes.scale)
    every, foot_px = np.ones(len(own), bool), np.zeros(len(own))
    cuts = cuts_of(sides.bars, w, own, common[1], every, foot_px, at.blur_px, common[0])
    result = []
    for s, (first, last) in enumerate(pairwise(w.side_starts)):
        light, room = room_for(last - first, at.shadowed)
        lay_out(room, w, s, own[s], sides.levels, figured, encoder.linear, encoder.steps)
        predict(light, room, w, s, own[s, 3], common[1], table[s], encoder.steps, cuts)
        result.append(light)
    return result


@pytest.mark.parametrize("figured", [False, True])
@pytest.mark.parametrize("name", [*OWN, *(f"common {name}" for name in COMMON)])
def test_slopes_are_finite_differences(name: str, figured: bool) -> None:
    own, common = start()
    # The blur's slope leaves out how walls and their shadows soften: it is exact of flat cloth.
    flat = name in ("focus", "common luma")
    sides = two_sides(0.0 if flat else HEIGHT_MM)
    if flat:
        own[:, 5:], common[2:] = 0.0, 0.0
    k = [*OWN, *(f"common {part}" for part in COMMON)].index(name)
    hold_slopes(sides, own, common, k, STEPS.get(name, 0.1), figured)


def hold_slopes(sides: Sides, own: Floats, common: Floats, k: int, step: float, figured: bool = False) -> None:
    """Slopes by unknown k, own ones before common ones, against differences over twice a step."""
    ends = []
    for way in (step, -step):
        here, there = own.copy(), common.copy()
        if k < len(OWN):
            here[:, k] += way
        else:
            there[k - len(OWN)] += way
        ends.append(lights(sides, here, there, figured))
    follows = Unknowns(own, common).follows(sides.axes.rims, sides.axes.outward, sides.axes.scale)
    for s, (light, ahead, behind) in enumerate(zip(lights(sides, own, common, figured), *ends, strict=True)):
        numerical = (ahead.seen - behind.seen) / (2.0 * step)
        slopes = np.tensordot(follows[s, k].astype(np.float32), light.slopes, 1)
        size = float(np.abs(numerical).max())
        assert size > 0.0
        # Slopes are those of a table in steps of a twentieth of a pixel: exact in the mean, not at each pixel.
        assert float(np.abs(slopes - numerical).max()) < 0.04 * size
        assert float(np.sqrt(np.mean((slopes - numerical) ** 2))) < 0.01 * size


def test_walls_are_as_bright_as_the_lights_that_reach_them() -> None:
    # Irradiance of an upright plane over a level one's: a disc's by counting its points in direction sines, where a
    # point counts by its sine over its cosine; half of an even sky; a distant light's cotangent.
    grid = np.linspace(-LAMP, LAMP, 401)
    x, y = (one[np.hypot(*np.meshgrid(grid, grid)) < LAMP] for one in np.meshgrid(grid, grid))
    toward = np.array([-0.2, -0.1, 0.0, 0.1, 0.2])
    disc = np.array([np.mean(np.maximum(x + t, 0.0) / np.sqrt(1.0 - (x + t) ** 2 - y**2)) for t in toward])
    rims, outward = Rims(np.full(5, 0.7), np.zeros(5), middle=toward / 0.5), np.tile([1.0, 0.0], (5, 1))

    def walls(sky: float, *light: float) -> Floats:
        common = np.array([0.8, 1.0, 1.0, 0.0, 0.0, sky, 0.0, 0.5, *light])
        return Unknowns(np.zeros((5, len(OWN))), common).wall(rims, outward, np.ones(5))[0]

    assert walls(0.0) == pytest.approx(disc, abs=0.025)
    assert walls(0.0)[2] == pytest.approx(disc[2], abs=0.002)
    assert walls(1.0) == pytest.approx(0.5)
    assert walls(0.0, 1.0, -0.35, 0.0, 0.1) == pytest.approx(
        0.5
    )  # 0.35 px of shadow to a height of 0.7: from 63 degrees
    assert walls(0.0, 1.0, 0.35, 0.0, 0.1) == pytest.approx(0.0)


def many_pieces(seed: int) -> list[Floats]:
    """Six quadrilaterals, turned and placed at random, that do not touch."""
    rng = np.random.default_rng(seed)
    pieces = []
    for x in (70.0, 180.0, 290.0):
        for y in (65.0, 170.0):
            half = rng.uniform(24.0, 34.0, 2)
            square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
            c, s = np.cos(turn := rng.uniform(0.0, 2.0 * np.pi)), np.sin(turn)
            pieces.append(square @ np.array([[c, s], [-s, c]]) + [x, y] + rng.uniform(-3.0, 3.0, 2))
    return pieces


def fitted_px(level: float, bare: MatPicture, seeds: int) -> tuple[Floats, Floats, Floats]:
    """Sides' errors, stated uncertainties and the least possible ones, px, in frames of grey cloth."""
    off, least, stated = [], [], []
    for seed in range(seeds):
        pieces = many_pieces(seed)
        pixels = picture(*(Piece(corners, grey(level)) for corners in pieces), seed=seed)
        scene = compare_with_mat(linear_image(pixels), bare, everywhere())
        rng = np.random.default_rng(10 + seed)
        sides = [np.array([a, b]) for piece in pieces for a, b in zip(piece, np.roll(piece, -1, axis=0), strict=True)]
        normals = np.concatenate([outward_normals(piece) for piece in pieces])
        rough = [side + normal * rng.uniform(-0.4, 0.4, (2, 1)) for side, normal in zip(sides, normals, strict=True)]
        fitted = fit_sides(Picture.of(scene, camera(), 0.0), [SideStart(one, (8.0, 8.0)) for one in rough])
        for side, normal, fit in zip(sides, normals, fitted.fits, strict=True):
            assert fit is not None
            off.append(float((fit.middle_mat_mm - side[0]) @ normal) / MM_PER_PX)
            least.append(least_offset_sd_px(grey(level), float(np.hypot(*(side[1] - side[0]))) / MM_PER_PX - 16.0))
            stated.append(float(np.sqrt(fit.covariance[0, 0])) / MM_PER_PX)
    return np.array(off), np.array(stated), np.array(least)


def test_light_that_falls_off_along_a_side_does_not_turn_it() -> None:
    left = np.broadcast_to(np.linspace(1.0, 0.25, 900, dtype=np.float32), (600, 900))
    bare = mat_picture(mean_light([picture(seed=500 + i, left=left) for i in range(8)]))
    squares = []
    for seed in range(2):
        pieces = many_pieces(seed)
        pixels = picture(*(Piece(corners, grey(0.4)) for corners in pieces), seed=seed, left=left)
        scene = compare_with_mat(linear_image(pixels), bare, everywhere())
        sides = [np.array([a, b]) for piece in pieces for a, b in zip(piece, np.roll(piece, -1, axis=0), strict=True)]
        normals = np.concatenate([outward_normals(piece) for piece in pieces])
        fitted = fit_sides(Picture.of(scene, camera(), 0.0), [SideStart(one, (8.0, 8.0)) for one in sides])
        turns = [float(fit.along @ normal) for fit, normal in zip(fitted.fits, normals, strict=True) if fit is not None]
        stated = [float(np.sqrt(fit.covariance[1, 1])) for fit in fitted.fits if fit is not None]
        squares += list(np.square(np.array(turns) / stated))
    assert len(squares) == 48
    assert np.mean(squares) < 1.5


@pytest.mark.parametrize("level", [0.6, 0.3])
def test_drawn_frames_are_fitted_about_as_well_as_could_be_and_that_is_stated(level: float) -> None:
    off, stated, least = fitted_px(level, mat_picture(mean_light([picture(seed=500 + i) for i in range(8)])), 2)
    # The least is that of a known cloth on a known mat: to learn both levels from 3.5 and 5 px costs a factor of 1.26.
    assert np.sqrt(np.mean(np.square(off / least))) < 1.6
    assert 0.4 < np.mean(np.square(off / stated)) < 1.6


def test_a_noisy_picture_of_the_mat_does_not_draw_weak_edges_outward() -> None:
    off, _, _ = fitted_px(0.115, mat_picture(mean_light([picture(seed=500)])), 2)
    assert abs(np.mean(off)) < 4.0 * np.std(off) / np.sqrt(len(off))  # was 0.36 px
