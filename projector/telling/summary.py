"""A rehearsal's summary as a text one can read: what was planned, measured and true."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calibration.rig import Rig
from projector.guide.units.blade import Offset
from projector.guide.units.state import wanted_of
from projector.piecing.lengths import inches_text
from projector.piecing.plans import Plan
from projector.score import Score
from vision.pile import Pile, sum_up
from vision.polygons import side_distances
from vision.units import Judged


def summary_text(plan: Plan, rig: Rig, units: Sequence[Judged], scored: Score, blade: Offset | None = None) -> str:
    """Markdown: the counts, a line a width of each unit beside the expected and the true one, and the errors."""
    pile = sum_up(units)
    camera, projector = rig.camera_over_area(), rig.projector_over_area()
    lines = [
        f"# {plan.name}: a rehearsal",
        "",
        counts_text(plan, pile),
        "",
        f"The camera is sure to {camera.rms_mm:.3f} mm ({camera.worst_mm:.3f} mm at worst)"
        + ("." if projector is None else f", light lands within {projector.rms_mm:.3f} mm ({projector.worst_mm:.3f})."),
        "",
        "| unit | verdict | width | expected | measured | standard uncertainty | true | error |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *_rows(plan, units, scored),
        "",
        *_strip_rows(scored),
        f"Widths are {_error(scored.width_error_rms_mm)} off the truth, "
        f"lines landed {_error(scored.line_error_rms_mm)} from where the true cloth wanted them (RMS).",
        "",
        *_blade_lines(scored, blade),
        "The table, its cloth and its person are virtual; their truth was opened after the last cut only.",
        "chalkbeam is no safety device: it shows where a cut lies, never whether it is safe to make.",
        "",
    ]
    return "\n".join(lines)


def counts_text(plan: Plan, pile: Pile) -> str:
    """What was judged, and how many units the plan cuts; one that cuts none has sewn units, or a block, to judge."""
    judged = f"{pile.judged or 'No'} judgement{'' if pile.judged == 1 else 's'}"
    to_cut = f", {plan.wanted} unit{'' if plan.wanted == 1 else 's'} to cut" if plan.wanted else ""
    verdicts = ", ".join(f"{count} {verdict.replace('_', ' ')}" for verdict, count in pile.verdicts.items())
    return f"{judged}{to_cut}{': ' if verdicts else ''}{verdicts}."


def _blade_lines(scored: Score, blade: Offset | None) -> list[str]:
    """What was learned of the blade beside what is true; nothing without a cut that told of it."""
    if blade is None:
        return []
    learned = f"{blade.mm:.2f} ± {blade.u_mm:.2f} mm from {blade.cuts} cuts".replace("-", "−")
    slips = f", {blade.slips} slips left out" if blade.slips else ""
    return [f"The blade ran {scored.blade_mm:.2f} mm beside the ruler; {learned} was learned of it{slips}.", ""]


def _strip_rows(scored: Score) -> list[str]:
    """The strips from yardage, in the order in which they were cut; nothing where there were none."""
    if not scored.strips:
        return []
    rows = []
    for number, pair in enumerate(scored.strips, 1):
        if pair is None:
            rows.append(f"| {number} | no true strip lies there | | | |")
            continue
        bend = "" if pair.bend_rad is None else f"{math.degrees(pair.bend_rad):.2f}"
        true_bend = math.degrees(pair.true_bend_rad)
        width = f"{pair.width_mm:.2f} ± {pair.width_u_mm:.2f} mm | {pair.true_width_mm:.2f} mm"
        rows.append(f"| {number} | {width} | {bend} | {true_bend:.2f} |".replace("-", "−"))
    head = "| strip from yardage | width | true | bend at the fold, degrees | true |"
    return [head, "| --- | --- | --- | --- | --- |", *rows, ""]


def _rows(plan: Plan, units: Sequence[Judged], scored: Score) -> Iterator[str]:
    shapes = {unit.name: wanted_of(plan, unit) for unit in plan.units}
    for number, (judged, pairs) in enumerate(zip(units, scored.units, strict=True), 1):
        verdict = judged.verdict.words if judged.verdict else "measured"
        if not pairs:
            yield f"| {number} {judged.expected} | {verdict} | no true unit lies there | | | | | |"
        for pair in pairs:
            shape = shapes[judged.expected or ""]
            expected_mm = side_distances(shape.corners_mm, *pair.measured.sides)[0]
            names = " to ".join(shape.side_names[side] for side in pair.measured.sides) if shape.side_names else ""
            cells = [
                f"{number} {judged.expected}",
                verdict + (f" ({judged.why})" if judged.why else ""),
                names,
                f"{inches_text(expected_mm)}, {expected_mm:.2f} mm",
                f"{pair.measured.mean_mm:.2f} mm",
                f"± {pair.measured.u_mm:.2f} mm",
                f"{pair.true_mm:.2f} mm",
                f"{round(pair.error_mm, 2) + 0.0:+.2f} mm".replace("-", "−"),
            ]
            yield f"| {' | '.join(cells)} |"


def _error(value: float | None) -> str:
    return "unknown how far" if value is None or not math.isfinite(value) else f"{value:.3f} mm"
