"""A TOML list of patches: one's own block as corners, or the patches of a block in a plan."""

from __future__ import annotations

import re

from projector.piecing.drawing.drawn import MOST_CORNERS, MOST_PATCHES, Drawing
from projector.piecing.lengths import LengthError, angle_source, coordinates_mm, is_metric, length_source
from projector.piecing.plans import OwnDisc, OwnPatch, Place
from projector.piecing.tables import PlanError, Table, quoted, rows_of

_KEYS = frozenset({"block", "patches", "discs"})
_BLOCK_KEYS = frozenset({"name"})
_PATCH_KEYS = frozenset({"name", "fabric", "corners", "grain"})
_DISC_KEYS = frozenset({"fabric", "middle", "radius"})
_HAS = "a list of patches has [block], [[patches]] and [[discs]] only"
_CORNER = '"4 1/2 in 0 in"'


def drawing_from_toml(text: str, file: str, stem: str) -> Drawing:
    """Read a list of patches; `file` begins the messages, `stem` names the block unless the list does.

    Raises
    ------
    PlanError
        Not TOML, an unknown or missing key, a value that makes no sense.
    """
    table = Table(f"{file}, ", rows_of(text, file, "list of patches as a", _HAS), _KEYS)
    block = table.rows.get("block", {})
    if not isinstance(block, dict):
        raise table.wrong("block", "must be a table, begun by a line [block]")
    name = Table(f"{file}, block.", block, _BLOCK_KEYS).text("name", stem)
    if not table.rows.get("patches"):
        raise PlanError(f'{file}: no patches; begin each by a line [[patches]] with fabric = "..." and corners = [...]')
    return Drawing(file, name, patches_of(table), discs_of(table), inches=not is_metric(text))


def patches_of(table: Table) -> tuple[OwnPatch, ...]:
    """The tables [[patches]]."""
    return tuple(
        OwnPatch(
            row.text("fabric"),
            _corners(row),
            row.text("name") if "name" in row.rows else "",
            _grain(row),
        )
        for row in table.tables("patches", _PATCH_KEYS, MOST_PATCHES)
    )


def discs_of(table: Table) -> tuple[OwnDisc, ...]:
    """The tables [[discs]]."""
    discs = []
    for row in table.tables("discs", _DISC_KEYS):
        row.needs("middle", _CORNER)
        discs.append(OwnDisc(row.text("fabric"), _place(row, "middle", row.rows["middle"]), row.length("radius")))
    return tuple(discs)


def patch_lines(where: str, patches: tuple[OwnPatch, ...], discs: tuple[OwnDisc, ...]) -> list[str]:
    """The tables as a file has them, under `where` ("block." or nothing)."""
    lines: list[str] = []
    for patch in patches:
        lines += ["", f"[[{where}patches]]"]
        lines += [f"name = {quoted(patch.name)}"] if patch.name else []
        lines += [f"fabric = {quoted(patch.fabric)}"]
        lines += [f"corners = [{', '.join(quoted(_written(corner)) for corner in patch.corners_mm)}]"]
        lines += [f"grain = {quoted(angle_source(patch.grain_rad))}"] if patch.grain_rad is not None else []
    for disc in discs:
        lines += ["", f"[[{where}discs]]", f"fabric = {quoted(disc.fabric)}"]
        lines += [f"middle = {quoted(_written(disc.middle_mm))}", f"radius = {quoted(length_source(disc.radius_mm))}"]
    return lines


def _corners(row: Table) -> tuple[Place, ...]:
    row.needs("corners", '["0 in 0 in", "4 in 0 in", "4 in 4 in"]')
    corners = tuple(_place(row, "corners", corner) for corner in row.row("corners", MOST_CORNERS))
    if len(corners) < 3:
        raise row.wrong("corners", f"must hold at least 3 corners, each like {_CORNER}")
    return corners


def _place(row: Table, key: str, value: object) -> Place:
    try:
        place = coordinates_mm(value) if isinstance(value, str) else ()
    except LengthError as error:
        raise PlanError(f"{row.where}{key} = {error}") from None
    if len(place) != 2:
        told = quoted(re.sub(r"\s+", " ", value[:60])) if isinstance(value, str) else repr(value)[:60]
        raise PlanError(f"{row.where}{key} = {told}: does not fit; a place is two lengths, like {_CORNER}")
    return place[0], place[1]


def _grain(row: Table) -> float | None:
    if row.rows.get("grain") == "0 deg":
        return 0.0
    return row.angle("grain") if "grain" in row.rows else None


def _written(place: Place) -> str:
    return " ".join(length_source(value) for value in place)
