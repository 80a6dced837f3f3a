"""Measured units and a plan, held against each other: what the block will measure, and what to change."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np

from projector.piecing.foresight.foretelling import Prediction, foretold, made_of
from projector.piecing.foresight.piles import Pile
from projector.piecing.plans import Plan, expected_shape
from projector.records.opening import open_records

SQLITE = b"SQLite format 3\x00"
MOST_LINES = 200_000


class PredictError(Exception):
    """Nothing can be foretold from what was given; the message says in one line what is missing."""


def predict(plan: Plan, units: Iterable[Mapping[str, object]]) -> Prediction:
    """From events of measured units. Raises PredictError."""
    if plan.making is None:
        raise PredictError(f"{plan.name}: the plan has no [block]; make it with chalkbeam plan")
    made = made_of(plan, plan.making)
    piles = piles_of(made.plan, units)
    if not piles:
        raise PredictError(f"{plan.name}: no unit of this plan was measured; check units with --expect PLAN:NAME first")
    return foretold(made, piles)


def read_units(source: str | Path) -> Iterator[Mapping[str, object]]:
    """Events of what was measured, from records or from lines of JSON. Raises PredictError, RecordsError."""
    path, address = Path(source), str(source)
    if "://" in address or _is_database(path):
        with open_records(address) as records:
            for session in records.sessions():
                for entry in records.entries(session.id):
                    if entry.undone is None:
                        yield entry.event()
        return
    with path.open(encoding="utf-8", errors="replace") as lines:
        for number, line in enumerate(lines, 1):
            if number > MOST_LINES:
                raise PredictError(f"{path}: more than {MOST_LINES} lines; give fewer units")
            if line.strip():
                yield _event(line, path, number)


def _is_database(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE)) == SQLITE
    except OSError as error:
        do = "give records or lines of check --json"
        raise PredictError(f"{path}: cannot be read ({error.strerror}); {do}") from None


def _event(line: str, path: Path, number: int) -> Mapping[str, object]:
    try:
        event = json.loads(line)
    except (ValueError, RecursionError):
        raise PredictError(f"{path}, line {number}: not JSON; give records or lines of check --json") from None
    return event if isinstance(event, dict) else {}


def piles_of(plan: Plan, units: Iterable[Mapping[str, object]]) -> list[Pile]:
    """Measured units by kind, in the plan's order; those that are turned over, other, or not seen well are left out."""
    found: dict[str, list[tuple[list[float], list[float], list[float]]]] = {}
    sides = {unit.name: len(expected_shape(plan, unit).corners_mm) for unit in plan.units}
    for event in units:
        name = str(event.get("expected") or event.get("name"))
        if event.get("event") != "unit" or name not in sides or event.get("verdict") in _NOT_MEASURED:
            continue
        rows = [event.get(key) for key in ("offsets_mm", "offsets_u_mm", "angles_deg")]
        numbers = [_numbers(row, sides[name]) for row in rows]
        if None not in numbers:
            found.setdefault(name, []).append(tuple(numbers))  # type: ignore[arg-type]
    piles = []
    for name in sides:
        if name in found:
            offsets, u, angles = (np.array(column) for column in zip(*found[name], strict=True))
            piles.append(Pile(name, offsets, u, np.radians(angles)))
    return piles


_NOT_MEASURED = ("look again", "look_again", "other", "turned over", "turned_over")


def _numbers(row: object, count: int) -> list[float] | None:
    if not isinstance(row, list) or len(row) != count:
        return None
    if not all(isinstance(value, (int, float)) and abs(value) < 1e6 for value in row):
        return None
    return [float(value) for value in row]
