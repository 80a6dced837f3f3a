"""What a fitted outline leaves out of its region: drawn in arrays, nothing photographed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.finding.layers import Layer
from vision.finding.mat import Scene
from vision.finding.regions import Region
from vision.light import luma_chroma
from vision.outlines.leftover import PARTS, in_parts, misses_cloth

SIZE = 160
MAT, CLOTH, SHADED = (0.1, 0.12, 0.08), (0.4, 0.5, 0.6), (0.06, 0.07, 0.05)
CORNERS = np.array([[30.0, 130.0], [130.0, 130.0], [130.0, 30.0], [30.0, 30.0]]) - 0.5  # counter-clockwise to the eye
SQUARE = in_parts(CORNERS)


def drawn(**patches: tuple[float, ...]) -> np.ndarray:
    """(160, 160, 3) linear light of the mat and a square of cloth; boxes (left, top, right, below) of other light."""
    light = np.full((SIZE, SIZE, 3), MAT, np.float32)
    light[30:130, 30:130] = CLOTH
    for what, (left, top, right, below) in patches.items():
        light[int(top) : int(below), int(left) : int(right)] = {"shade": SHADED, "mat": MAT, "cloth": CLOTH}[what]
    return np.asarray(cv2.GaussianBlur(light, (0, 0), 1.0), np.float32)


def seen(light: np.ndarray) -> Scene:
    bare = np.full_like(light, MAT)
    return Scene(Layer.of(luma_chroma(light)), Layer.of(luma_chroma(bare)), np.full(3, 0.003), known=True)


def region_of(mask: np.ndarray) -> Region:
    """Of a mask (80, 80) in cells."""
    (outline,), _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    pixels = np.repeat(np.repeat(mask, 2, axis=0), 2, axis=1)
    return Region(outline[:, 0] * 2.0 + 0.5, (0, 0, SIZE, SIZE), pixels, cut_off=False)


def square_cells(inset: int = 0) -> np.ndarray:
    mask = np.zeros((80, 80), bool)
    mask[15 + inset : 65 - inset, 15 + inset : 65 - inset] = True
    return mask


def test_the_outline_of_all_there_is() -> None:
    assert not misses_cloth(SQUARE, region_of(square_cells()), seen(drawn()))


def test_a_rim_inside_of_weak_cloth_says_nothing() -> None:
    """The region ends 6 px inside all around, and the cloth goes on there."""
    assert not misses_cloth(SQUARE, region_of(square_cells(3)), seen(drawn()))


def test_corners_where_the_mat_lies_bare() -> None:
    ys, xs = np.indices((80, 80)) - 39.5
    disc = np.hypot(xs, ys) < 25.0
    light = drawn(mat=(0, 0, SIZE, SIZE))
    light[np.repeat(np.repeat(disc, 2, axis=0), 2, axis=1)] = CLOTH
    assert misses_cloth(SQUARE, region_of(disc), seen(light))


def test_notches_of_a_print_in_the_mats_colour_are_no_missing_corners() -> None:
    mask, light = square_cells(), drawn()
    for at in range(22, 60, 12):
        mask[15:18, at : at + 2] = False
        light[30:36, 2 * at : 2 * at + 4] = MAT
    assert not misses_cloth(SQUARE, region_of(mask), seen(light))


@pytest.mark.parametrize(("what", "missed"), [("cloth", True), ("shade", False)])
def test_what_lies_beyond_a_side(what: str, missed: bool) -> None:
    """A strip of 10 px along 40 px of a side: more of the cloth is missed, its shadow is not."""
    mask = square_cells()
    mask[30:50, 65:70] = True
    assert misses_cloth(SQUARE, region_of(mask), seen(drawn(**{what: (130, 60, 140, 100)}))) is missed


def test_a_side_that_the_lens_bends_leaves_nothing_out() -> None:
    """By 5 px outward in its middle, as a barrel does: straight from corner to corner it would cut cloth off."""
    shares = np.arange(len(SQUARE)) % PARTS / PARTS
    outward = (SQUARE - SQUARE.mean(axis=0)) / np.abs(SQUARE - SQUARE.mean(axis=0)).max(axis=1, keepdims=True)
    bent = SQUARE + 5.0 * (4.0 * shares * (1.0 - shares))[:, None] * outward
    fine = np.zeros((SIZE, SIZE), np.uint8)
    cv2.fillPoly(fine, [np.rint(bent).astype(np.int32)], 1)
    light = np.where(fine[..., None] > 0, np.float32(CLOTH), np.float32(MAT))
    region, scene = region_of(fine[::2, ::2] > 0), seen(light)
    assert not misses_cloth(bent, region, scene)
    assert misses_cloth(SQUARE, region, scene)


@pytest.mark.parametrize(("sd", "missed"), [(0.003, True), (0.3, False)])
def test_a_corner_is_bare_only_where_noise_would_not_hide_cloth(sd: float, missed: bool) -> None:
    """The mat lies bare in one corner, 8 px each way; noise of so much hides whether it does."""
    mask, light = square_cells(), drawn(mat=(122, 122, 130, 130))
    mask[61:, 61:] = False
    scene = seen(light)
    noisy = Scene(scene.seen, scene.mat, np.full(3, sd), known=True)
    assert misses_cloth(SQUARE, region_of(mask), noisy) is missed
