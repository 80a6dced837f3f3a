"""The mat's looks, stains and gloss in generated pictures."""

import numpy as np
import pytest

from projector.rehearsal.light.curves import linear_from_srgb
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import MatQuirks, Quirks
from projector.rehearsal.setting import MAT_MM, setting_of
from projector.rehearsal.things.mat import LOOKS_BGR, mirror_point_mm
from projector.rehearsal.world import virtual_table

SMALL = (640, 360)


def shot(level: int = 255, **quirks: object) -> np.ndarray:
    world = virtual_table(3, Work(), SMALL, SMALL, Quirks(mat=MatQuirks(**quirks)))  # type: ignore[arg-type]
    world.project(np.full((360, 640, 3), level, np.uint8), 0.0)
    return np.asarray(world.frame(1.0))


def at(points_mm: list[list[float]]) -> np.ndarray:
    return setting_of(3, SMALL, SMALL).camera.px_from_level(np.array(points_mm), 0.0).round().astype(int)


@pytest.mark.parametrize("look", list(LOOKS_BGR))
def test_a_mat_has_its_look(look: str) -> None:
    """Ratios of its colours to the ordinary mat's, in linear light, in the middle of a square of the grid."""
    seen = [
        linear_from_srgb(shot(look=one, grid=False)[150:210, 280:360] / 255.0).mean(axis=(0, 1))
        for one in (look, "dark")
    ]
    expected = np.array(LOOKS_BGR[look][0]) / np.array(LOOKS_BGR["dark"][0])
    assert seen[0] / seen[1] == pytest.approx(expected, rel=0.03)


def test_a_mat_without_grid_has_no_lines_and_one_beyond_the_picture_no_outline() -> None:
    def structure(frame: np.ndarray) -> float:
        """Mean slope from pixel to pixel in the mat's middle."""
        return float(np.abs(np.diff(frame[120:240, 200:440, 1].astype(float), axis=1)).mean())

    assert structure(shot(grid=True)) > 1.5 * structure(shot(grid=False))
    (u, v), (out_u, out_v) = at([[20.0, 300.0], [-40.0, 300.0]])
    ordinary, wide = (linear_from_srgb(shot(beyond_mm=b)[[v, out_v], [u, out_u]] / 255.0) for b in (0.0, 400.0))
    assert ordinary[1, 2] > 1.5 * ordinary[0, 2]  # wood is redder and lighter
    assert wide[1, 2] < 1.3 * wide[0, 2]


def test_gloss_clips_where_a_mirror_would_show_the_lamp() -> None:
    """The angle of incidence is that of reflection: the mirror point sees both lenses under one angle."""
    setting = setting_of(3, SMALL, SMALL)
    point = np.append(mirror_point_mm(setting.camera, setting.projector), 0.0)
    eye, lamp = (d.at_mm - point for d in (setting.camera, setting.projector))
    assert eye[2] / np.linalg.norm(eye) == pytest.approx(lamp[2] / np.linalg.norm(lamp))
    ((u, v),) = at([point[:2].tolist()])
    assert shot(gloss=3.0)[v, u].min() >= 254
    assert shot(gloss=0.0)[v, u].max() < 200
    assert shot(0, gloss=3.0)[v, u].max() < 100  # it is the projector's light


def test_stains_are_few_and_elsewhere_nothing_changes() -> None:
    clean, stained = shot(), shot(stains=5)
    changed = np.abs(clean.astype(int) - stained).max(axis=2) > 12
    pixel_mm2 = (MAT_MM[1] / (0.93 * 360)) ** 2
    assert 5 * np.pi * 4.0**2 < changed.sum() * pixel_mm2 < 5 * np.pi * 32.0**2
