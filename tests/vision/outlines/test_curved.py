"""Curved pieces on generated frames: said to be curved, and their outline, area and least size.

References: a circle's area is pi r^2; a lens of two circles of radius r whose arcs sweep t has the area
r^2 (t - sin t) (two circular segments: CRC Standard Mathematical Tables, "Circle"); an ellipse pi a b. Shapely's
`minimum_rotated_rectangle` is an independent least size of shapes whose least width is a side of that rectangle.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from shapely import affinity

from tests.vision.exact import SENSOR, VIEW, camera, everywhere
from tests.vision.exact_cloth import Cloth, Mat, light_on_pixels
from tests.vision.exact_cover import encode
from vision.edge.picture import Picture
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.light import linear_image, mean_light
from vision.measure import Cloth as ClothHeight
from vision.measure import Trust, find_pieces, measure_units
from vision.outlines.curved import curved_piece, least_size
from vision.outlines.rough import rough_polygon
from vision.outlines.roundness import is_curved
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]
FLAT = ClothHeight(0.0, 0.0)  # drawn cloth has no thickness


def disc(radius_mm: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(radius_mm, quad_segs=180)


def melon(chord_mm: float, sweep_rad: float) -> shapely.Polygon:
    """Two arcs from tip to tip, each turning by `sweep_rad`."""
    radius = chord_mm / 2.0 / math.sin(sweep_rad / 2.0)
    off = radius * math.cos(sweep_rad / 2.0)
    circles = [shapely.Point(0, y).buffer(radius, quad_segs=720) for y in (-off, off)]
    return circles[0].intersection(circles[1])


def bowed(sides: int, radius_mm: float, bow: float) -> shapely.Polygon:
    """A regular polygon whose every side bows outward by this share of its length."""
    turns = np.arange(sides) * 2.0 * math.pi / sides
    corners = radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])
    places = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        ahead = b - a
        t = np.linspace(0.0, 1.0, 30, endpoint=False)[:, None]
        places.append(a + t * ahead + 4.0 * bow * t * (1.0 - t) * np.array([ahead[1], -ahead[0]]))
    return shapely.Polygon(np.vstack(places))


@lru_cache(maxsize=1)
def bare() -> MatPicture:
    light = light_on_pixels(VIEW, Mat(), [], optics_px=SENSOR.optics_px)
    return mat_picture(mean_light([encode(light, SENSOR, 100 + seed) for seed in range(8)]))


def laid(shape: shapely.Polygon, turn_deg: float) -> shapely.Polygon:
    return affinity.translate(affinity.rotate(shape, turn_deg, origin=(0, 0)), 171.3, 118.7)


def looked_at(shape: shapely.Polygon, seed: int = 3) -> tuple[bool, MeasuredUnit | None]:
    """Whether the shape is said to be curved, and what is measured of it as such."""
    corners = np.array(shapely.geometry.polygon.orient(shape, 1.0).exterior.coords)[:-1]
    cloth = Cloth(corners, (0.5, 0.55, 0.6), weave=0.02)
    pixels = encode(light_on_pixels(VIEW, Mat(), [cloth], optics_px=SENSOR.optics_px), SENSOR, seed)
    scene = compare_with_mat(linear_image(pixels), bare(), everywhere())
    (region,) = find_pieces(scene, camera(), everywhere()).regions
    rough = rough_polygon(region)
    assert rough is not None
    curved = is_curved(region, rough)
    looked = Picture.of(scene, camera(), FLAT.height_mm)
    return curved, curved_piece(looked, region, 0, FLAT, Trust()) if curved else None


CHORD, SWEEP = 90.0, math.radians(100.0)
LENS_RADIUS = CHORD / 2.0 / math.sin(SWEEP / 2.0)
CURVED = {
    "circle": (disc(40.0), math.pi * 40.0**2, 80.0),
    "small circle": (disc(12.0), math.pi * 12.0**2, 24.0),
    "melon": (
        melon(CHORD, SWEEP),
        LENS_RADIUS**2 * (SWEEP - math.sin(SWEEP)),
        2.0 * LENS_RADIUS * (1.0 - math.cos(SWEEP / 2.0)),
    ),
    "ellipse": (affinity.scale(disc(1.0), 45.0, 25.0), math.pi * 45.0 * 25.0, 50.0),
    "quarter": (disc(60.0).intersection(shapely.box(0, 0, 60, 60)), math.pi * 900.0, 60.0),
    "rounded ends": (shapely.LineString([(-35, 0), (35, 0)]).buffer(20, quad_segs=180), 400 * math.pi + 2800.0, 40.0),
}


@pytest.mark.parametrize("name", CURVED)
def test_curved_shapes_are_said_to_be_so_and_measured(name: str) -> None:
    shape, area_mm2, size_mm = CURVED[name]
    placed = laid(shape, 23.0)
    curved, unit = looked_at(placed)
    assert curved
    assert unit is not None
    assert unit.curved is not None
    assert unit.trouble is None
    assert unit.curved.area_mm2 == pytest.approx(area_mm2, abs=2.5 * unit.curved.area_u_mm2)
    assert unit.curved.area_u_mm2 < 0.012 * placed.length  # of the rim's whole length, about 0.03 px all around
    assert unit.curved.least_size_mm == pytest.approx(size_mm, abs=0.12)
    assert 64 <= len(unit.corners_mat_mm) <= 256
    assert shapely.Polygon(unit.corners_mat_mm).hausdorff_distance(placed) < 0.15
    assert shapely.Polygon(unit.corners_mat_mm).exterior.is_ccw


@pytest.mark.parametrize(
    "shape",
    [
        shapely.box(-30, -20, 30, 20),
        bowed(4, 40.0, 0.02),
        bowed(6, 45.0, -0.02),
        bowed(8, 50.0, 0.0),
        bowed(12, 60.0, 0.0),
        shapely.Polygon([(-50, -15), (50, -15), (0, 5)]),
    ],
    ids=["rectangle", "bowed square", "hollow hexagon", "octagon", "dodecagon", "flat triangle"],
)
def test_straight_sides_are_not_curved(shape: shapely.Polygon) -> None:
    assert not looked_at(laid(shape, 31.0))[0]


@pytest.mark.parametrize("turn_deg", [10.0, 35.0, 62.0])
def test_a_small_square_is_no_disc(turn_deg: float) -> None:
    """A rim in cells of 2 px rounds its corners off: of sides of 25 px that is a sixth at either end."""
    assert not looked_at(laid(shapely.box(-5, -5, 5, 5), turn_deg))[0]
    assert not looked_at(laid(shapely.Polygon([(-7, -4), (3, -4), (7, 4), (-3, 4)]), turn_deg))[0]


def test_corners_that_were_cut_off_are_no_measured_unit() -> None:
    """Of a square with its corners rounded off by 10 mm the straight sides are seen, but not all of its rim."""
    rounded = np.array(laid(shapely.box(-15, -15, 15, 15).buffer(10.0, quad_segs=60), 23.0).exterior.coords)[:0:-1]
    pixels = encode(light_on_pixels(VIEW, Mat(), [Cloth(rounded, (0.5, 0.55, 0.6))]), SENSOR, 3)
    scene = compare_with_mat(linear_image(pixels), bare(), everywhere())
    (unit,) = measure_units(scene, camera(), everywhere(), FLAT)
    assert unit.curved is not None or unit.trouble == "no_straight_sides"


def test_uncertainty_over_noises() -> None:
    """The same circle under other noises: the spread of its area agrees with what is said of it."""
    truth = laid(disc(15.0), 0.0)
    curved = [unit.curved for seed in range(4) for unit in (looked_at(truth, seed)[1],) if unit is not None]
    areas = [one.area_mm2 for one in curved if one is not None]
    assert len(areas) == 4
    off = np.array(areas) - truth.area
    stated = np.array([one.area_u_mm2 for one in curved if one is not None])
    assert float(np.mean((off / stated) ** 2)) < 2.0
    assert float(np.mean(np.abs(off))) < 0.02 * VIEW.mm_per_px * truth.length


def test_least_size_agrees_with_shapely() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        a, b = rng.uniform(5.0, 50.0, 2)
        box = affinity.rotate(shapely.box(0, 0, a, b), rng.uniform(0, 180))
        rectangle = np.array(box.minimum_rotated_rectangle.exterior.coords)
        sides = np.hypot(*np.diff(rectangle, axis=0).T)
        assert least_size(np.array(box.exterior.coords)[:-1]) == pytest.approx(float(sides.min()), abs=1e-4)


def test_a_rim_that_is_followed_into_a_knot_is_no_piece(monkeypatch: pytest.MonkeyPatch) -> None:
    """A photograph of printed squares whose ink was taken for the mat ended in the root of a negative area."""
    knot = np.array([[0.0, 0.0], [0.0, 9.0], [9.0, 9.0], [9.0, 0.0]])  # the wrong way round
    monkeypatch.setattr("vision.outlines.curved.rim_line", lambda chains, parts: knot)
    assert looked_at(laid(disc(12.0), 23.0)) == (True, None)
