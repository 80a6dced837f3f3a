"""How devices hang when a table is awkward: against plain geometry."""

import numpy as np
import pytest

from projector.rehearsal.optics import Optics
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks, Quirks
from projector.rehearsal.setting import MAT_CORNERS_MM, MAT_MM, setting_of

FULL_HD, UHD, WXGA = (1920, 1080), (3840, 2160), (1280, 800)
MIDDLE = np.array([MAT_MM[0] / 2, MAT_MM[1] / 2])


def camera(seed: int = 3, size_px: tuple[int, int] = FULL_HD, **quirks: object) -> Optics:
    return setting_of(seed, size_px, quirks=Quirks(camera=CameraQuirks(**quirks))).camera  # type: ignore[arg-type]


def projector(seed: int = 3, size_px: tuple[int, int] = FULL_HD, **quirks: object) -> Optics:
    made = Quirks(projector=ProjectorQuirks(**quirks))  # type: ignore[arg-type]
    return setting_of(seed, FULL_HD, size_px, made).projector


def rightwards(lens: Optics) -> np.ndarray:
    """Direction in the picture, as a unit vector, of the mat's own right."""
    a, b = lens.px_from_level(np.array([MIDDLE, [MIDDLE[0] + 100.0, MIDDLE[1]]]), 0.0)
    return (b - a) / np.hypot(*(b - a))


@pytest.mark.parametrize(("turns", "right"), [(0, [1, 0]), (1, [0, -1]), (2, [-1, 0]), (3, [0, 1])])
def test_a_device_turned_clockwise_sees_the_mat_turned_the_other_way(turns: int, right: list[int]) -> None:
    for lens in (camera(quarter_turns=turns), projector(quarter_turns=turns)):
        assert rightwards(lens) == pytest.approx(right, abs=0.05)
        assert np.linalg.det(lens.axes) == pytest.approx(1.0)


def test_a_mirrored_device_is_left_handed() -> None:
    for lens in (camera(mirrored=True), projector(mirrored=True)):
        assert rightwards(lens) == pytest.approx([-1, 0], abs=0.05)
        assert np.linalg.det(lens.axes) == pytest.approx(-1.0)
        points = np.random.default_rng(1).uniform([0, 0], MAT_MM, (50, 2))
        assert lens.level_from_px(lens.px_from_level(points, 0.4), 0.4) == pytest.approx(points)


@pytest.mark.parametrize("k1", [-0.35, -0.25, -0.15, 0.05])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_wide_lens_is_filled_and_nowhere_folded(k1: float, seed: int) -> None:
    """Every pixel, the picture's corners included, looks at a point that is seen at that pixel; and further out in
    the picture is further out in the world (the radial function rises)."""
    for lens in (camera(seed, k1=k1), camera(seed, k1=k1, height_mm=900.0)):
        assert lens.brown[0] == k1
        assert lens.holds(MAT_CORNERS_MM, 0.0, 10.0)
        rim = np.array([[x, y] for x in (-6.0, 959.5, 1925.0) for y in (-6.0, 539.5, 1085.0)])
        assert lens.px_from_world(lens.at_mm + lens.beams_from_px(rim)) == pytest.approx(rim, abs=1e-6)
        ray = lens.beams_from_px(np.linspace([959.5, 539.5], [1925.0, 1085.0], 60))
        angle = np.arccos(ray @ lens.axes[2] / np.linalg.norm(ray, axis=1))
        assert np.all(np.diff(angle[5:]) > 0)


@pytest.mark.parametrize("size_px", [FULL_HD, UHD, WXGA])
@pytest.mark.parametrize("shift", [-1.1, -0.6, 0.8])
def test_a_shifted_lens_looks_straight_down_beside_the_picture(shift: float, size_px: tuple[int, int]) -> None:
    lens = projector(size_px=size_px, lens_shift=shift)
    assert lens.axes[2] == pytest.approx([0.0, 0.0, -1.0])
    assert (lens.centre_px[1] - (size_px[1] - 1) / 2) / size_px[1] == pytest.approx(shift, abs=1e-6)
    assert lens.holds(MAT_CORNERS_MM, 0.0, 10.0)
    assert np.sign(lens.at_mm[1] - MIDDLE[1]) == -np.sign(shift)  # down in the picture is towards the person


@pytest.mark.parametrize("tilt_deg", [10.0, 30.0])
def test_a_tilted_projector_throws_a_trapezoid_without_a_shift(tilt_deg: float) -> None:
    """Seen d away under a tilt t, an edge h further up is (d + h sin t) / (d - h sin t) times as wide as one h down."""
    lens = projector(tilt_rad=float(np.radians(tilt_deg)))
    away = np.append(MIDDLE, 0.0) - lens.at_mm
    distance, half = float(np.linalg.norm(away)), MAT_MM[1] / 2
    assert np.degrees(np.arccos(-away[2] / distance)) == pytest.approx(tilt_deg)
    assert np.degrees(np.arccos(lens.axes[2] @ away / distance)) < 3.0  # aimed at the middle of its picture
    assert lens.centre_px == ((1920 - 1) / 2, (1080 - 1) / 2)
    assert lens.holds(MAT_CORNERS_MM, 0.0, 10.0)
    corners = lens.px_from_level(MAT_CORNERS_MM, 0.0)
    near, far = corners[1, 0] - corners[0, 0], corners[2, 0] - corners[3, 0]
    rise = half * np.sin(np.radians(tilt_deg))
    assert far / near == pytest.approx((distance + rise) / (distance - rise), rel=0.02)  # the axis is not quite on it


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_tilted_projector_may_be_mounted_any_way_up(turns: int) -> None:
    lens = projector(tilt_rad=float(np.radians(30.0)), quarter_turns=turns)
    assert lens.holds(MAT_CORNERS_MM, 0.0, 10.0)
    assert lens.centre_px == ((1920 - 1) / 2, (1080 - 1) / 2)


def test_any_sizes_are_filled() -> None:
    for size in (FULL_HD, UHD, WXGA, (1080, 1920)):
        assert camera(size_px=size).holds(MAT_CORNERS_MM, 0.0, 5.0)
        assert projector(size_px=size).holds(MAT_CORNERS_MM, 0.0, 5.0)
