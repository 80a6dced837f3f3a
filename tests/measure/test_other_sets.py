"""The generator of unseen tables draws what its truth says, and a small table of it is found and measured."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from tests.measure.other_laying import Piece
from tests.measure.other_light import Eye, Lamp, Prism, Surface, seen
from tests.measure.other_score import measured, score
from tests.measure.other_sets import row
from tests.measure.other_tables import Table, table
from tests.vision.exact_cloth import grey
from tests.vision.exact_cover import Sensor
from vision.comparing.expected import ExpectedShape
from vision.units import Judged

BLACK = Surface((240.0, 150.0), grey(0.0), grey(0.0), 0.0, 0.0, 4, 25.4, 0.0, 0.0, 0.0, 0, grey(0.0))
GREEN = replace(
    BLACK, light=(0.05, 0.1, 0.05), line=(0.2, 0.25, 0.2), line_mm=0.5, bold_mm=0.5, mottle=0.02, grain=0.01
)
ABOVE = Lamp(grey(1.0), ((0.0, 0.0),))
SQUARE = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])


def eye(tilt_rad: float = 0.2, bend: float = -0.25) -> Eye:
    c, s = math.cos(tilt_rad), math.sin(tilt_rad)
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, -c, -s], [0.0, s, -c]])
    matrix = np.array([[520.0, 0.0, 239.5], [0.0, 520.0, 149.5], [0.0, 0.0, 1.0]])
    lens = np.array([120.0, 75.0 - 260.0 * math.tan(tilt_rad), 260.0])
    return Eye((480, 300), matrix, np.array([bend, 0.05, 0.001, -0.001, 0.0]), rotation, -rotation @ lens)


def test_places_go_to_pixels_and_back_as_the_rig_has_them() -> None:
    one, points = eye(), np.array([[20.0, 20.0], [200.0, 30.0], [120.0, 140.0]])
    assert one.mm_of(one.px_of(points)) == pytest.approx(points, abs=1e-6)
    assert one.pinhole().px_from_mat(points, 3.0) == pytest.approx(one.px_of(points, 3.0), abs=1e-9)


@pytest.mark.parametrize("height_mm", [1e-6, 2.0])
def test_cloth_covers_as_many_pixels_as_its_outline(height_mm: float) -> None:
    """White on black: the picture's light is the area of the top as projected, and lamps above leave walls dark."""
    one, outline = eye(), SQUARE + np.array([90.0, 40.0])
    light = seen(one, BLACK, [Prism(outline, height_mm, grey(1.0))], (ABOVE,), 0.7)
    rim = np.concatenate(
        [a + np.linspace(0, 1, 200)[:, None] * (b - a) for a, b in zip(outline, np.roll(outline, -1, 0), strict=True)]
    )
    assert light[..., 1].sum() == pytest.approx(shapely.Polygon(one.px_of(rim, height_mm)).area, rel=2e-4)


def test_a_lamp_aside_throws_a_shadow_as_long_as_the_cloth_is_high() -> None:
    """White mat, black cloth 2 mm high, a lamp at the slope 1.5: what is dark is the cloth swept by 3 mm."""
    one, outline = eye(tilt_rad=0.0, bend=0.0), SQUARE + np.array([95.0, 50.0])
    white = replace(BLACK, light=grey(1.0), beyond=grey(1.0))
    dark = 1.0 - seen(one, white, [Prism(outline, 2.0, grey(0.0))], (Lamp(grey(1.0), ((1.5, 0.0),)),), 0.7)[..., 1]
    px_per_mm = 2.0
    top = 50.0 * px_per_mm * 260.0 / 258.0
    hidden_left = (top - 50.0 * px_per_mm) / 2.0  # of the mat, by the raised top
    assert dark.sum() == pytest.approx(top**2 + (3.0 * px_per_mm - hidden_left) * 50.0 * px_per_mm, rel=2e-3)


@cache
def small() -> Table:
    wanted = ExpectedShape("square(50 mm)", SQUARE)
    pieces = [
        Piece(Prism(SQUARE + np.array([25.0, 30.0]), 0.4, grey(0.7)), "straight", "solid", wanted),
        Piece(Prism(SQUARE + np.array([85.0, 60.0]), 0.4, (0.05, 0.1, 0.5)), "straight", "solid", wanted),
        Piece(
            Prism(SQUARE * [1.02, 1.0] + np.array([160.0, 45.0]), 0.4, grey(0.5)),
            "straight",
            "solid",
            wanted,
            "side off",
        ),
    ]
    sensor = Sensor(0.7, 38.0, jpeg=93, grey=False)
    lamps = (Lamp(grey(0.7), ((0.2, 0.1), (-0.2, -0.1))), Lamp(grey(0.3), sky=True))
    return Table(1, eye(), eye(), GREEN, lamps, sensor, 1.0, 1.0, tuple(pieces), 2, ("small",))


@cache
def found() -> tuple[Judged, ...]:
    return measured(small(), small().picture(), small().bare_pictures())


def test_a_small_table_is_measured_through_its_tilted_bent_lens() -> None:
    one = small()
    scored = score(one, found())
    assert (scored.units, scored.found, scored.again, scored.wrong, scored.invented) == (3, 3, 0, 0, 0)
    assert (scored.false_fits, scored.false_misses, scored.split, scored.merged) == (0, 0, 0, 0)
    widths = scored.of("width")
    assert np.abs(widths[:, 0]).max() < 0.1  # mm; what the product states for cloth that stands out
    assert row("small", [scored])[:4] == ["small", "1", "3", "3"]


def test_what_is_amiss_is_told() -> None:
    """Nothing measured is all missed; what was measured of another table is missed and invented."""
    one = small()
    assert score(one, ()).found == 0
    assert len(score(one, ()).told) == 3
    away = replace(
        one,
        pieces=tuple(
            replace(p, cloth=replace(p.cloth, outline_mat_mm=p.cloth.outline_mat_mm + 300.0)) for p in one.pieces
        ),
    )
    assert (score(away, found()).found, score(away, found()).invented) == (0, 3)


def test_a_table_is_its_seed_alone() -> None:
    one, again, other = table(3), table(3), table(4)
    assert one.conditions == again.conditions
    assert [p.cloth.outline_mat_mm.tolist() for p in one.pieces] == [
        p.cloth.outline_mat_mm.tolist() for p in again.pieces
    ]
    assert one.conditions != other.conditions


def test_pieces_do_not_overlap_and_are_seen() -> None:
    for seed in range(6):
        one = table(seed)
        laid = [shapely.Polygon(p.cloth.outline_mat_mm) for p in one.pieces]
        apart = [shapely.distance(a, b) for i, a in enumerate(laid) for b in laid[:i]]
        assert min(apart, default=9.0) >= 3.0 - 1e-3
        for piece in one.pieces:
            if piece.kind != "hanging off":
                px = one.eye.px_of(piece.cloth.outline_mat_mm)
                assert px.min() > 0
                assert np.all(px.max(axis=0) < one.eye.size_px)


def test_cloth_darker_than_its_mat_has_a_true_uncertainty_where_much_light_comes_from_all_around() -> None:
    """Its shadow falls off otherwise than assumed and looks like more cloth: the mean (error/u)² of widths was 2.5."""
    aside = tuple((0.2 + 0.35 * math.cos(t), 0.1 + 0.35 * math.sin(t)) for t in 0.9 * np.arange(7))
    one = replace(
        small(),
        lamps=(Lamp(grey(0.55), aside), Lamp(grey(0.45), sky=True)),
        mat=replace(GREEN, light=grey(0.6), line=grey(0.4)),
        pieces=tuple(replace(p, cloth=replace(p.cloth, fabric=grey(0.3))) for p in small().pieces),
    )
    widths = score(one, measured(one, one.picture(), one.bare_pictures())).of("width")
    assert len(widths) == 6
    assert np.mean((widths[:, 0] / widths[:, 1]) ** 2) < 1.5
    assert np.mean(widths[:, 0]) < 0.07  # mm; it was 0.08
