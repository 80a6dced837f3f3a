"""The light across sides: its slopes against finite differences, its fit against the best that could be done.

The frames are generated; the bound is Cramer and Rao's (`tests.measure.edge_bound`, with its sources).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.tone import SRGB
from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, grey, least_offset_sd_px, picture
from vision.edge.common import COMMON, OWN, unseen
from vision.edge.encoding import YCC_OF_BGR, Encoder
from vision.edge.light import _Solver
from vision.edge.noise import Noise
from vision.edge.sides import Picture, SideStart, fit_sides
from vision.edge.windows import Axes, sample
from vision.light import linear_image, mean_light
from vision.mat import compare_with_mat, mat_picture
from vision.polygons import outward_normals

Floats = NDArray[np.float64]

NOISE = Noise((0.004, 0.004, 0.004), (1.0, 4.0, 4.0))
HEIGHT_MM = 0.4
STEP = 1e-4


def solver(height_mm: float = HEIGHT_MM) -> tuple[_Solver, Floats]:
    """Two sides before a mat that grows brighter across the picture, and levels of their cloth (2, 3, B)."""
    ramp = np.broadcast_to(np.linspace(0.05, 0.12, 200, dtype=np.float32)[None, :, None], (160, 200, 3))
    bare = np.ascontiguousarray(ramp * np.array([0.8, 1.0, 0.9], np.float32))
    scene = compare_with_mat(bare, mat_picture(bare), np.ones(bare.shape[:2], bool))
    middle = camera().mat_from_px(np.array([[90.0, 80.0], [110.0, 70.0]]))
    turns = np.array([0.4, 2.2])
    axes = Axes.at(camera(), height_mm, middle, np.column_stack([np.cos(turns), np.sin(turns)]), np.full(2, 24.0))
    window = sample(Picture.of(scene, camera(), height_mm), axes, 5.0, 6.0, np.zeros((2, 2)), np.zeros(2, np.int64))
    levels = YCC_OF_BGR @ np.random.default_rng(1).uniform(0.5, 0.9, (3, len(window.bin_side)))
    of_prior = unseen(0.5)
    return _Solver(window, axes, NOISE, of_prior, Encoder.of(SRGB), np.zeros((2, 3)), None), np.stack(
        [levels, levels * 0.0]
    )


def start() -> tuple[Floats, Floats]:
    """The sides' own unknowns and the common ones, at which slopes are taken."""
    own = np.array([[0.31, 0.004, 0.2, 0.95, 0.03, 0.05, 0.02], [-0.4, -0.006, -0.1, 1.05, -0.02, -0.1, -0.03]])
    return own, np.array([0.85, 0.9, 0.5, 0.3, -0.2, 0.15, 0.25])


def differences(one: _Solver, levels: Floats, own: Floats, common: Floats, k: int) -> Floats:
    """(3, N): how the picture changes with unknown k, by finite differences."""
    sides = []
    for way in (STEP, -STEP):
        here, there = own.copy(), common.copy()
        if k < len(OWN):
            here[:, k] += way
        else:
            there[k - len(OWN)] += way
        sides.append(one._predict(here, there, levels).seen)
    return (sides[0] - sides[1]) / (2.0 * STEP)


@pytest.mark.parametrize("name", [*OWN, *(f"common {name}" for name in COMMON)])
def test_slopes_are_finite_differences(name: str) -> None:
    own, common = start()
    # The blur's slope leaves out how walls and their shadows soften: it is exact of flat cloth.
    flat = name in ("focus", "common luma")
    one, levels = solver(0.0 if flat else HEIGHT_MM)
    if flat:
        own[:, 5:], common[2:] = 0.0, 0.0
    k = [*OWN, *(f"common {part}" for part in COMMON)].index(name)
    numerical = differences(one, levels, own, common, k)
    slopes = one._predict(own, common, levels).slopes[k]
    size = float(np.abs(numerical).max())
    assert size > 0.0
    assert float(np.abs(slopes - numerical).max()) < 0.03 * size
    assert float(np.sqrt(np.mean((slopes - numerical) ** 2))) < 0.01 * size


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


@pytest.mark.parametrize("level", [0.6, 0.3])
def test_drawn_frames_are_fitted_about_as_well_as_could_be_and_that_is_stated(level: float) -> None:
    bare = mat_picture(mean_light([picture(seed=500 + i) for i in range(8)]))
    off, least, stated = [], [], []
    for seed in range(2):
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
    assert np.sqrt(np.mean(np.square(np.array(off) / least))) < 1.6
    assert 0.4 < np.mean(np.square(np.array(off) / stated)) < 2.0
