"""The text of a plan file, both ways: TOML, lengths as strings with their unit.

A mistake is told in one line that names the key and its value. Rows are counted from 1, as a person does:
`plan.toml, strips[2].width = "4 1/0 in": a fraction cannot end in 0; write it like "4 1/2 in" or "114.3 mm"`.
"""

from __future__ import annotations

import math

from projector.piecing.lengths import angle_source, length_source
from projector.piecing.planrows import (
    by_hand,
    check_steps,
    fabrics_of,
    lines_of,
    making_lines,
    making_of,
    places_of,
    sewn_lines,
    step_lines,
    steps_of,
    trims_of,
)
from projector.piecing.plans import (
    Cut,
    Lay,
    Plan,
    Strip,
    Unit,
    expected_shape,
    strips_needed,
    units_from_strip,
)
from projector.piecing.shapes import ShapeError
from projector.piecing.tables import PlanError, Table, quoted, rows_of, shown

_HAS = "a plan has [[strips]] and [[units]] only"
_PLAN_KEYS = frozenset(
    {"name", "hand", "tolerance", "angle_tolerance", "seam_allowance", "block", "fabrics", "strips", "units", "steps"}
)
_STRIP_KEYS = frozenset({"name", "width", "length", "seams", "fabrics", "true_margin", "count", "bands", "stagger"})
_CUT_KEYS = frozenset({"from", "make", "cut_width", "angle", "lean"})
_LAY_KEYS = frozenset({"from", "make", "way", "per_strip"})
_SEWN_KEYS = frozenset({"seams", "trims", "dots"})
_UNIT_KEYS = _CUT_KEYS | _LAY_KEYS | _SEWN_KEYS | {"name", "shape", "tolerance", "angle_tolerance", "side_tolerances"}


def plan_from_text(text: str, file: str) -> Plan:
    """Read a plan; `file` is the name that the messages begin with.

    Raises
    ------
    PlanError
        Not TOML, an unknown or missing key, a value that makes no sense, more units than the strips give.
    """
    plan = _plan(Table(f"{file}, ", rows_of(text, file, "plan", _HAS), _PLAN_KEYS))
    _check_names(plan, file)
    for number, unit in enumerate(plan.units, 1):
        _check_unit(plan, unit, f"{file}, units[{number}]")
    _check_strips_go_round(plan, file)
    check_steps(plan, file)
    return plan


def plan_text(plan: Plan) -> str:
    """Write a plan as TOML that a person can edit; `plan_from_text` reads the same plan back."""
    lines = [
        f"name = {quoted(plan.name)}",
        f"hand = {quoted(plan.hand)}",
        f"tolerance = {quoted(length_source(plan.tolerance_mm))}",
        f"angle_tolerance = {quoted(angle_source(plan.angle_tolerance_rad))}",
        f"seam_allowance = {quoted(length_source(plan.seam_allowance_mm))}",
    ]
    turned = {unit.lay.strip for unit in plan.units if unit.lay and unit.lay.way == "turned"}
    lines += making_lines(plan)
    for strip in plan.strips:
        lines += ["", "[[strips]]", *_strip_lines(strip, strip.name in turned)]
    for unit in plan.units:
        lines += ["", "[[units]]", *_unit_lines(unit)]
    lines += step_lines(plan)
    return "\n".join(lines) + "\n"


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
        making=making_of(table),
        fabrics=fabrics_of(table),
        steps=steps_of(table),
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
        bands_mm=_one_a_band(table, "bands", table.lengths("bands"), len(seams_mm) + 1),
        stagger_mm=_one_a_band(table, "stagger", table.coordinates("stagger"), len(seams_mm)),
    )


def _one_a_band(table: Table, key: str, given: tuple[float, ...], wanted: int) -> tuple[float, ...]:
    if len(given) not in (0, wanted):
        raise table.wrong(key, f"must hold {wanted} lengths, as the strip set has strips and seams, or be left out")
    return given


def _unit(table: Table) -> Unit:
    shaped = "shape" in table.rows
    wrong = (_CUT_KEYS - _LAY_KEYS if shaped else _SEWN_KEYS | (_LAY_KEYS - _CUT_KEYS)) & table.rows.keys()
    if wrong:
        kind = "written as a shape" if shaped else "cut by parallel cuts"
        raise table.wrong(min(wrong), f"does not go with a unit that is {kind}; take it out")
    written = None
    if shaped:
        written = table.rows["shape"]
        if not isinstance(written, str):
            raise table.wrong("shape", 'must be text in quotes, like "halves(4 1/2 in)"')
    return Unit(
        table.text("name"),
        None if shaped else _cut(table),
        written,
        table.length("tolerance") if "tolerance" in table.rows else None,
        table.angle("angle_tolerance") if "angle_tolerance" in table.rows else None,
        table.lengths("side_tolerances"),
        _lay(table) if shaped and "from" in table.rows else None,
        lines_of(table, "seams"),
        trims_of(table),
        places_of(table, "dots"),
    )


def _lay(table: Table) -> Lay:
    way = table.text("way", "turned")
    if way not in ("turned", "nested"):
        raise table.wrong("way", 'must be "turned" or "nested"')
    return Lay(
        table.text("from"), table.whole("make"), table.whole("per_strip"), "turned" if way == "turned" else "nested"
    )


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
    source = unit.cut or unit.lay
    if source and source.strip not in names:
        known = ", ".join(shown(name) for name in names[:10])
        do = f"name one of {known}" if known else "add it under [[strips]]"
        raise PlanError(f"{where}.from = {shown(source.strip)}: no such strip; {do}")
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
        source = unit.cut or unit.lay
        if source is None:
            continue
        strip = plan.strip(source.strip)
        if unit.cut:
            needed, gives = strips_needed(strip, unit.cut), units_from_strip(strip, unit.cut)
        elif unit.lay:
            needed, gives = math.ceil(unit.lay.make / unit.lay.per_strip), unit.lay.per_strip
        if needed is None or needed > left[strip.name]:
            raise PlanError(
                f"{file}, units[{number}].make = {source.make}: more than the strips give, "
                f"{shown(strip.name)} gives {gives} each, {left[strip.name]} left; "
                "lengthen it, raise its count or make fewer"
            )
        left[strip.name] -= needed


def _strip_lines(strip: Strip, is_trimmed: bool) -> list[str]:
    lines = [
        f"name = {quoted(strip.name)}",
        f"width = {quoted(length_source(strip.width_mm))}{by_hand(strip.width_mm) if is_trimmed else ''}",
        f"length = {quoted(length_source(strip.length_mm))}",
    ]
    if strip.seams_mm:
        lines.append(f"seams = [{', '.join(quoted(length_source(seam)) for seam in strip.seams_mm)}]")
    if strip.bands_mm:
        lines.append(f"bands = {_row(strip.bands_mm)} # each strip, cut, from the lower edge up")
    if strip.stagger_mm:
        lines.append(f"stagger = {_row(strip.stagger_mm)} # each strip to the right of the one below")
    if strip.fabrics:
        lines.append(f"fabrics = [{', '.join(quoted(fabric) for fabric in strip.fabrics)}]")
    lines.append(f"true_margin = {quoted(length_source(strip.true_margin_mm))}")
    lines.append(f"count = {strip.count}")
    return lines


def _unit_lines(unit: Unit) -> list[str]:
    lines = [f"name = {quoted(unit.name)}"]
    if unit.written is not None:
        lines.append(f"shape = {quoted(unit.written)}")
        lines += sewn_lines(unit)
    if unit.cut:
        lines += [
            f"from = {quoted(unit.cut.strip)}",
            f"make = {unit.cut.make}",
            f"cut_width = {quoted(length_source(unit.cut.width_mm))}",
            f"angle = {quoted(angle_source(unit.cut.angle_rad))}",
            f"lean = {quoted(unit.cut.lean)}",
        ]
    if unit.tolerance_mm is not None:
        lines.append(f"tolerance = {quoted(length_source(unit.tolerance_mm))}")
    if unit.angle_tolerance_rad is not None:
        lines.append(f"angle_tolerance = {quoted(angle_source(unit.angle_tolerance_rad))}")
    if unit.side_tolerances_mm:
        lines.append(f"side_tolerances = [{', '.join(quoted(length_source(t)) for t in unit.side_tolerances_mm)}]")
    return lines


def _row(lengths_mm: tuple[float, ...]) -> str:
    return f"[{', '.join(quoted(length_source(one)) for one in lengths_mm)}]"
