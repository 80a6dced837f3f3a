"""Every block of the library over random parameters: patches tile it, each is sewn in once, along one seam a join."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from projector.piecing.blocks.catalogue import BlockError, Recipe, block_of, recipes
from projector.piecing.lengths import length_mm
from projector.piecing.patchwork.patches import Block
from projector.piecing.patchwork.stages import Stages
from tests.projector.piecing.blocks.wholeness import check

IN = 25.4
COUNTS_TRIED = 7  # larger ones only take longer


@st.composite
def given_values(draw: st.DrawFn, recipe: Recipe) -> dict[str, str]:
    """Some of a recipe's parameters, written as a person does."""
    values = {}
    for parameter in recipe.parameters:
        if parameter.choices and draw(st.booleans()):
            values[parameter.name] = draw(st.sampled_from(parameter.choices))
        elif parameter.kind == "count":
            most = int(min(parameter.most, max(parameter.least, COUNTS_TRIED)))
            values[parameter.name] = str(draw(st.integers(int(parameter.least), most)))
        elif parameter.kind in ("length", "share") and draw(st.booleans()):
            percent = draw(st.floats(100 * parameter.least, 100 * min(parameter.most, 1.0)))
            values[parameter.name] = f"{percent:.3f} %"
    return values


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
def test_the_defaults_of_every_recipe_make_a_block_at_any_size(recipe: Recipe) -> None:
    for finish_mm in (6 * IN, 360.0, 20 * IN):
        check(block_of(recipe.name, finish_mm, {}))


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
def test_a_block_of_random_parameters_is_whole_or_refused_in_one_line(recipe: Recipe) -> None:
    made, refusals = list[Block](), list[str]()

    @settings(max_examples=25, deadline=None)
    @given(st.floats(20.0, 900.0), given_values(recipe))
    def run(finish_mm: float, values: dict[str, str]) -> None:
        try:
            block = block_of(recipe.name, finish_mm, values)
        except BlockError as error:
            refusals.append(str(error))
        else:
            made.append(block)
            check(block)

    run()
    for line in refusals:
        assert line.startswith(f"{recipe.name}: ")
        assert "; " in line
        assert "\n" not in line
    if recipe.name != "compass star":  # most stars at random are none; test_compass.py draws such as can be
        assert len(made) >= 3  # not all are refused


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
def test_size_alone_scales_a_block(recipe: Recipe) -> None:
    """Defaults are shares, so twice the size is the same block twice as large; closed forms do not drift."""
    shares = {p.name: "0 mm" for p in recipe.parameters if p.name == "seam_allowance"}
    one, two = block_of(recipe.name, 200.0, shares), block_of(recipe.name, 400.0, shares)
    for small, large in zip(one.patches, two.patches, strict=True):
        assert np.allclose(2.0 * small.corners_mm, large.corners_mm, rtol=0.0, atol=1e-9)
        assert small.fabric == large.fabric


def test_three_strips_cut_two_and_a_half_finish_at_six() -> None:
    """Three 2 1/2 in strips -> 6 1/2 raw, 6 finished (published teaching handout)."""
    stages = Stages(block_of("rail", 6 * IN, {}), IN / 4)
    widths = [np.ptp(stages.stage(patch).raw_mm[:, 0]) for patch in stages.block.patches]
    assert widths == pytest.approx([2.5 * IN] * 3, abs=1e-9)
    whole = stages.stage(stages.block.piece)
    assert np.ptp(whole.raw_mm, axis=0) == pytest.approx([6.5 * IN] * 2, abs=1e-9)


def test_a_goose_and_its_sky_are_cut_from_the_usual_squares() -> None:
    """Goose W x W/2: large square W + s (2 + 2 sqrt 2), small ones W/2 + s (2 + sqrt 2) (trade rule, from memory)."""
    from projector.piecing.patchwork.raw import grown

    sky, goose = sorted(block_of("flying geese", 4 * IN, {}).patches, key=lambda p: p.fabric == "goose")[1:]
    long = np.ptp(grown(goose.corners_mm, IN / 4)[:, 0])
    assert long == pytest.approx(4 * IN + IN / 4 * (2 + 2 * math.sqrt(2)), abs=1e-9)
    leg = np.ptp(grown(sky.corners_mm, IN / 4)[:, 0])
    assert leg == pytest.approx(2 * IN + IN / 4 * (2 + math.sqrt(2)), abs=1e-9)


def test_logs_and_centre_fill_the_block() -> None:
    """2 x rounds x log + centre = finished size (plain arithmetic)."""
    block = block_of("log cabin", 10 * IN, {"rounds": "2", "log": "1 1/2 in"})
    assert np.ptp(block.patches[0].corners_mm[:, 0]) == pytest.approx(4 * IN, abs=1e-9)
    with pytest.raises(BlockError, match=r"log cabin: centre = \"3 in\" does not fit; it must be 4 in"):
        block_of("log cabin", 10 * IN, {"rounds": "2", "log": "1 1/2 in", "centre": "3 in"})
    with pytest.raises(BlockError, match=r"must be at most 63\.43 mm"):
        block_of("log cabin", 10 * IN, {"rounds": "2", "log": "2 1/2 in"})


@pytest.mark.parametrize(
    ("name", "finish_mm", "values", "said"),
    [
        ("nine pach", 100.0, {}, 'did you mean "nine patch"?'),
        ("x" * 5000, 100.0, {}, "known are rail"),
        ("rail", math.nan, {}, "1 mm to 10 m"),
        ("rail", 1e308, {}, "1 mm to 10 m"),
        ("rail", 100.0, {"strip": "3"}, 'did you mean "strips"?'),
        ("nine patch", 100.0, {"n": "3"}, "it has none"),
        ("rail", 100.0, {"strips": "-3"}, "must be a whole number"),
        ("rail", 100.0, {"strips": "9" * 4000}, "must be a whole number"),
        ("rail", 100.0, {"strips": "100000"}, "1 to 60"),
        ("log cabin", 100.0, {"log": "1/0 %"}, "must be a length"),
        ("log cabin", 100.0, {"log": "1e308 in"}, "must be a length"),
        ("log cabin", 100.0, {"log": "2 in"}, "0.1 % to 50 % of the finished size (0.1 mm to 50 mm)"),
        ("half-square triangles", 100.0, {"setting": "pinwheels"}, 'did you mean "pinwheel"?'),
    ],
)
def test_a_mistake_is_one_line_with_what_would_be_right(
    name: str, finish_mm: float, values: dict[str, str], said: str
) -> None:
    with pytest.raises(BlockError) as caught:
        block_of(name, finish_mm, values)
    line = str(caught.value)
    assert said in line
    assert "\n" not in line
    assert len(line) < 400


def test_a_name_is_known_however_it_is_spelled() -> None:
    assert block_of("Log_Cabin", 100.0, {}).name == block_of("log-cabin", 100.0, {}).name == "log cabin"


@pytest.mark.parametrize(
    ("name", "values", "key"),
    [
        ("ring of wedges", {"wedges": "17", "centre": "1 %"}, "centre"),
        ("ring of wedges", {"centre": "95 %"}, "centre"),
        ("compass star", {"centre": "1 %"}, "centre"),
        ("compass star", {"centre": "1 %", "width_1": "1 in"}, "centre"),
        ("compass star", {"centre": "1 %", "middle": "square"}, "centre"),
        ("compass star", {"points": "8", "ranks": "2", "tip_2": "11 %"}, "tip_2"),
        ("log cabin", {"log": "40 mm"}, "log"),
        ("log cabin", {"log": "20 mm", "centre": "20 mm"}, "centre"),
    ],
)
def test_what_would_be_right_is_right(name: str, values: dict[str, str], key: str) -> None:
    """The length that a refusal names is taken when it is written in its place; one of a hundredth less is not."""
    with pytest.raises(BlockError) as caught:
        block_of(name, 200.0, values)
    found = re.search(r"(?:at least|at most|from|must be) (\d[\d ./]*(?:mm|in))", str(caught.value))
    assert found
    assert f"{key} = " in str(caught.value)
    right_mm = length_mm(found[1])
    block_of(name, 200.0, {**values, key: found[1]})
    if "at least" in str(caught.value):
        with pytest.raises(BlockError):
            block_of(name, 200.0, {**values, key: f"{right_mm - 0.011:.6f} mm"})
