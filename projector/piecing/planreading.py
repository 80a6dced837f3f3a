"""The text of a plan file, both ways: TOML, lengths as strings with their unit.

A mistake is told in one line that names the key and its value. Rows are counted from 1, as a person does:
`plan.toml, strips[2].width = "4 1/0 in": a fraction cannot end in 0; write it like "4 1/2 in" or "114.3 mm"`.
"""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

from projector.piecing.lengths import angle_source, length_source
from projector.piecing.plans import (
    Cut,
    Plan,
    Strip,
    Unit,
    expected_shape,
    strips_needed,
    units_from_strip,
)
from projector.piecing.shapes import ShapeError
from projector.piecing.tables import PlanError, Table, shown

MOST_BYTES = 1_000_000
_LONGEST_LINE = 5_000
_MOST_DOTS = 20  # outside quotes; keys like a.a.a... take the TOML reader seconds

_QUOTED_OR_COMMENT = re.compile(r"""\"[^"]*\"|'[^']*'|#.*""")

_PLAN_KEYS = frozenset({"name", "hand", "tolerance", "angle_tolerance", "seam_allowance", "strips", "units"})
_STRIP_KEYS = frozenset({"name", "width", "length", "seams", "fabrics", "true_margin", "count"})
_CUT_KEYS = frozenset({"from", "make", "cut_width", "angle", "lean"})
_UNIT_KEYS = _CUT_KEYS | {"name", "shape", "tolerance", "angle_tolerance", "side_tolerances"}


def plan_from_text(text: str, file: str) -> Plan:
    """Read a plan; `file` is the name that the messages begin with.

    Raises
    ------
    PlanError
        Not TOML, an unknown or missing key, a value that makes no sense, more units than the strips give.
    """
    plan = _plan(Table(f"{file}, ", _toml(text, file), _PLAN_KEYS))
    _check_names(plan, file)
    for number, unit in enumerate(plan.units, 1):
        _check_unit(plan, unit, f"{file}, units[{number}]")
    _check_strips_go_round(plan, file)
    return plan


def plan_text(plan: Plan) -> str:
    """Write a plan as TOML that a person can edit; `plan_from_text` reads the same plan back."""
    lines = [
        f"name = {_quote(plan.name)}",
        f"hand = {_quote(plan.hand)}",
        f"tolerance = {_quote(length_source(plan.tolerance_mm))}",
        f"angle_tolerance = {_quote(angle_source(plan.angle_tolerance_rad))}",
        f"seam_allowance = {_quote(length_source(plan.seam_allowance_mm))}",
    ]
    for strip in plan.strips:
        lines += ["", "[[strips]]", *_strip_lines(strip)]
    for unit in plan.units:
        lines += ["", "[[units]]", *_unit_lines(unit)]
    return "\n".join(lines) + "\n"


def _toml(text: str, file: str) -> dict[str, Any]:
    if len(text) > MOST_BYTES:
        raise PlanError(f"{file}: larger than {MOST_BYTES // 1_000_000} MB; give a plan file (TOML)")
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > _LONGEST_LINE:
            raise PlanError(f"{file}, line {number}: longer than {_LONGEST_LINE} letters; give a plan file (TOML)")
        if line.count(".") > _MOST_DOTS and _QUOTED_OR_COMMENT.sub("", line).count(".") > _MOST_DOTS:
            raise PlanError(f"{file}, line {number}: nested too deep; a plan has [[strips]] and [[units]] only")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise PlanError(f"{file}: nested too deep; a plan has [[strips]] and [[units]] only") from None
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{file}: not TOML: {' '.join(str(error).split())}; correct it there") from None
    except ValueError:  # Python reads no integer of more than 4300 digits
        raise PlanError(f"{file}: a number in it is too long to be read; shorten it") from None


def _plan(table: Table) -> Plan:
    plain = Plan("plain")
    return Plan(
        name=table.text("name"),
        strips=tuple(_strip(row) for row in table.tables("strips", _STRIP_KEYS)),
        units=tuple(_unit(row) for row in table.tables("units", _UNIT_KEYS)),
        hand="left" if table.choice("hand", plain.hand) == "left" else "right",
        tolerance_mm=table.length("tolerance", plain.tolerance_mm),
        angle_tolerance_rad=table.angle("angle_tolerance", plain.angle_tolerance_rad),
        seam_allowance_mm=table.length("seam_allowance", plain.seam_allowance_mm, above_zero=False),
    )


def _strip(table: Table) -> Strip:
    width_mm = table.length("width")
    seams_mm = table.lengths("seams")
    if list(seams_mm) != sorted(set(seams_mm)) or any(seam >= width_mm for seam in seams_mm):
        raise table.wrong("seams", "must rise from the lower edge and stay inside the strip's width")
    plain = Strip("plain", 1.0, 1.0)
    return Strip(
        name=table.text("name"),
        width_mm=width_mm,
        length_mm=table.length("length"),
        seams_mm=seams_mm,
        fabrics=table.names("fabrics"),
        true_margin_mm=table.length("true_margin", plain.true_margin_mm),
        count=table.whole("count", plain.count),
    )


def _unit(table: Table) -> Unit:
    both = "shape" in table.rows and _CUT_KEYS & table.rows.keys()
    if both:
        raise table.wrong("shape", "must stand alone, without the keys of a cut (from, make, cut_width, ...)")
    written = None
    if "shape" in table.rows:
        written = table.rows["shape"]
        if not isinstance(written, str):
            raise table.wrong("shape", 'must be text in quotes, like "halves(4 1/2 in)"')
    tolerance = table.length("tolerance") if "tolerance" in table.rows else None
    angle_tolerance = table.angle("angle_tolerance") if "angle_tolerance" in table.rows else None
    cut = None if written is not None else _cut(table)
    return Unit(table.text("name"), cut, written, tolerance, angle_tolerance, table.lengths("side_tolerances"))


def _cut(table: Table) -> Cut:
    return Cut(
        strip=table.text("from"),
        make=table.whole("make"),
        width_mm=table.length("cut_width"),
        angle_rad=table.angle("angle"),
        lean="left" if table.choice("lean", "right") == "left" else "right",
    )


def _check_names(plan: Plan, file: str) -> None:
    for kind, names in (("strips", [s.name for s in plan.strips]), ("units", [u.name for u in plan.units])):
        seen: set[str] = set()
        for number, name in enumerate(names, 1):
            if name in seen:
                raise PlanError(f"{file}, {kind}[{number}].name = {shown(name)}: taken already; choose another")
            seen.add(name)


def _check_unit(plan: Plan, unit: Unit, where: str) -> None:
    names = [strip.name for strip in plan.strips]
    if unit.cut and unit.cut.strip not in names:
        known = ", ".join(shown(name) for name in names[:10])
        do = f"name one of {known}" if known else "add it under [[strips]]"
        raise PlanError(f"{where}.from = {shown(unit.cut.strip)}: no such strip; {do}")
    try:
        sides = len(expected_shape(plan, unit).corners_mm)
    except ShapeError as error:
        raise PlanError(f"{where}: {error}") from None
    given = len(unit.side_tolerances_mm)
    if given not in (0, sides):
        raise PlanError(
            f"{where}.side_tolerances: {given} of them for {sides} sides; give each side one, or none at all"
        )


def _check_strips_go_round(plan: Plan, file: str) -> None:
    """Each kind of unit takes whole strips; there must be enough of them."""
    left = {strip.name: strip.count for strip in plan.strips}
    for number, unit in enumerate(plan.units, 1):
        if unit.cut is None:
            continue
        strip = plan.strip(unit.cut.strip)
        needed, gives = strips_needed(strip, unit.cut), units_from_strip(strip, unit.cut)
        if needed is None or needed > left[strip.name]:
            raise PlanError(
                f"{file}, units[{number}].make = {unit.cut.make}: more than the strips give, "
                f"{shown(strip.name)} gives {gives} each, {left[strip.name]} left; "
                "lengthen it, raise its count or make fewer"
            )
        left[strip.name] -= needed


def _strip_lines(strip: Strip) -> list[str]:
    lines = [
        f"name = {_quote(strip.name)}",
        f"width = {_quote(length_source(strip.width_mm))}",
        f"length = {_quote(length_source(strip.length_mm))}",
    ]
    if strip.seams_mm:
        lines.append(f"seams = [{', '.join(_quote(length_source(seam)) for seam in strip.seams_mm)}]")
    if strip.fabrics:
        lines.append(f"fabrics = [{', '.join(_quote(fabric) for fabric in strip.fabrics)}]")
    lines.append(f"true_margin = {_quote(length_source(strip.true_margin_mm))}")
    lines.append(f"count = {strip.count}")
    return lines


def _unit_lines(unit: Unit) -> list[str]:
    lines = [f"name = {_quote(unit.name)}"]
    if unit.written is not None:
        lines.append(f"shape = {_quote(unit.written)}")
    if unit.cut:
        lines += [
            f"from = {_quote(unit.cut.strip)}",
            f"make = {unit.cut.make}",
            f"cut_width = {_quote(length_source(unit.cut.width_mm))}",
            f"angle = {_quote(angle_source(unit.cut.angle_rad))}",
            f"lean = {_quote(unit.cut.lean)}",
        ]
    if unit.tolerance_mm is not None:
        lines.append(f"tolerance = {_quote(length_source(unit.tolerance_mm))}")
    if unit.angle_tolerance_rad is not None:
        lines.append(f"angle_tolerance = {_quote(angle_source(unit.angle_tolerance_rad))}")
    if unit.side_tolerances_mm:
        lines.append(f"side_tolerances = [{', '.join(_quote(length_source(t)) for t in unit.side_tolerances_mm)}]")
    return lines


def _quote(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
