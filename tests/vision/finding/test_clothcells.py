"""Weak cloth up to its rim: what noise alone leaves open is settled by what it hangs together with."""

import cv2
import numpy as np
import pytest

from tests.vision.exact_scenes import SMALL_VIEW, Condition, Mat, grey, shot
from vision.finding.clothcells import weak_cloth
from vision.finding.mat import compare_with_mat, mat_picture
from vision.finding.regions import find_regions


def square(low: int, high: int, value: float) -> np.ndarray:
    cells = np.zeros((40, 60), np.float32)
    cells[low:high, low:high] = value
    return cells


@pytest.mark.parametrize(("contrast", "grows"), [(9.0, True), (30.0, False)])
def test_weak_cloth_alone_grows_into_what_is_likely_some(contrast: float, grows: bool) -> None:
    sure, likely = (square(*at, 1).astype(np.uint8) for at in ((10, 20), (8, 22)))
    found = weak_cloth(sure, likely, square(8, 22, contrast**2), 25, sure)
    assert np.array_equal(found, likely if grows else np.zeros_like(sure))


def test_what_is_likely_cloth_alone_is_none() -> None:
    sure, likely = square(10, 20, 1).astype(np.uint8), square(30, 38, 1).astype(np.uint8)
    assert not weak_cloth(sure, likely, square(10, 38, 81.0), 25, sure).any()
    assert not weak_cloth(sure, sure | square(8, 12, 1).astype(np.uint8), square(8, 20, 81.0), 1e4, sure).any()


def test_cloth_of_hardly_the_mats_light_is_found_to_its_rim() -> None:
    """A generated frame: 0.03 darker than a light mat with lines under sides; in the noise it had fallen apart."""
    condition = Condition(
        lambda rng, mat: grey(0.42), mat=Mat(grey(0.45), grey(0.5)), line_mm=(-0.15, 0.15, 0.5), units=4, reference=2
    )
    shown = shot(condition, 2, SMALL_VIEW)
    assert shown.bare is not None
    everywhere = np.ones(shown.linear.shape[:2], bool)
    scene = compare_with_mat(shown.linear, mat_picture(shown.bare), everywhere)
    regions = find_regions(scene, everywhere, 400.0)
    areas = sorted(region.area_px for region in regions)
    true = sorted(
        float(cv2.contourArea(shown.view.px_of_mm(unit.corners_mat_mm).astype(np.float32))) for unit in shown.units
    )
    assert len(areas) == len(true)
    assert np.allclose(areas, true, rtol=0.1)
