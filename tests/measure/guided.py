"""Whole plans cut at the virtual table by the virtual person, beside the same hands with a plain ruler.

    python -m tests.measure.guided [--make 67] [--seeds 1] [--size 1920x1080] [--clumsy 0.03] [--only 45]

Three plans of two-fabric strip sets are led through, cut at 90, 45 and 60 degrees; each is calibrated for first. Truth
is read after the world has ended. With the plain ruler the same hand reads the ruler's line on the cloth to 1/32 in and
turns it to 0.5 degree (standard deviations; common practice, from memory) beside what it does along the light.
Everything is generated.
"""

from __future__ import annotations

import argparse
import io
import math
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from projector import rehearsing
from projector.guide.units.blade import offset_of
from projector.piecing.lengths import INCH_MM
from projector.piecing.planreading import plan_from_text
from projector.piecing.plans import Plan, expected_shape
from projector.rehearsal.person.skill import Skill
from projector.rehearsal.truth import Truth
from projector.score import Score, score
from projector.telling.events import Teller
from vision.comparing.figures import GUARD
from vision.polygons import interior_angles, side_distances
from vision.units import Judged, Verdict

Floats = NDArray[np.float64]

ANGLES_DEG = (90, 45, 60)
READING_MM, RULER_TURN_RAD = INCH_MM / 32, math.radians(0.5)


def plan_of(angle_deg: int, make: int) -> Plan:
    """An invented plan: as many strip sets of two fabrics as the units need."""
    wide, long, cut = 3.5, 26.0, 2.25
    step = cut / math.sin(math.radians(angle_deg))
    gives = math.floor((long - 1.0 - wide / math.tan(math.radians(angle_deg))) / step)
    text = f"""
name = "rows at {angle_deg} degrees"
tolerance = "1/32 in"
[[strips]]
name = "two rows"
width = "{wide} in"
length = "{long} in"
seams = ["{wide / 2} in"]
fabrics = ["sand", "deep blue"]
count = {math.ceil(make / gives) + 1}
[[units]]
name = "segment"
from = "two rows"
make = {make}
cut_width = "{cut} in"
angle = "{angle_deg} deg"
"""
    return plan_from_text(text, "generated")


@dataclass
class Found:
    """Of one plan or several."""

    units: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    false_fits: int = 0
    chance_of_false: float = 0.0  # of all "fits", what their own probabilities leave
    close_expected: float = 0.0
    widths_mm: list[float] = field(default_factory=list)  # cut width less the planned one, true
    angles_rad: list[float] = field(default_factory=list)
    errors: list[tuple[float, float]] = field(default_factory=list)  # measured less true, and u
    lines_mm: list[float] = field(default_factory=list)
    offsets: list[str] = field(default_factory=list)
    untrue: int = 0  # lines that were not where a plan without a shift wants them because a shift was agreed
    again: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0


def cut(plan: Plan, seed: int, size_px: tuple[int, int], skill: Skill, found: Found) -> None:
    """Rehearse a plan and add what came of it."""
    ended: list[tuple[Any, Truth, Score]] = []
    events: list[dict[str, Any]] = []

    def caught(units: Any, truth: Truth, *rest: Any) -> Score:
        ended.append((units, truth, score(units, truth, *rest)))
        return ended[-1][2]

    def teller_of(clock: Any) -> Teller:
        return Teller(clock, True, io.StringIO(), io.StringIO(), [lambda event: events.append(dict(event))])

    began = time.perf_counter()
    with patch.object(rehearsing, "score", caught), tempfile.TemporaryDirectory() as folder:
        rehearsing.rehearse(plan, rehearsing.Stage(Path(folder), seed, size_px, skill=skill), teller_of)
    found.seconds += time.perf_counter() - began
    units, truth, scored = ended[0]
    wanted = expected_shape(plan, plan.units[0])
    for judged, pairs in zip(units, scored.units, strict=True):
        _add_unit(found, plan, wanted.corners_mm, judged, pairs)
    told = [event for event in events if event["event"] == "unit"]
    found.again.update(str(one["why"]) for one in told if one["verdict"] == "look_again")
    for one in truth.cuts:
        if np.all(np.isfinite(one.light_errors_mm)):
            after = next((event for event in told if event["t"] >= one.t_s), None)
            shift = float(after.get("shift_mm", 0.0)) if after and one.purpose == "unit" else 0.0
            found.untrue += shift != 0.0
            if shift == 0.0:
                found.lines_mm += one.light_errors_mm.tolist()
    beside = [float(event["beside_mm"]) for event in told if event.get("beside_mm") is not None]
    offset = offset_of(tuple(beside)) if beside else None
    if offset is not None:
        found.offsets.append(
            f"{offset.mm:.3f} (u {offset.u_mm:.3f}, {offset.cuts} cuts, {offset.slips} slips left out)"
        )


def _add_unit(found: Found, plan: Plan, wanted_mm: Floats, judged: Judged, pairs: Any) -> None:
    found.units += 1
    found.verdicts[judged.verdict.value if judged.verdict else "none"] += 1
    if not pairs:
        return
    planned = {pair.measured.sides: side_distances(wanted_mm, *pair.measured.sides)[0] for pair in pairs}
    offs = {pair.measured.sides: pair.true_mm - planned[pair.measured.sides] for pair in pairs}
    found.errors += [(pair.error_mm, pair.measured.u_mm) for pair in pairs]
    found.widths_mm += [off for sides, off in offs.items() if sides == (1, 3)]
    angles = judged.unit.angles_rad - interior_angles(wanted_mm)
    found.angles_rad.append(float(angles[0]))
    out = max(abs(off) for off in offs.values()) > plan.tolerance_mm
    found.false_fits += judged.verdict is Verdict.FITS and out
    if judged.verdict is Verdict.FITS and judged.fit_probability is not None:
        found.chance_of_false += 1.0 - judged.fit_probability
    kept = 1.0
    for pair in pairs:
        off, u, limit = abs(offs[pair.measured.sides]), pair.measured.u_mm, plan.tolerance_mm
        kept *= 1.0 - (ndtr((limit + GUARD * u - off) / u) - ndtr((limit - GUARD * u - off) / u))
    found.close_expected += 1.0 - kept


def said(found: Found, skill: Skill) -> str:
    """A table of it."""
    widths, angles = np.array(found.widths_mm), np.array(found.angles_rad)
    errors, us = np.array(found.errors).T
    rng = np.random.default_rng(1)
    hand = rng.normal(0.0, skill.offset_sd_mm, 100_000), rng.normal(0.0, skill.angle_sd_rad, 100_000)
    ruler_mm = hand[0] + rng.normal(0.0, READING_MM, 100_000)
    ruler_rad = hand[1] + rng.normal(0.0, RULER_TURN_RAD, 100_000)
    lines = [
        f"{found.units} units judged: {dict(found.verdicts)}; look again because of {dict(found.again)}",
        f"false fits {found.false_fits} (their own probabilities leave {found.chance_of_false:.2f}); "
        f"close {found.verdicts['close']}, by u and truth {found.close_expected:.1f} expected",
        f"widths measured: bias {errors.mean():+.3f}, RMS {math.sqrt(np.mean(errors**2)):.3f} mm, "
        f"(error/u)^2 {np.mean((errors / us) ** 2):.2f}",
        f"lines {math.sqrt(np.mean(np.square(found.lines_mm))):.3f} mm RMS from where the true cloth wants them "
        f"(worst {np.max(np.abs(found.lines_mm)):.3f}; {found.untrue} shifted ones left out)",
        f"the blade's true offset {skill.blade_mm:.3f}, learned {', '.join(found.offsets)}",
        f"cut width: SD with the light {widths.std():.3f} mm, mean {widths.mean():+.3f}; "
        f"with a plain ruler SD {ruler_mm.std():.3f}: ratio {ruler_mm.std() / widths.std():.1f}",
        f"cut angle: SD with the light {math.degrees(angles.std()):.3f} degree (measured); "
        f"with a plain ruler {math.degrees(ruler_rad.std()):.3f}: ratio {ruler_rad.std() / angles.std():.1f}",
        f"{found.seconds:.0f} s",
    ]
    return "\n".join(lines)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--make", type=int, default=67, help="units of each plan")
    reader.add_argument("--seeds", type=int, default=1)
    reader.add_argument("--first-seed", type=int, default=31)
    reader.add_argument("--size", default="1920x1080")
    reader.add_argument("--clumsy", type=float, default=0.03)
    reader.add_argument("--only", type=int, choices=ANGLES_DEG)
    told = reader.parse_args()
    size = tuple(int(part) for part in told.size.split("x"))
    skill, all_found = Skill(clumsy=told.clumsy), Found()
    for angle in ANGLES_DEG if told.only is None else (told.only,):
        for seed in range(told.first_seed, told.first_seed + told.seeds):
            cut(plan_of(angle, told.make), seed, (size[0], size[1]), skill, all_found)
            print(f"\nup to {angle} degrees, seed {seed}:\n{said(all_found, skill)}", flush=True)


if __name__ == "__main__":
    main()
