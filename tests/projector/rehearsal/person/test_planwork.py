"""A plan in the hands of the virtual person."""

import math

from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.things.cloth import ALBEDO_BGR, albedo_bgr


def test_the_person_has_the_strips_and_the_demands_of_the_plan() -> None:
    plan = Plan(
        "small",
        (Strip("tide", 90.0, 600.0, (45.0,), ("sand", "deep blue"), 3.0), Strip("bare", 60.0, 400.0)),
        (Unit("wave", Cut("tide", 7, 50.0, math.pi / 4, "left")), Unit("drawn", written="square(2 in)")),
    )
    work = work_of(plan)
    assert [(c.name, c.width_mm, c.length_mm, c.seams_mm) for c in work.cloths] == [
        ("tide", 90.0, 600.0, (45.0,)),
        ("bare", 60.0, 400.0, ()),
    ]
    (wave,) = work.demands
    assert (wave.name, wave.source, wave.cut_width_mm, wave.lean, wave.margin_mm, wave.make) == (
        "wave",
        "tide",
        50.0,
        "left",
        3.0,
        7,
    )


def test_a_fabric_has_the_colour_in_its_name_or_one_that_stays() -> None:
    assert albedo_bgr("deep navy dots") == ALBEDO_BGR["navy"]
    assert albedo_bgr("no colour at all") == albedo_bgr("no colour at all")
