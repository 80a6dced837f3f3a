"""Plans of every block of the library carried out on virtual strips by shapely: the units that are promised, as many
as are promised, none a mirror image, and every square millimetre of cloth accounted for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, box
from shapely.ops import unary_union

from projector.piecing.blocks.catalogue import BlockError, Recipe, block_of, recipes
from projector.piecing.cutting.lines import parallel_cuts, turned_cuts
from projector.piecing.cutting.rows import laid_row, lying
from projector.piecing.cutting.yardage import cloths
from projector.piecing.making import Made, Wishes, plan_of
from projector.piecing.patchwork.patches import area_mm2
from projector.piecing.patchwork.raw import grown
from projector.piecing.plans import Making, Strip, Unit, expected_shape
from projector.piecing.tables import PlanError
from tests.projector.piecing.blocks.test_blocks import given_values
from tests.projector.piecing.cutting.virtual import Floats, apart, bends, cut_up, same_side_up, turnings_on

IN = 25.4
MOST_PATCHES = 60  # larger blocks only take longer
ENOUGH = 4  # random plans of each recipe, refused ones not counted


def bands_of(strip: Strip) -> list[Polygon]:
    """What shows of each strip of a set, as it lies once it is sewn."""
    edges = [0.0, *strip.seams_mm, strip.width_mm]
    starts = [0.0, *np.cumsum(strip.stagger_mm)] if strip.stagger_mm else [0.0] * len(strip.fabrics)
    return [box(x, edges[k], x + strip.length_mm, edges[k + 1]) for k, x in enumerate(starts)]


def ring(shape: Polygon) -> Floats:
    corners = np.array(shape.exterior.coords)[:-1]
    return corners if area_mm2(corners) > 0.0 else corners[::-1]


def cut_pieces(made: Made, unit: Unit) -> tuple[list[Polygon], list[Polygon]]:
    """The units that one strip gives when its cuts are carried out, and the cloth it was before."""
    plan = made.plan
    if unit.cut:
        strip = plan.strip(unit.cut.strip)
        bands = bands_of(strip)
        return cut_up(unary_union(bands), parallel_cuts(strip, unit.cut)), bands
    assert unit.lay
    strip = plan.strip(unit.lay.strip)
    cloth = box(0, 0, strip.length_mm, strip.width_mm)
    corners = expected_shape(plan, unit).corners_mm
    row = [Polygon(one) for one in laid_row(strip, unit.lay, corners)]
    assert all(cloth.buffer(1e-3).covers(one) for one in row)
    if unit.lay.way == "turned":
        pieces = cut_up(cloth, turned_cuts(lying(corners), unit.lay.per_strip, strip.true_margin_mm))
        assert all(a.symmetric_difference(b).area < 1e-6 * a.area for a, b in zip(pieces, row, strict=True))
    else:
        pieces = row
        assert apart(row)
    return pieces, [cloth]


def check_pieces(made: Made, unit: Unit, pieces: Sequence[Polygon]) -> None:
    """Every piece is the unit that is promised, and that of the block, right side up, each fabric in its place."""
    promised = expected_shape(made.plan, unit).corners_mm
    assert all(same_side_up(ring(piece), promised) for piece in pieces)
    if unit.name not in made.kinds:
        return  # a disc
    stage = made.kinds[unit.name].stage
    mitred = grown(stage.finished_mm, made.plan.seam_allowance_mm)
    assert same_side_up(promised, mitred) or same_side_up(promised, stage.raw_mm)
    if unit.cut:
        strip = made.plan.strip(unit.cut.strip)
        block = made.stages.block
        places = [(block.patches[i].fabric, block.patches[i].corners_mm.mean(axis=0)) for i in stage.patches]
        bands = list(zip(strip.fabrics, bands_of(strip), strict=True))
        fits = turnings_on(bends(mitred), bends(ring(pieces[0])))
        assert any(
            all(
                any(band.covers(Point(place @ turn + move)) for own, band in bands if own == fabric)
                for fabric, place in places
            )
            for turn, move in fits
        )


def check_plan(made: Made) -> None:
    plan, block = made.plan, made.stages.block
    assert plan.making is not None
    usable, make = plan.making.usable_mm, plan.making.make
    used: dict[str, float] = {}
    wasted: dict[str, float] = {}
    patches = 0
    for unit in plan.units:
        source = unit.cut or unit.lay
        if source is None:
            continue
        strip = plan.strip(source.strip)
        pieces, cloth = cut_pieces(made, unit)
        check_pieces(made, unit, pieces)
        gives = len(pieces)
        assert gives * (strip.count - 1) < source.make <= gives * strip.count
        if unit.name in made.kinds:
            patches += source.make * len(made.kinds[unit.name].stage.patches)
        # Of raw cloth: what a seam takes of both strips beside it lies under the other one's band.
        s = plan.seam_allowance_mm
        widths = strip.bands_mm or (strip.width_mm,)
        for fabric, band, wide in zip(strip.fabrics, cloth, widths, strict=True):
            tall = band.bounds[3] - band.bounds[1]
            part = [piece.intersection(band) for piece in pieces]
            share = [one.area * wide / tall if len(cloth) > 1 else one.area for one in part]
            assert len(cloth) == 1 or wide == pytest.approx(
                tall + s * (1 + (band is not cloth[0] and band is not cloth[-1]))
            )
            taken = sum(share) / gives * source.make
            used[fabric] = used.get(fabric, 0.0) + taken
            wasted[fabric] = wasted.get(fabric, 0.0) + strip.count * wide * usable - taken
    assert patches == make * len(block.patches)
    strips = [
        (fabric, wide)
        for strip in plan.strips
        for fabric, wide in zip(strip.fabrics, strip.bands_mm or (strip.width_mm,), strict=True)
        for _ in range(strip.count)
    ]
    raw = raw_areas(made)
    for cloth in cloths(strips, raw, usable):
        assert cloth.needed_mm == pytest.approx(next(f.need_mm for f in plan.fabrics if f.name == cloth.fabric))
        assert cloth.used_mm2 == pytest.approx(
            used[cloth.fabric], rel=1e-5
        )  # what is cut is what the block's patches are
        assert cloth.wasted_mm2 == pytest.approx(wasted[cloth.fabric], rel=1e-5, abs=1.0)
        assert cloth.wasted_mm2 > 0.0


def raw_areas(made: Made) -> dict[str, float]:
    """Of each fabric in all blocks' raw patches, from the block itself: mitred where they are cut straight."""
    s, block, making = made.plan.seam_allowance_mm, made.stages.block, made.plan.making
    assert making is not None
    areas: dict[str, float] = {}
    for unit in made.plan.units:
        if unit.name not in made.kinds or not (unit.cut or unit.lay):
            continue
        for piece in made.kinds[unit.name].pieces:
            for number in made.stages.faces(piece):
                patch = block.patches[number]
                trimmed = unit.lay is not None and unit.lay.way == "nested"
                raw = made.kinds[unit.name].stage.raw_mm if trimmed else grown(patch.corners_mm, s)
                areas[patch.fabric] = areas.get(patch.fabric, 0.0) + making.make * area_mm2(raw)
    for disc in block.discs:
        sides = 64  # of the polygon that stands for a disc
        area = sides / 2.0 * (disc.radius_mm + s) ** 2 * math.sin(2.0 * math.pi / sides)
        areas[disc.fabric] = areas.get(disc.fabric, 0.0) + making.make * area
    return areas


def check_steps(made: Made) -> None:
    """As many of each unit are made as later steps take, and as many blocks as are asked for."""
    plan = made.plan
    assert plan.making is not None
    made_of = {unit.name: source.make for unit in plan.units if (source := unit.cut or unit.lay)}
    made_of |= {step.makes: step.count for step in plan.steps}
    taken = dict.fromkeys(made_of, 0)
    for step in plan.steps:
        for name in step.sew:
            taken[name] += step.count
    last = plan.steps[-1].makes if plan.steps else next(iter(made_of))
    for name, count in made_of.items():
        if not name.endswith(" disc"):
            assert taken[name] == (0 if name == last else count)
    assert made_of[last] == plan.making.make


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
@pytest.mark.parametrize(("finish_mm", "make"), [(12 * IN, 30), (190.0, 7)])
def test_the_plan_of_a_block_gives_what_it_promises(recipe: Recipe, finish_mm: float, make: int) -> None:
    made = plan_of(block_of(recipe.name, finish_mm, {}), Making(recipe.name, finish_mm, make), Wishes())
    check_plan(made)
    check_steps(made)


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
def test_plans_of_random_parameters_give_what_they_promise(recipe: Recipe) -> None:
    tried = []

    @settings(max_examples=30, deadline=None)
    @given(
        st.floats(100.0, 500.0),
        given_values(recipe),
        st.integers(1, 40),
        st.floats(700.0, 1200.0),
        st.floats(3.0, 10.0),
    )
    def run(finish_mm: float, values: dict[str, str], make: int, usable_mm: float, seam_mm: float) -> None:
        if len(tried) == ENOUGH:
            return
        try:
            block = block_of(recipe.name, finish_mm, values)
            if len(block.patches) > MOST_PATCHES:
                return
            made = plan_of(block, Making(recipe.name, finish_mm, make, usable_mm), Wishes(seam_mm))
        except (BlockError, PlanError):
            return
        tried.append(made)
        check_plan(made)
        check_steps(made)

    run()
    assert tried
