"""From records to the parts of a report: one for each plan, with what is foretold of its block, and its rigs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from calibration.rig import Rig
from calibration.rigfile import RigError, load_rig
from projector.piecing.blocks.catalogue import BlockError
from projector.piecing.drawing.drawn import DrawingError
from projector.piecing.foresight.foretelling import Prediction
from projector.piecing.patchwork.stages import SewingError
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan
from projector.piecing.shapes import ShapeError
from projector.piles.laidanew import LAID_ANEW
from projector.predicting import PredictError, predict
from projector.records.sessions import Entry, Session, Wanted
from projector.records.store import Store
from projector.reporting.blockrows import block_tables, set_words
from projector.reporting.contents import Measured, ShapeOf, Sitting, measured, part_of
from projector.reporting.faults import ReportError
from projector.reporting.page import RigNote, Told
from projector.setup.rigwords import rig_keys
from projector.telling.plansaid import readable_plan, shape_of
from projector.telling.predictwords import prediction_words
from projector.telling.sentences import sentence

NO_PLAN = "units without a plan"
NO_SEAM = "no seam was measured in these sessions"
_NO_PLAN = {
    False: "these sessions had no plan, so nothing is foretold",
    True: "the plan cannot be read any more, so nothing is foretold",
}


def chosen(records: Store, ids: Sequence[int]) -> tuple[Session, ...]:
    """The sessions of these numbers, in that order; of none the last session of all. Raises ReportError."""
    sessions = records.sessions(Wanted(ids=tuple(ids)))
    if not ids:
        if not sessions:
            raise ReportError(f"{records.place.said}: no session yet; measure something first")
        return sessions[-1:]
    by_id = {session.id: session for session in sessions}
    missing = next((id_ for id_ in ids if id_ not in by_id), None)
    if missing is not None:
        raise ReportError(f"{records.place.said}: no session {missing}; chalkbeam records lists them")
    return tuple(by_id[id_] for id_ in dict.fromkeys(ids))


def gathered(records: Store, sessions: Sequence[Session], rigs: Rigs) -> list[Told]:
    """A part for each plan, in the order of the sessions."""
    by_plan: dict[str, list[Session]] = {}
    for session in sessions:
        by_plan.setdefault(_same(session.plan), []).append(session)
    return [
        _told(text, mine, {one.id: records.entries(one.id) for one in mine}, rigs) for text, mine in by_plan.items()
    ]


def _same(text: str) -> str:
    """The plan's text as the tool writes it, so that comments make no other plan of it."""
    plan = readable_plan(text)
    return text if plan is None else plan_text(plan)


def _told(text: str, sessions: Sequence[Session], entries: Mapping[int, Sequence[Entry]], rigs: Rigs) -> Told:
    plan = readable_plan(text)
    kept = [(session.id, one) for session in sessions for one in entries[session.id] if one.undone is None]
    of_sets = [(id_, one.event()) for id_, one in kept if one.kind == "strip" and "seam_mm" in one.event()]
    shapes = cache(lambda name: shape_of(plan, name))
    anew = {session.id: session.command in LAID_ANEW for session in sessions}
    each = (unit for id_, one in kept for unit in _measured(plan, shapes, id_, one, anew[id_]))
    units = [unit for unit in each if "seam_mm" not in unit.event]
    sittings = [Sitting(one.id, one.started, one.ended, one.command, one.rig) for one in sessions]
    title = (plan.name if plan is not None else sessions[0].plan_name) or NO_PLAN
    events = [unit.event for unit in units]
    told = _NO_PLAN[bool(text)] if plan is None else _foretold(plan, events)
    metric = (part := part_of(plan, title, sittings, units)).metric
    lines = [told] if isinstance(told, str) else prediction_words(told, metric)
    files = dict.fromkeys(one.rig for one in sessions)
    several = len(sessions) > 1
    checks = (f"{f'session {id_}, ' if several else ''}{set_words(event, metric)}" for id_, event in of_sets)
    seams = [*checks, *_seams(told, units)]
    blocks = block_tables((one.event() for _, one in kept if one.kind == "block"), metric)
    undone = sum(one.undone is not None for session in sessions for one in entries[session.id])
    return Told(part, seams or [NO_SEAM], lines, blocks, [rigs.note(file) for file in files], undone)


def _measured(plan: Plan | None, shapes: ShapeOf, session: int, entry: Entry, anew: bool) -> Iterator[Measured]:
    if entry.kind in ("unit", "strip"):
        yield measured(plan, shapes, session, entry.n, entry.at, entry.name, entry.verdict, entry.event(), anew)


def _foretold(plan: Plan, events: Iterable[Mapping[str, Any]]) -> Prediction | str:
    try:
        return predict(plan, events)
    except (PredictError, BlockError, DrawingError, SewingError, ShapeError) as error:
        return str(error)


def _seams(told: Prediction | str, units: Sequence[Measured]) -> list[str]:
    """What the seams took, from sewn segments, and how far seams lie from where they should."""
    lines = []
    if not isinstance(told, str) and told.seam is not None:
        depth = told.seam
        way = "deeper" if depth.mean_mm > 0 else "less deep"
        lines.append(
            f"each seam was sewn {abs(depth.mean_mm):.2f} mm {way} than planned, u {depth.u_mean_mm:.2f} mm; "
            f"from seam to seam {depth.sd_mm:.2f} mm (standard deviation)"
        )
    off = [(abs(reading.value), one.limit) for unit in units for one, reading in unit.readings if one.kind == "seam"]
    if off:
        out = sum(value > limit for value, limit in off)
        lines.append(
            f"{len(off)} seams were seen in units, {out} of them out of their limits; the farthest lies "
            f"{max(value for value, _ in off):.2f} mm from where it should; their charts are among the dimensions"
        )
    return lines


class Rigs:
    """Rig files, each read once. A relative name is sought where the program runs, then beside the records."""

    def __init__(self, beside: Path | None) -> None:
        self._beside = beside
        self._read: dict[str, Rig | str] = {}

    def rig(self, file: str) -> Rig | None:
        """The rig, if it can still be read."""
        found = self._found(file)
        return found if isinstance(found, Rig) else None

    def note(self, file: str) -> RigNote:
        """The rig in words."""
        found = self._found(file)
        if isinstance(found, str):
            return RigNote(file or "no rig", trouble=found)
        words = sentence({"event": "rig", **rig_keys(found, Path("it"))}).removeprefix("Rig it: ")
        return RigNote(file, found.made, f"{words[:1].upper()}{words[1:]}", found.notes)

    def _found(self, file: str) -> Rig | str:
        if file not in self._read:
            self._read[file] = self._load(file)
        return self._read[file]

    def _load(self, file: str) -> Rig | str:
        if not file:
            return "the records name no rig"
        try:
            here = Path(file)
            other = None if self._beside is None else self._beside / here.name
            return load_rig(other if other is not None and not here.is_file() and other.is_file() else here)
        except (RigError, ValueError) as error:
            return f"its uncertainty is not known here: {error}"
