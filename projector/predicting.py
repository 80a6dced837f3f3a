"""Measured units and a plan, held against each other: what the block will measure, and what to change."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from projector.journal import Journal
from projector.piecing.blockmaking import block_to_make
from projector.piecing.foresight.advice import needle_shift_mm, odd_ones
from projector.piecing.foresight.closing import Closing, Corner, closings
from projector.piecing.foresight.forecast import SeamErrors, Size, Source, forecast
from projector.piecing.foresight.piles import Pile, seam_errors, side_errors
from projector.piecing.foresight.placing import corners_of, places_of
from projector.piecing.making import Made, Wishes, plan_of
from projector.piecing.patchwork.patches import inner_angles_rad, joins_of
from projector.piecing.plans import Plan, expected_shape

SQLITE = b"SQLite format 3\x00"
MOST_LINES = 200_000


class PredictError(Exception):
    """Nothing can be foretold from what was given; the message says in one line what is missing."""


@dataclass(frozen=True, eq=False, slots=True)
class Prediction:
    """What is foretold of the finished block."""

    sizes: tuple[Size, ...]
    seam: SeamErrors | None  # None: no sewn unit was measured, seams are taken as planned
    closings: tuple[Closing, ...]
    shift_mm: float
    leave_out: Mapping[str, tuple[int, ...]]  # by kind, counted from 1 in the order measured
    measured: Mapping[str, int]


def predict(plan: Plan, units: Iterable[Mapping[str, object]]) -> Prediction:
    """From events of measured units. Raises PredictError."""
    made = _made(plan)
    piles = {pile.name: pile for pile in _piles(made.plan, units)}
    if not piles:
        raise PredictError(f"{plan.name}: no unit of this plan was measured; check units with --expect PLAN:NAME first")
    sources, corners = [], list[Corner]()
    for name, pile in piles.items():
        shape = expected_shape(made.plan, made.plan.unit(name)).corners_mm
        kind = made.kinds[name]
        placed = [places_of(made.stages, piece, shape) for piece in kind.pieces]
        errors = side_errors(pile, made.plan.tolerance_mm / 2.0)
        sources.append(Source(name, errors, tuple(one for one in placed if one is not None)))
        for piece in kind.pieces:
            corners += _corners(pile, corners_of(made.stages, piece, shape), shape)
    seam = _seam(made.plan, piles)
    number = {id(join): i for i, join in enumerate(made.stages.joins)}
    seen = {number[id(join)] for name in piles for piece in made.kinds[name].pieces for join in joins_of(piece)}
    sizes = tuple(forecast(made.stages, sources, seam or SeamErrors(), seen))
    return Prediction(
        sizes,
        seam,
        tuple(closings(made.stages, corners)),
        needle_shift_mm(sizes[: len(made.stages.corner_nodes())]),
        {name: tuple(i + 1 for i in odd) for name, pile in piles.items() if (odd := odd_ones(pile))},
        {name: len(pile) for name, pile in piles.items()},
    )


def read_units(path: Path) -> Iterator[Mapping[str, object]]:
    """Events of measured units from a journal or from lines of JSON. Raises PredictError, JournalError."""
    try:
        with path.open("rb") as file:
            is_journal = file.read(len(SQLITE)) == SQLITE
    except OSError as error:
        do = "give a journal or lines of check --json"
        raise PredictError(f"{path}: cannot be read ({error.strerror}); {do}") from None
    if is_journal:
        with Journal.open(path) as journal:
            for session in journal.sessions():
                for entry in journal.units(session.id):
                    yield _event(entry.line, path, entry.n)
        return
    with path.open(encoding="utf-8", errors="replace") as lines:
        for number, line in enumerate(lines, 1):
            if number > MOST_LINES:
                raise PredictError(f"{path}: more than {MOST_LINES} lines; give fewer units")
            if line.strip():
                yield _event(line, path, number)


def _event(line: str, path: Path, number: int) -> Mapping[str, object]:
    try:
        event = json.loads(line)
    except (ValueError, RecursionError):
        raise PredictError(f"{path}, line {number}: not JSON; give a journal or lines of check --json") from None
    return event if isinstance(event, dict) else {}


def _made(plan: Plan) -> Made:
    if plan.making is None:
        raise PredictError(f"{plan.name}: the plan has no [block]; make it with chalkbeam plan")
    wishes = Wishes(plan.seam_allowance_mm, plan.tolerance_mm, plan.angle_tolerance_rad, plan.hand)
    return plan_of(block_to_make(plan.making), plan.making, wishes)


def _piles(plan: Plan, units: Iterable[Mapping[str, object]]) -> list[Pile]:
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


def _corners(pile: Pile, nodes: tuple[int | None, ...] | None, shape: np.ndarray) -> list[Corner]:
    if nodes is None:
        return []
    off = pile.angles_rad.mean(axis=0) - inner_angles_rad(shape)
    sd = pile.angles_rad.std(axis=0, ddof=1) if len(pile) > 1 else np.zeros(len(shape))
    return [Corner(node, float(o), float(s)) for node, o, s in zip(nodes, off, sd, strict=True) if node is not None]


def _seam(plan: Plan, piles: Mapping[str, Pile]) -> SeamErrors | None:
    """From segments of strip sets: how much higher or lower than planned they came out over their strips."""
    heights = []
    for name, pile in piles.items():
        cut = plan.unit(name).cut
        seams = len(plan.strip(cut.strip).seams_mm) if cut else 0
        u = np.hypot(pile.u_mm[:, 0], pile.u_mm[:, 2]) if seams else np.zeros(len(pile))
        for offsets, doubt in zip(pile.offsets_mm, u, strict=True):
            if seams:
                heights.append((float(offsets[0] + offsets[2]), seams, float(doubt)))
    return seam_errors(heights)
