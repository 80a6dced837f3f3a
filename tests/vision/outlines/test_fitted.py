"""Fitted outlines are those of the pieces they began from, and have one light in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.exact import Piece, camera, everywhere, grey, picture
from vision.edge.common import unseen
from vision.edge.picture import Picture
from vision.edge.sidefits import Sides
from vision.edge.sides import fit_sides
from vision.finding.mat import compare_with_mat, mat_picture
from vision.finding.regions import difference_map
from vision.light import linear_image
from vision.outlines.fitted import fit_outlines

SQUARE = np.array([[100.0, 60.0], [160.0, 60.0], [160.0, 120.0], [100.0, 120.0]])
BESIDE = SQUARE + np.array([90.0, 0.0])
SNIPPED = np.array([*SQUARE[:2], [160.0, 110.0], [150.0, 120.0], [100.0, 120.0]])


@pytest.fixture(scope="module")
def scene():
    bare, seen = picture(seed=5), picture(Piece(SNIPPED, grey(0.6)), Piece(BESIDE, grey(0.3)), seed=6)
    return compare_with_mat(linear_image(seen), mat_picture(linear_image(bare)), everywhere())


def fitted(scene, rough):
    return fit_outlines(Picture.of(scene, camera(), 0.0), rough, difference_map(scene))


def test_an_outline_that_ran_away_is_none(scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A side that hardly shows was followed along a shade of the mat: a piece of 40 mm was told as one of 200."""

    def astray(picture, starts, reaches, prior=None) -> Sides:
        sides = fit_sides(picture, starts, reaches, prior)
        away = np.array([sides.fits[0].along[1], -sides.fits[0].along[0]]) * 60.0
        return replace(
            sides, fits=(replace(sides.fits[0], middle_mat_mm=sides.fits[0].middle_mat_mm + away), *sides.fits[1:])
        )

    rough = {0: SQUARE + np.array([0.3, -0.2]), 1: BESIDE + np.array([-0.2, 0.3])}
    assert set(fitted(scene, rough).found) == {0, 1}
    monkeypatch.setattr("vision.outlines.fitted.fit_sides", astray)
    assert set(fitted(scene, rough).found) == {1}


def test_all_outlines_follow_what_is_common_to_the_last_fit(scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that the last fit did not reach kept what it followed in an earlier light, of fewer unknowns, and broke."""
    shadowed = unseen(0.0, shadowed=True)
    fits = []

    def at_last_in_shadow(picture, starts, reaches, prior=None) -> Sides:
        fits.append(len(starts))
        first = len(fits) == 1
        sides = fit_sides(picture, starts, reaches, None if first else prior or shadowed)
        unseen_one = 1 if first else 2 if prior is None else 0
        numbers = [start.cloth for start in starts]
        return replace(
            sides, fits=tuple(None if k == unseen_one else f for k, f in zip(numbers, sides.fits, strict=True))
        )

    monkeypatch.setattr("vision.outlines.fitted.fit_sides", at_last_in_shadow)
    outlines = fitted(scene, {0: SNIPPED, 1: BESIDE})
    assert len(fits) == 3
    assert set(outlines.found) == {0}
    for outline in outlines.found.values():
        assert all(side.by_common.shape[1] == len(outlines.common.values) for side in outline.sides)
