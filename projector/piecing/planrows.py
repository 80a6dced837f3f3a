"""The rows of a plan file that a block brings with it: what it makes, the cloth, sewn units, the steps of sewing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from projector.piecing.cutting.yardage import roomy_mm
from projector.piecing.drawing.patchlist import discs_of, patch_lines, patches_of
from projector.piecing.lengths import (
    LengthError,
    angle_source,
    coordinates_mm,
    inches_text,
    length_mm,
    length_source,
    yards_text,
)
from projector.piecing.plans import Fabric, Line, Making, Place, Plan, Step, Trim, Unit
from projector.piecing.tables import MOST_PLACES, PlanError, Table, quoted, shown

_BLOCK_KEYS = frozenset({"name", "finish", "make", "usable_width", "settings", "patches", "discs"})
_FABRIC_KEYS = frozenset({"name", "need", "buy"})
_STEP_KEYS = frozenset({"sew", "makes", "count", "press", "match", "set_in"})
_TRIM_KEYS = frozenset({"side", "seam", "from", "distance", "angle"})
_MOST_SETTINGS = 50
_MOST_IN_A_LINE = 6


def making_of(table: Table) -> Making | None:
    """The table [block]; None where the plan has none."""
    rows = table.rows.get("block")
    if rows is None:
        return None
    if not isinstance(rows, dict):
        raise table.wrong("block", "must be a table, begun by a line [block]")
    block = Table(f"{table.where}block.", rows, _BLOCK_KEYS)
    settings = rows.get("settings", {})
    if not isinstance(settings, dict) or len(settings) > _MOST_SETTINGS:
        raise block.wrong("settings", f"must be a table of at most {_MOST_SETTINGS} texts, begun by [block.settings]")
    names = Table(f"{table.where}block.settings.", settings, frozenset(settings))
    plain = Making("", 0.0, 1)
    return Making(
        block.text("name"),
        block.length("finish"),
        block.whole("make"),
        block.length("usable_width", plain.usable_mm),
        tuple((key, names.text(key)) for key in settings),
        patches_of(block),
        discs_of(block),
    )


def fabrics_of(table: Table) -> tuple[Fabric, ...]:
    """The tables [[fabrics]]."""
    return tuple(
        Fabric(row.text("name"), row.length("need"), row.length("buy")) for row in table.tables("fabrics", _FABRIC_KEYS)
    )


def steps_of(table: Table) -> tuple[Step, ...]:
    """The tables [[steps]]."""
    steps = []
    for row in table.tables("steps", _STEP_KEYS):
        sew = row.names("sew")
        if len(sew) != 2:
            raise row.wrong("sew", 'must name two units, like ["A dark segment", "B light segment"]')
        steps.append(
            Step(
                (sew[0], sew[1]),
                row.text("makes"),
                row.whole("count"),
                row.text("press", "open"),
                _count(row, "match"),
                _count(row, "set_in"),
            )
        )
    return tuple(steps)


def check_steps(plan: Plan, file: str) -> None:
    """Steps sew units of the plan, or what an earlier step makes, and press toward one of the two. Raises PlanError."""
    known = {unit.name for unit in plan.units if unit.cut or unit.lay}
    for number, step in enumerate(plan.steps, 1):
        where = f"{file}, steps[{number}]"
        for name in step.sew:
            if name not in known:
                raise PlanError(
                    f"{where}.sew = {shown(name)}: neither cut nor made by an earlier step; name one that is"
                )
        if step.press not in (*step.sew, "open"):
            raise PlanError(f'{where}.press = {shown(step.press)}: none of the two; name one of them or "open"')
        known.add(step.makes)


def places_of(table: Table, key: str) -> tuple[Place, ...]:
    """A row of places, each written `"x y"`."""
    return tuple(_places(table, key, value, 1)[0] for value in table.row(key, MOST_PLACES))


def lines_of(table: Table, key: str) -> tuple[Line, ...]:
    """A row of lines, each written `"x y, x y"`."""
    lines = (_places(table, key, value, 2) for value in table.row(key, MOST_PLACES))
    return tuple((start, end) for start, end in lines)


def trims_of(table: Table) -> tuple[Trim, ...]:
    """The tables [[units.trims]] of a unit."""
    trims = []
    for row in table.tables("trims", _TRIM_KEYS):
        places = _places(row, "from", row.text("from"), 1)
        trims.append(
            Trim(_count(row, "side"), _count(row, "seam"), places[0], row.length("distance"), _angle(row, "angle"))
        )
    return tuple(trims)


def making_lines(plan: Plan) -> list[str]:
    """[block] and [[fabrics]] as a plan file has them."""
    lines: list[str] = []
    if plan.making:
        making = plan.making
        lines += ["", "[block]", f"name = {quoted(making.block)}", f"finish = {_length(making.finish_mm)}"]
        lines += [f"make = {making.make}", f"usable_width = {_length(making.usable_mm)}"]
        if making.settings:
            lines += ["", "[block.settings]", *(f"{quoted(key)} = {quoted(text)}" for key, text in making.settings)]
        lines += patch_lines("block.", making.patches, making.discs)
    for fabric in plan.fabrics:
        lines += ["", "[[fabrics]]", f"name = {quoted(fabric.name)}"]
        lines += [f"need = {_length(fabric.need_mm)} # along the selvage", f"buy = {_yards(fabric.buy_mm)}"]
    return lines


def sewn_lines(unit: Unit) -> list[str]:
    """What a unit that is written as a shape has beside it."""
    lines = []
    if unit.lay:
        lines += [f"from = {quoted(unit.lay.strip)}", f"make = {unit.lay.make}"]
        lines += [f"way = {quoted(unit.lay.way)}", f"per_strip = {unit.lay.per_strip}"]
    if unit.seams_mm:
        lines += _one_a_line("seams", [", ".join(map(_place, line)) for line in unit.seams_mm])
    if unit.dots_mm:
        lines += _one_a_line("dots", [_place(dot) for dot in unit.dots_mm], " # where seams must meet")
    if unit.trims:
        rows = (
            f"{{ side = {trim.side}, seam = {trim.seam}, from = {quoted(_place(trim.from_mm))}, "
            f"distance = {_length(trim.distance_mm)}, angle = {quoted(angle_source(trim.angle_rad))} }}"
            for trim in unit.trims
        )
        lines += ["trims = [ # sides by the seams they are trimmed from", *(f"    {row}," for row in rows), "]"]
    return lines


def _one_a_line(key: str, texts: Sequence[str], remark: str = "") -> list[str]:
    """A row of a few texts in one line, more of them below each other."""
    if len(texts) <= _MOST_IN_A_LINE:
        return [f"{key} = [{', '.join(map(quoted, texts))}]{remark}"]
    return [f"{key} = [{remark}", *(f"    {quoted(text)}," for text in texts), "]"]


def step_lines(plan: Plan) -> list[str]:
    """[[steps]] as a plan file has them."""
    lines: list[str] = []
    for step in plan.steps:
        lines += ["", "[[steps]]", f"sew = [{', '.join(quoted(name) for name in step.sew)}]"]
        lines += [f"makes = {quoted(step.makes)}", f"count = {step.count}", f"press = {quoted(step.press)}"]
        lines += [f"match = {step.match}"] if step.match else []
        lines += [f"set_in = {step.set_in}"] if step.set_in else []
    return lines


def by_hand(width_mm: float) -> str:
    """A remark on a strip of which patches are cut roomy by hand and trimmed later (common practice)."""
    return f" # {inches_text(width_mm, 64)}; by hand {inches_text(roomy_mm(width_mm), 4)}, and trim"


def _count(row: Table, key: str) -> int:
    value: Any = row.rows.get(key, 0)
    if type(value) is not int or not 0 <= value <= 10_000:
        raise row.wrong(key, "must be a whole number, 0 or more")
    return int(value)


def _angle(row: Table, key: str) -> float:
    """Of a trim, which may run along its seam."""
    return 0.0 if row.rows.get(key) == "0 deg" else row.angle(key)


def _places(table: Table, key: str, value: object, count: int) -> list[Place]:
    like = '"1 in 2 1/4 in"' if count == 1 else '"0 in 1 in, 3 in 1 in"'
    if not isinstance(value, str) or value.count(",") != count - 1:
        raise table.wrong(key, f"must hold texts like {like}")
    places = []
    for part in value.split(","):
        try:
            place = coordinates_mm(part)
        except LengthError as error:
            raise PlanError(f"{table.where}{key} = {error}") from None
        if len(place) != 2:
            raise table.wrong(key, f"must hold texts like {like}")
        places.append((place[0], place[1]))
    return places


def _place(place: Place) -> str:
    return " ".join(length_source(value) for value in place)


def _length(value_mm: float) -> str:
    return quoted(length_source(value_mm))


def _yards(value_mm: float) -> str:
    """In eighths of a yard, as cloth is sold, where it is that."""
    text = yards_text(value_mm)
    return quoted(text) if abs(length_mm(text) - value_mm) <= 1e-9 else _length(value_mm)
