"""Walls and shadows of the virtual cloth, held against similar triangles worked by hand. Pictures are generated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, strip
from projector.rehearsal.things.layers import cloth_layer, sights
from projector.rehearsal.things.relief import shade_of, walls_of

SMOOTH = np.ones((256, 256), np.float32)
HIGH_MM, LONG_MM, WIDE_MM = 3.0, 120.0, 60.0
SIDES = ("lower", "end", "upper", "far")


@pytest.fixture(scope="module")
def setting() -> Setting:
    return setting_of(5)


@pytest.fixture(scope="module")
def piece() -> Piece:
    """In a corner of the mat, so that lens and lamp both stand to one side of it."""
    cloth = strip(ClothToLay("two", LONG_MM, WIDE_MM, (40.0,), ("white", "red")))
    return replace(cloth.moved(Pose(120.0, 90.0, 0.1)), thickness_mm=HIGH_MM)


def reach_mm(piece: Piece, side: str, lens_mm: np.ndarray) -> float:
    """By how much a side's upper edge is thrown outward, on the mat, by a lens over it: similar triangles."""
    ends = piece.side_mat_mm(side)
    assert ends is not None
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    outward = np.array([along[1], -along[0]])
    return float(outward @ (ends.mean(axis=0) - lens_mm[:2])) * HIGH_MM / (lens_mm[2] - HIGH_MM)


def px_mm2(setting: Setting, piece: Piece) -> float:
    """What a camera pixel shows of the mat there."""
    corner = setting.camera.px_from_level(piece.corners_mat_mm, 0.0)
    x, y = corner.T
    return piece.area_mm2 / abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def test_walls_that_face_the_camera_show_as_much_as_they_must(setting: Setting, piece: Piece) -> None:
    ground, upper = sights(setting, 0.0), sights(setting, HIGH_MM)
    top = cloth_layer(setting, upper, piece, SMOOTH)
    walls = walls_of(setting, ground, piece, top)
    shown = 0.0
    for wall in walls:
        rows, columns = (slice(a.start - b.start, a.stop - b.start) for a, b in zip(wall.box, top.box, strict=True))
        shown += float(np.sum(wall.cover * (1.0 - top.cover[rows, columns])))
    lengths = {"lower": WIDE_MM, "upper": WIDE_MM, "end": LONG_MM, "far": LONG_MM}
    seen = {side: -reach_mm(piece, side, setting.camera.at_mm) for side in SIDES}
    expected = sum(lengths[side] * max(0.0, mm) for side, mm in seen.items())
    assert expected > 60.0
    assert shown * px_mm2(setting, piece) == pytest.approx(expected, rel=0.03)  # a lens bends; corners overlap
    assert len(walls) == sum(mm > 0 for side, mm in seen.items() for _ in range(2 if side in ("end", "far") else 1))


def test_the_lamp_throws_the_upper_side_onto_the_mat(setting: Setting, piece: Piece) -> None:
    shade = shade_of(setting, sights(setting, 0.0), piece)
    hidden = {side: max(0.0, reach_mm(piece, side, setting.camera.at_mm)) for side in SIDES}  # by the cloth itself
    dark = {side: max(0.0, reach_mm(piece, side, setting.projector.at_mm)) for side in SIDES}
    lengths = {"lower": WIDE_MM, "upper": WIDE_MM, "end": LONG_MM, "far": LONG_MM}
    expected = sum(lengths[side] * (max(dark[side], hidden[side])) for side in SIDES) + piece.area_mm2
    bare = np.where(shade.lamp > 0.0, shade.lamp, 0.0)
    assert np.sum(1.0 - bare) * px_mm2(setting, piece) == pytest.approx(expected, rel=0.02)


def test_the_ceiling_is_half_hidden_at_the_foot_and_hardly_farther_off(setting: Setting, piece: Piece) -> None:
    shade = shade_of(setting, sights(setting, 0.0), piece)
    assert shade.room.min() == pytest.approx(0.5, abs=1e-3)
    assert shade.room.max() > 0.99
    assert np.all(shade.room <= 1.0)


def test_what_has_no_thickness_has_neither(setting: Setting, piece: Piece) -> None:
    flat = replace(piece, thickness_mm=0.0)
    ground = sights(setting, 0.0)
    assert walls_of(setting, ground, flat, cloth_layer(setting, ground, flat, SMOOTH)) == ()
    shade = shade_of(setting, ground, flat)
    outside = shade.room > 0.51
    assert shade.lamp[outside].min() > 0.999
