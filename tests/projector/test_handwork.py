"""Hands that err, led through the real loop at a virtual table: trimmed by light, turned up. Frames are generated."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.rehearsal.person import person
from projector.rehearsal.person.clumsy import Mishap
from projector.rehearsal.person.person import Skill
from tests.projector.knowntable import lead

SET = Strip("a set", 88.9, 300.0, (44.45,), ("sand", "navy"))
PLAN = Plan("one wave", (SET,), (Unit("wave", Cut("a set", 1, 50.8, math.radians(45), "right")),))


@dataclass(frozen=True)
class Scripted(Skill):
    """Cuts that are off by what is written down, in order, positive into the strip or the unit."""

    script: list[float] = field(default_factory=list)

    def off(self, rng: np.random.Generator, length_mm: float) -> tuple[float, float, bool]:
        return self.script.pop(0), 0.0, False


def test_a_unit_that_is_too_large_is_trimmed_where_it_lies_and_counts_then(tmp_path: Path) -> None:
    led = lead(PLAN, tmp_path, 5, Scripted(blade_mm=0.0, script=[0.0, 2.0, 0.0]))
    assert [(unit["verdict"], unit["counts"], unit["n"]) for unit in led.told("unit")] == [
        ("trim", False, 1),
        ("fits", True, 1),
    ]
    *_, trim = led.told("shown", scene="trim_unit")  # it may first be asked to be turned
    assert trim["caution"]
    assert trim["cut_mat_mm"]
    assert led.entries == 2  # both judgements are kept
    assert led.truth is not None
    before, after = led.truth.units
    assert (before.number, after.number) == (1, 1)
    widths = [min(width.mean_mm for width in unit.widths) for unit in (before, after)]
    assert widths[0] == pytest.approx(52.8, abs=0.5)
    assert widths[1] == pytest.approx(50.8, abs=0.5)


@pytest.mark.parametrize("what", Mishap)
def test_whatever_mishap_the_unit_counts_in_the_end(
    what: Mishap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The strip nudged, the unit left touching the strip, the unit face down."""
    monkeypatch.setattr(person, "mishap", lambda share, rng: what)
    led = lead(PLAN, tmp_path, 6, Scripted(blade_mm=0.0, script=[0.0, 0.0]))
    said = [(unit["verdict"], unit["counts"]) for unit in led.told("unit")]
    assert said == [*([("turned_over", False)] if what is Mishap.FACE_DOWN else []), ("fits", True)]
    assert led.truth is not None
    assert [one[1] for one in led.truth.mishaps] == [what.value]
