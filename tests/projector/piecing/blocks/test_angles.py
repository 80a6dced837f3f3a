"""Diamonds, hexagons, rings and stars against published tables and the trade's rules."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from projector.piecing.blocks.catalogue import BlockError, block_of
from projector.piecing.patchwork.order import set_in_places
from projector.piecing.patchwork.patches import Patch, area_mm2
from projector.piecing.patchwork.stages import Stages

TABLES = Path(__file__).parents[4] / "fixtures" / "tables"
IN = 25.4


def rows_of(name: str) -> list[dict[str, float]]:
    with (TABLES / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [{key: float(value) for key, value in row.items()} for row in rows]


def angles_deg(patch: Patch) -> np.ndarray:
    """(N,) the inner angle at each corner."""
    back = np.roll(patch.corners_mm, 1, axis=0) - patch.corners_mm
    on = np.roll(patch.corners_mm, -1, axis=0) - patch.corners_mm
    cross = on[:, 0] * back[:, 1] - on[:, 1] * back[:, 0]
    return np.degrees(np.arctan2(cross, np.sum(on * back, axis=1)) % (2 * math.pi))


def sides_mm(patch: Patch) -> np.ndarray:
    return np.hypot(*(np.roll(patch.corners_mm, -1, axis=0) - patch.corners_mm).T)


@pytest.mark.parametrize("rows", [1, 2, 3, 5])
def test_the_star_is_so_many_times_the_side_of_its_points(rows: int) -> None:
    """Block = diamond side x (2 + sqrt 2) (published trade rule, there 3.41), strip finished x (2 + 2 sqrt 2)."""
    block = block_of("eight-pointed star", 14 * IN, {"rows": str(rows)})
    diamonds = [patch for patch in block.patches if patch.fabric != "ground"]
    assert len(diamonds) == 8 * rows**2
    for patch in diamonds:
        side = sides_mm(patch)
        assert side * rows * (2 + math.sqrt(2)) == pytest.approx([14 * IN] * 4, abs=1e-9)
        assert sorted(angles_deg(patch)) == pytest.approx([45, 45, 135, 135], abs=1e-9)
        assert side * math.sin(math.pi / 4) * rows * (2 + 2 * math.sqrt(2)) == pytest.approx([14 * IN] * 4, abs=1e-9)
    assert set_in_places(block.piece) == 8  # four squares, four triangles: common practice, no source


@pytest.mark.parametrize("row", rows_of("diamonds_45_60.csv"), ids=lambda row: f"{row['acute_angle_deg']:.0f} deg")
def test_diamonds_have_the_published_sizes(row: dict[str, float]) -> None:
    """fixtures/tables/diamonds_45_60.csv, six printed decimals."""
    if row["acute_angle_deg"] == 45:
        block = block_of("eight-pointed star", row["side"] * (2 + math.sqrt(2)) * IN, {"rows": "1"})
    else:
        block = block_of("hexagon of three diamonds", row["side"] * math.sqrt(3) * IN, {})
    patch = next(patch for patch in block.patches if patch.fabric != "ground")
    a, b, c, d = patch.corners_mm / IN
    assert sorted([math.dist(a, c), math.dist(b, d)]) == pytest.approx(
        [row["short_diagonal"], row["long_diagonal"]], abs=2e-6
    )
    assert patch.area_mm2 / IN**2 == pytest.approx(row["area"], abs=1e-5)


@pytest.mark.parametrize("name", ["hexagon of three diamonds", "hexagon of six diamonds", "hexagon of triangles"])
def test_hexagons_have_the_published_proportions(name: str) -> None:
    """fixtures/tables/regular_polygons.csv, n = 6, nine printed decimals: side for across flats 1, and area."""
    row = next(row for row in rows_of("regular_polygons.csv") if row["n"] == 6)
    block = block_of(name, 100.0, {})
    side = sides_mm(Patch("", block.outline_mm))
    assert side == pytest.approx([100 * row["side_for_inradius_0.5"]] * 6, abs=1e-6)
    assert area_mm2(block.outline_mm) == pytest.approx(row["area_side1"] * side[0] ** 2, abs=1e-4)
    assert angles_deg(Patch("", block.outline_mm)) == pytest.approx([row["interior_angle_deg"]] * 6, abs=1e-9)


def test_sixty_degree_patches_have_sixty_degrees() -> None:
    for name in ("hexagon of triangles", "row of triangles"):
        for patch in block_of(name, 77.0, {}).patches:
            assert angles_deg(patch) == pytest.approx([60] * 3, abs=1e-9)
    for patch in block_of("hexagons", 77.0, {"rounds": "2"}).patches:
        assert angles_deg(patch) == pytest.approx([120] * 6, abs=1e-9)


@pytest.mark.parametrize("rounds", [1, 2, 4])
def test_hexagons_about_one_are_one_and_three_r_times_r_plus_one(rounds: int) -> None:
    """1 + 3 r (r + 1), the centred hexagonal numbers (mathematics, from memory)."""
    block = block_of("hexagons", 300.0, {"rounds": str(rounds)})
    assert len(block.patches) == 1 + 3 * rounds * (rounds + 1)
    for k, fabric in enumerate(["first", "second", "third", "fourth"][:rounds]):
        assert sum(patch.fabric == fabric for patch in block.patches) == 6 * (k + 1)


def test_rows_of_triangles_in_a_hexagon_are_six_n_squared() -> None:
    assert len(block_of("hexagon of triangles", 300.0, {"rows": "4"}).patches) == 6 * 16


@pytest.mark.parametrize("n", [3, 5, 8, 12, 17, 30])
def test_wedges_of_the_nth_part_close_the_circle(n: int) -> None:
    """n units of 360/n degrees, each side cut at the complement of half its angle (common practice, no source)."""
    block = block_of("ring of wedges", 20 * IN, {"wedges": str(n), "middle": "polygon"})
    wedges = [patch for patch in block.patches if patch.fabric in ("first", "second")]
    assert len(wedges) == n
    total = 0.0
    for wedge in wedges:
        inner, _, _, outer = np.sort(angles_deg(wedge))[[3, 2, 1, 0]]
        assert outer == pytest.approx(90 - 180 / n, abs=1e-9)
        assert inner == pytest.approx(90 + 180 / n, abs=1e-9)
        total += 180 - 2 * outer
    assert total == pytest.approx(360, abs=1e-9)
    assert set_in_places(block.piece) == n


def test_an_octagon_of_wedges_has_the_published_proportions() -> None:
    """fixtures/tables/regular_polygons.csv, n = 8: side, across corners (circumradius) and area, nine decimals."""
    row = next(row for row in rows_of("regular_polygons.csv") if row["n"] == 8)
    given = {"wedges": "8", "across": "10 in", "middle": "polygon", "centre": "4 in"}
    block = block_of("ring of wedges", 12 * IN, given)
    side = 5 * IN / row["circumradius_side1"]
    inside = [patch for patch in block.patches if patch.fabric != "ground"]
    assert sum(patch.area_mm2 for patch in inside) == pytest.approx(row["area_side1"] * side**2, rel=1e-8)
    assert max(sides_mm(inside[0])) == pytest.approx(side, rel=1e-8)


def test_a_centre_too_small_for_its_wedges_is_refused_with_the_least() -> None:
    """Inner end 2 r sin(180/n) = 1/4 in: 16 wedges need 1.28 in across (plain trigonometry)."""
    with pytest.raises(BlockError, match=r"centre = \"1 1/4 in\" does not fit; it must be at least 32.55 mm"):
        block_of("ring of wedges", 12 * IN, {"wedges": "16", "centre": "1 1/4 in"})
    block = block_of("ring of wedges", 12 * IN, {"wedges": "16", "centre": "32.5494 mm"})
    assert min(sides_mm(block.patches[0])) == pytest.approx(IN / 4, abs=1e-4)
    assert block.discs[0].radius_mm == pytest.approx(32.5494 / 2, abs=1e-9)


def test_a_ring_with_a_disc_over_its_middle_has_straight_seams_only() -> None:
    block = block_of("ring of wedges", 12 * IN, {"wedges": "16", "rings": "3"})
    assert set_in_places(block.piece) == 0
    stages = Stages(block, IN / 4)
    closing = stages.seam_mm(stages.joins[-1])
    assert len(closing) == 4  # on both sides of the disc
    assert set(stages.stage(block.piece).sides) == {"rim"}
    assert stages.stage(block.patches[0]).sides.count("rim") == 1  # its inner end
