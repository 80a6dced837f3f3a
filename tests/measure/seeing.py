"""How well edges of cloth are measured, beside what noise alone allows and what common library calls reach.

    python -m tests.measure.seeing [--frames N] [--condition NAME ...] [--seed S] [--small] [--markdown]

Generated frames with exact truth (`tests/vision/exact_scenes.py`). Three ways: ours, as `check` measures; the contour
half way between the unit's and the mat's median in linear light; threshold, contour and line fit. Offsets and widths
in px, ratio = RMS of error over its Cramer-Rao bound (`edge_bound.py`; of prints: as if the cloth were plain, and for
a print that is unknown). A unit is not measured if a side is missing, or off by more than 1 mm or 3 degrees.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.measure.seeing_plain import half_level_outlines, otsu_outlines
from tests.measure.seeing_score import Outline, Tally, tally
from tests.vision.exact_cover import View
from tests.vision.exact_scenes import CONDITIONS, FULL_VIEW, SMALL_VIEW, Condition, Shot, shot
from vision.finding.mat import compare_with_mat, guessed_mat_picture, mat_picture
from vision.measure import Cloth, measure_units

Floats = NDArray[np.float64]

FLAT = Cloth(0.0, 0.0)  # the drawn cloth has no thickness
METHODS = ("ours", "half level", "Otsu")
HEAD = (
    "condition",
    "units",
    "found",
    "look again",
    "not measured",
    "invented",
    "width: bias, RMS",
    "half level",
    "offset: RMS, worst",
    "ratio",
    "unknown print",
    "half level",
    "Otsu",
    "angle ratio",
    "(error/u)²: offsets, widths, angles",
    "target",
)


@dataclass(frozen=True, slots=True)
class Target:
    """What is asked: offsets' ratio to the bound (for a print, either ratio or that to the bound of unknown prints)."""

    ratio: float | None = None
    bias_px: float | None = None  # of a width
    of_print: float | None = None
    all_found: bool = True


PLAIN, LINE = Target(1.6, 0.01), Target(2.0, 0.01)
PRINT, CAMERA, FOUND = Target(3.0, 0.01, 1.6), Target(None, 0.02), Target()
TARGETS: dict[str, Target] = {
    **dict.fromkeys(("40 dB, plain mat", "40 dB", "36 dB", "36 dB, grey camera", "30 dB"), PLAIN),
    **dict.fromkeys(("36 dB, optics 1.2 px", "cloth 0.11, 36 dB", "cloth 0.11, 30 dB", "cloth 0.08, mat 0.45"), PLAIN),
    **dict.fromkeys(("white cream black red navy", "light falls 1:0.4", "1 unit", "40 units"), PLAIN),
    **dict.fromkeys(("side on a grid line", "side near a grid line"), LINE),
    **dict.fromkeys(("dots", "stripes", "plaid", "flowers", "print with the mat's colour"), PRINT),
    **dict.fromkeys(("JPEG 95, grey", "JPEG 90, grey", "JPEG 85, grey", "sharpening 0.4", "sharpening 0.8"), CAMERA),
    **dict.fromkeys(("JPEG 85, grey, dark on light", "sharpening 0.8, JPEG 85, grey"), CAMERA),
    "lamp, shadow 40 %": CAMERA,
    "lamp, dark on light": CAMERA,
    "dark on light, shadow 40 %": Target(None, 0.1),
}
SPARED = "in the lamp's shadow"  # sides that no bias is asked of


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--frames", type=int, default=4, help="of each condition")
    reader.add_argument("--condition", nargs="*", default=list(CONDITIONS), metavar="NAME")
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument(
        "--small",
        action="store_true",
        help="pictures of 1000 x 640, half of the units and of the frames of the empty mat: quicker",
    )
    reader.add_argument("--markdown", action="store_true")
    told = reader.parse_args()
    unknown = [name for name in told.condition if name not in CONDITIONS]
    if unknown:
        reader.error(f"no condition {unknown[0]!r}; there are: {'; '.join(CONDITIONS)}")
    mark = " | " if told.markdown else "\t"
    write(HEAD, mark)
    if told.markdown:
        write(["---"] * len(HEAD), mark)
    everything, met = Tally(), dict[str, str]()
    for name in told.condition:
        seeds = range(told.seed, told.seed + told.frames)
        condition = _smaller(CONDITIONS[name]) if told.small else CONDITIONS[name]
        ours, half, otsu = tallies(condition, seeds, SMALL_VIEW if told.small else FULL_VIEW)
        met[name] = verdict(TARGETS.get(name, FOUND), ours)
        write(row(name, ours, half, otsu, met[name]), mark)
        for label in sorted({one for one in ours.labels if one}):
            write(row(f"- {label}", *(one.of_label(label) for one in (ours, half, otsu)), ""), mark)
        everything += ours
    print("\nmean (error/u)² over all:", ", ".join(f"{one:.2f}" for one in honesty(everything)), "(wanted: 0.7 to 1.5)")
    print(f"targets met: {sum(one.startswith('met') for one in met.values())} of {len(met)}")


def tallies(condition: Condition, seeds: Iterable[int], view: View = FULL_VIEW) -> tuple[Tally, Tally, Tally]:
    """Ours, the half level's, Otsu's, over frames of a condition."""
    totals = [Tally(), Tally(), Tally()]
    for seed in seeds:
        one = shot(condition, seed, view)
        for k, outlines in enumerate((ours_of(one), half_of(one), otsu_of(one))):
            totals[k] += tally(one, outlines)
    return totals[0], totals[1], totals[2]


def _smaller(condition: Condition) -> Condition:
    return replace(condition, units=max(1, min(condition.units // 2, 8)), reference=condition.reference // 2)


def ours_of(one: Shot) -> list[Outline]:
    everywhere = np.ones(one.linear.shape[:2], bool)
    mat = guessed_mat_picture(one.linear, everywhere) if one.bare is None else mat_picture(one.bare)
    scene = compare_with_mat(one.linear, mat, everywhere, lamp=one.lamp)
    return [Outline.of_unit(unit) for unit in measure_units(scene, one.view.camera(), everywhere, FLAT)]


def half_of(one: Shot) -> list[Outline]:
    return [Outline.bare(one.view.mm_of_px(corners)) for corners in half_level_outlines(one.pixels, one.linear)]


def otsu_of(one: Shot) -> list[Outline]:
    return [Outline.bare(one.view.mm_of_px(corners)) for corners in otsu_outlines(one.pixels)]


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else math.nan


def ratio(errors: Floats, bound: int = 2) -> float:
    """RMS of (N, 3 or 4) errors over their bounds."""
    return rms(errors[:, 0] / errors[:, bound])


def honesty(one: Tally) -> list[float]:
    """Mean (error/u)² of offsets, widths, angles."""
    squares = [(errors[:, 0] / errors[:, 1]) ** 2 for errors in (one.sides, one.widths, one.angles)]
    return [float(np.mean(each)) if len(each) else math.nan for each in squares]


def bias(one: Tally) -> tuple[float, float]:
    """A width's bias and its standard error, px, from the sides: two of them make a width."""
    off = 2.0 * one.sides[[label != SPARED for label in one.labels], 0]
    return (float(off.mean()), float(off.std() / math.sqrt(len(off)))) if len(off) > 1 else (math.nan, math.nan)


def verdict(target: Target, ours: Tally) -> str:
    """ "met", or what is not. A bias that chance explains (two standard errors) is "open"."""
    missed = []
    if target.all_found and (ours.found < ours.units or ours.invented):
        missed.append(f"{ours.units - ours.found} not found, {ours.invented} invented")
    wanted = [(ratio(ours.sides), target.ratio), (ratio(ours.sides, 3), target.of_print)]
    wanted = [(has, most) for has, most in wanted if most is not None]
    if wanted and not any(has <= most for has, most in wanted):
        missed.append(f"ratio over {wanted[0][1]:g}")
    if target.bias_px is not None:
        mean, error = bias(ours)
        if not abs(mean) <= target.bias_px:
            missed.append(("bias" if abs(mean) > target.bias_px + 2 * error else "bias open") + f" {mean:+.3f}")
    return "; ".join(missed) or "met"


def row(name: str, ours: Tally, half: Tally, otsu: Tally, met: str) -> list[str]:
    counts = (ours.units, ours.found, ours.look_again, ours.not_measured, ours.invented)
    return [
        name,
        *(str(count) if ours.units else "" for count in counts),
        _bias_and_rms(ours),
        _bias_and_rms(half) + (f" [{half.units - len_measured(half)}]" if half.units > len_measured(half) else ""),
        f"{rms(ours.sides[:, 0]):.4f}, {np.abs(ours.sides[:, 0]).max(initial=0.0):.3f}",
        *(f"{ratio(ours.sides, k):.2f}" for k in (2, 3)),
        *(f"{ratio(one.sides):.2f}" for one in (half, otsu)),
        f"{ratio(ours.angles):.2f}",
        ", ".join(f"{one:.2f}" for one in honesty(ours)),
        met,
    ]


def len_measured(one: Tally) -> int:
    return one.found - one.look_again - one.not_measured


def _bias_and_rms(one: Tally) -> str:
    errors = one.widths[:, 0] if len(one.widths) else 2.0 * one.sides[:, 0]
    return f"{np.mean(errors):+.4f}, {rms(errors):.4f}" if len(errors) else "-"


def write(cells: Sequence[str], mark: str) -> None:
    print(f"| {mark.join(cells)} |" if mark != "\t" else mark.join(cells), flush=True)


if __name__ == "__main__":
    main()
