"""Plans of all blocks survive their file; a hand-edited one with a mistake is told in one line."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from projector.piecing.blockmaking import block_to_make
from projector.piecing.blocks.catalogue import BlockError, Recipe, recipes
from projector.piecing.making import Wishes, plan_of
from projector.piecing.planreading import plan_from_text, plan_text
from projector.piecing.plans import Making, OwnDisc, OwnPatch, Plan
from projector.piecing.tables import PlanError


def plan_for(making: Making, wishes: Wishes | None = None) -> Plan:
    return plan_of(block_to_make(making), making, wishes or Wishes()).plan


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.name)
@settings(max_examples=6, deadline=None)
@given(st.data())
def test_a_plan_of_any_block_is_written_and_read_back_the_same(recipe: Recipe, data: st.DataObject) -> None:
    counts = {
        p.name: str(data.draw(st.integers(int(p.least), min(int(p.most), 6))))
        for p in recipe.parameters
        if p.kind == "count"
    }
    finish = data.draw(st.floats(150.0, 700.0))
    making = Making(recipe.name, finish, data.draw(st.integers(1, 12)), 1016.0, tuple(counts.items()))
    wishes = Wishes(data.draw(st.sampled_from([6.35, 7.0])), hand=data.draw(st.sampled_from(["left", "right"])))
    try:
        plan = plan_for(making, wishes)
    except (BlockError, PlanError):
        return  # these parameters make no block of that size
    assert plan_from_text(plan_text(plan), "plan.toml") == plan


@pytest.mark.parametrize(
    ("block", "given"),
    [("checkerboard", {"columns": "25", "rows": "25"}), ("rail", {"strips": "60"}), ("hexagons", {"rounds": "8"})],
)
def test_plans_of_large_blocks_can_be_read_again(block: str, given: dict[str, str]) -> None:
    plan = plan_for(Making(block, 914.4, 3, 1016.0, tuple(given.items())))
    assert plan_from_text(plan_text(plan), "plan.toml") == plan


def square(x: float, y: float) -> tuple[tuple[float, float], ...]:
    return (x, y), (x + 50.0, y), (x + 50.0, y + 50.0), (x, y + 50.0)


OWN = Making(
    "own",
    150.0,
    2,
    patches=tuple(
        OwnPatch("a" if (i + j) % 2 else "b", square(50.0 * i, 50.0 * j), f"{i}.{j}", 0.5)
        for i in range(3)
        for j in range(3)
    ),
    discs=(OwnDisc("c", (75.0, 75.0), 20.0),),
)


def test_a_plan_of_ones_own_block_is_written_and_read_back_the_same() -> None:
    plan = plan_for(OWN)
    again = plan_from_text(plan_text(plan), "plan.toml")
    assert again == plan
    assert again.making is not None
    assert plan_for(again.making) == plan


STAR = plan_text(plan_for(Making("eight-pointed star", 355.6, 2, 1016.0, (("rows", "2"),))))
OWN_TEXT = plan_text(plan_for(OWN))


@pytest.mark.parametrize(
    ("text", "old", "new", "says"),
    [
        (STAR, r'finish = "[^"]*"', "finish = 14", "block.finish = 14: does not fit; it must be text in quotes"),
        (STAR, r'finish = "[^"]*"', 'finish = "-14 in"', 'block.finish = "-14 in": a length cannot be negative'),
        (STAR, r'finish = "[^"]*"', 'finnish = "14 in"', 'block.finnish: no such key; did you mean "finish"?'),
        (STAR, r"(?m)^make = 2$", "make = 0", "block.make = 0: does not fit; it must be a whole number"),
        (STAR, r"\[block\]", "[[block]]", "block = list of 1: does not fit; it must be a table"),
        (STAR, r'"rows" = "2"', '"rows" = 2', "block.settings.rows = 2: does not fit; it must be text"),
        (STAR, r'usable_width = "[^"]*"', 'usable_width = "nan in"', 'block.usable_width = "nan in": not a number'),
        (STAR, r"bands = \[[^\]]*\]", 'bands = ["1 in"]', "bands = list of 1: does not fit; it must hold 2 lengths"),
        (STAR, r"stagger = \[[^\]]*\]", 'stagger = ["1"]', 'stagger = "1": a length needs its unit'),
        (STAR, r"stagger = \[[^\]]*\]", "stagger = [1]", "stagger = list of 1: does not fit; it must be text in"),
        (STAR, r'need = "[^"]*"', 'need = "much"', 'fabrics[1].need = "much": not a number with a unit'),
        (STAR, r'buy = "[^"]*"', 'bye = "1 yd"', 'fabrics[1].bye: no such key; did you mean "buy"?'),
        (STAR, r'sew = \["[^"]*", ', "sew = [", "steps[1].sew = list of 1: does not fit; it must name two units"),
        (STAR, r'sew = \["[^"]*"', 'sew = ["nothing"', 'steps[1].sew = "nothing": neither cut nor made'),
        (STAR, r'press = "[^"]*"', 'press = "up"', 'steps[1].press = "up": none of the two; name one of them'),
        (STAR, r"(?m)^count = \d+$(?=\npress)", "count = -1", "steps[1].count = -1: does not fit; it must be a whole"),
        (STAR, r"match = \d+", 'match = "one"', 'match = "one": does not fit; it must be a whole number, 0 or more'),
        (STAR, r'distance = "[^"]*"', 'distance = "0 in"', 'distance = "0 in": does not fit; it must be greater'),
        (
            STAR,
            r'from = "[^"]* [^"]*", distance',
            'from = "1 in", distance',
            'trims[1].from = "1 in": does not fit',
        ),
        (STAR, r"\{ side = \d+", "{ side = -1", "side = -1: does not fit; it must be a whole number, 0 or more"),
        (STAR, r'dots = \["[^"]*"', 'dots = ["1 in 2"', 'dots = "2": a length needs its unit'),
        (STAR, r'way = "turned"', 'way = "round"', 'way = "round": does not fit; it must be "turned" or "nested"'),
        (
            OWN_TEXT,
            r'corners = \["[^"]*"',
            'corners = ["0 in"',
            'block.patches[1].corners = "0 in": does not',
        ),
        (OWN_TEXT, r'radius = "[^"]*"', 'radius = "0 in"', 'block.discs[1].radius = "0 in": does not fit'),
        (OWN_TEXT, r'grain = "[^"]*"', 'grain = "up"', 'block.patches[1].grain = "up": not a number with a unit'),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) and len(value) < 120 else "",
)
def test_a_mistake_made_by_hand_is_told_with_key_value_and_what_would_be_right(
    text: str, old: str, new: str, says: str
) -> None:
    edited, count = re.subn(old, lambda _: new, text, count=1)
    assert count == 1
    with pytest.raises(PlanError) as error:
        plan_from_text(edited, "plan.toml")
    told = str(error.value)
    assert told.startswith("plan.toml, ")
    assert says in told
    assert "\n" not in told
    assert len(told) < 300
