"""A pile as a machine: units are spread on the mat, measured at rest, signed, lifted, and none is counted twice.

`step` never waits, draws, measures or reads a clock. Between two measurements `Glimpsed` says how much cloth lies
there while no hand is in the picture; what is still there is not counted again (see `present.py`).
"""

from __future__ import annotations

import math
from dataclasses import replace

from projector.guide import steps, tables
from projector.guide.looks import Glimpsed, KeyPressed, MatCleared, Observation, Seen
from projector.guide.meanings import meaning_of
from projector.guide.pile.charts import Chart
from projector.guide.pile.present import Lying, Piece, glimpsed, is_another, matched, several_told
from projector.guide.pile.rounds import UNREADABLE, Rounds, as_reading
from projector.guide.pile.stage import number_text, scene_of, standing_text
from projector.guide.pile.state import Counted, Phase, Pile, Turn
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import Event, Record
from projector.guide.tables import by_key, ignored, turn_by
from projector.piecing.plans import Hand
from vision.comparing.compare import TROUBLES
from vision.comparing.expected import ExpectedShape
from vision.units import Judged, Verdict

UNJUDGED = (None, Verdict.LOOK_AGAIN)
# It was turned since, the two that lay one over another were parted, or it was trimmed by the line that lay on it.
ANEW = (Verdict.TURNED_OVER, Verdict.OTHER, Verdict.TRIM)
LAY_ANEW = "lay it clear of the others, and flat"


Step = steps.Step[Pile]
Rule = tables.Rule[Pile]


def begin(
    expected: ExpectedShape,
    area_mat_mm: tuple[Point, ...],
    sitting: Sitting = USUAL,
    wanted: int | None = None,
    before: tuple[Verdict, ...] = (),
    hand: Hand = "right",
    cloth_mm: float = 0.0,
    rounds: Rounds | None = None,
) -> Step:
    """Begin a pile of `wanted` units if that is known, or go on where some were judged so `before`.

    With `rounds` it is a gauge study: as many readings are wanted as it has.
    """
    wanted = wanted if rounds is None else rounds.readings
    first = Pile(expected, area_mat_mm, wanted, before=before, sitting=sitting, hand=hand)
    first = replace(first, cloth_mm=cloth_mm, rounds=rounds)
    return _drawn(first, Turn(first, ({"event": "ask", "what": "clear_mat"},)))


def step(state: Pile, seen: Observation) -> Step:
    """One turn: the next state, what to show, what to tell, what to keep."""
    return _drawn(state, turn_by(RULES, state, seen))


def _drawn(before: Pile, turn: Turn) -> Step:
    stands = {one.number for one in turn.state.standing}
    latest_first = enumerate(reversed(before.standing), 1)
    undone = tuple(place for place, one in latest_first if one.number not in stands)
    tally = (_tally(turn.state),) if (turn.records or undone) and turn.state.rounds is None else ()
    return Step(turn.state, scene_of(turn.state), (*turn.events, *tally), turn.records, undone)


def charted(turn: Step, charts: tuple[Chart, ...]) -> Step:
    """The same turn with run charts in its light."""
    state = replace(turn.state, charts=charts)
    return replace(turn, state=state, scene=scene_of(state))


def _tally(state: Pile) -> Event:
    """How the pile stands, for those who do not see the light."""
    of = {} if state.wanted is None else {"of": state.wanted}
    verdicts = {one.value: count for one, count in state.verdicts.items()}
    words = f"{number_text(state)}: {standing_text(state)}"
    return {"event": "seen", "what": "pile", "n": state.number, **of, "verdicts": verdicts, "words": words}


def _mat_cleared(state: Pile, seen: Observation) -> Turn:
    light = seen.light if isinstance(seen, MatCleared) else None
    state = replace(state, sitting=state.sitting.under(light))
    if state.wanted is not None and state.number >= state.wanted:  # all of them, before it was left
        return Turn(replace(state, phase=Phase.DONE))
    return Turn(replace(state, phase=Phase.LAY_UNITS), (_ask(state),))


def between(state: Pile, seen: Glimpsed) -> Pile:
    """Between measurements: what was taken away is known no more, so that it may come back as another."""
    pieces = [Piece(outline) for outline in seen.outlines_mat_mm]
    return replace(state, lying=glimpsed(state.lying, pieces, state.unit_mm2))


def _glimpsed(state: Pile, seen: Observation) -> Turn:
    assert isinstance(seen, Glimpsed)
    return Turn(between(state, seen))


def _measured(state: Pile, seen: Observation) -> Turn:
    """Count what is new, keep what lay there, forget what is gone."""
    assert isinstance(seen, Seen)
    state = replace(state, helps=False)
    pieces = [Piece(cloth.unit.corners_mat_mm, cloth) for cloth in seen.cloths]
    if state.rounds is not None:
        pieces = [as_reading(piece, len(pieces) == 1) for piece in pieces]
    where = matched(state.lying, pieces, state.unit_mm2)
    turn = Turn(replace(state, lying=()))
    for i, piece in enumerate(pieces):
        here = [unit for unit, place in zip(state.lying, where, strict=True) if place == i]
        turn = _looked_at(turn, piece, here)
    ended = turn.state.wanted is not None and turn.state.number >= turn.state.wanted and not turn.state.lying
    if ended:
        return replace(turn, state=replace(turn.state, phase=Phase.DONE))
    return turn if turn.records or len(turn.state.lying) else replace(turn, events=(*turn.events, _ask(turn.state)))


def _looked_at(turn: Turn, piece: Piece, here: list[Lying]) -> Turn:
    """One piece at rest, and the units known to be in it."""
    assert piece.judged is not None
    now = several_told(piece.judged, turn.state.expected)
    piece = replace(piece, judged=now)
    numbers = [unit.number for unit in here if unit.number is not None]
    if now.verdict in UNJUDGED or len(here) > 1:
        return _lies(turn, *here) if here else _unclear(turn, piece)
    if not numbers:
        return _counts(turn, piece)
    (number,) = numbers
    before = here[0].piece.judged
    if before is not None and before.verdict in ANEW and before.verdict is not now.verdict:
        return _counts(_undone(turn, number), piece)
    if before is not None and is_another(before, now):
        return _counts(_undone(turn, number) if before.verdict is Verdict.TRIM else turn, piece)
    return _lies(turn, Lying.of(piece, number))


def _lies(turn: Turn, *units: Lying) -> Turn:
    return replace(turn, state=replace(turn.state, lying=turn.state.lying + units))


def _unclear(turn: Turn, piece: Piece) -> Turn:
    """It cannot be judged as it lies: it is marked, and does not count yet."""
    trouble = piece.judged.unit.trouble if piece.judged else None
    do = UNREADABLE.get(trouble or "") or TROUBLES.get(trouble or "", LAY_ANEW)
    told: Event = {"event": "refused", "what": "unit", "why": trouble or "look_again", "do": do}
    lying = _lies(turn, Lying.of(piece))
    return replace(lying, events=(*lying.events, told))


def _counts(turn: Turn, piece: Piece) -> Turn:
    """A new unit: kept, counted, and lying there from now on."""
    judged, state = piece.judged, turn.state
    assert judged is not None
    one = Counted(len(state.counted) + 1, judged)
    state = replace(state, counted=(*state.counted, one), note="")
    record = Record(judged, state.expected.name, state.number, state.wanted or state.number)
    lies = _lies(replace(turn, state=state), Lying.of(piece, one.number))
    return replace(lies, records=(*lies.records, record))


def _undone(turn: Turn, number: int) -> Turn:
    """A judged unit counts no more; its record stays, marked."""
    counted = tuple(replace(one, undone=one.undone or one.number == number) for one in turn.state.counted)
    told: Event = {"event": "seen", "what": "undone", "name": turn.state.expected.name, "number": number}
    state = replace(turn.state, counted=counted)
    return replace(turn, state=state, events=(*turn.events, told))


def _ask(state: Pile) -> Event:
    of = {} if state.wanted is None else {"of": state.wanted}
    which: Event = {}
    if state.rounds is not None and state.number < state.rounds.readings:
        unit, turn, person = state.rounds.place(state.number)
        words = f"unit {unit}, {state.rounds.words(state.number)}"
        which = {"number": unit, "round": turn, "person": person, "why": words}
    return {"event": "ask", "what": "unit", "n": state.number + 1, **of, "unit": state.expected.name, **which}


# Keys.


def _pressed(state: Pile, seen: Observation) -> Turn:
    assert isinstance(seen, KeyPressed)
    meaning = meaning_of(seen.key)
    if meaning != "end" and (state.helps or meaning == "help"):
        return Turn(replace(state, helps=not state.helps))
    return by_key(KEYS)(state, seen)


def _undo(state: Pile, _: Observation) -> Turn:
    """The last judgement counts no more; if its unit still lies there, it is judged anew once it is touched."""
    if not state.standing:
        return Turn(replace(state, note="there is nothing to take back"))
    number = state.standing[-1].number
    turn = _undone(Turn(state), number)
    kept = tuple(unit for unit in state.lying if unit.number != number)
    return replace(turn, state=replace(turn.state, lying=kept, note="the last judgement was taken back"))


def _came_back(state: Pile, _: Observation) -> Turn:
    """The last unit is one that was taken away to be trimmed, and counts once. Which one, its widths say best."""
    last = state.standing[-1] if state.standing else None
    before = [] if last in state.away else state.away
    if last is None or not before:
        return Turn(replace(state, note="no unit is away to be trimmed"))
    turn = _undone(Turn(state), min(before, key=lambda one: _unlike_mm(one.judged, last.judged)).number)
    return replace(turn, state=replace(turn.state, note="the trimmed unit counts once"))


def _unlike_mm(before: Judged, now: Judged) -> float:
    """The least difference of a width: trimming leaves one as it was."""
    known = {width.sides: width.mean_mm for width in before.unit.widths}
    both = (abs(known[width.sides] - width.mean_mm) for width in now.unit.widths if width.sides in known)
    return min(both, default=math.inf)


def _again(state: Pile, _: Observation) -> Turn:
    """What was marked to be looked at again is looked at anew as it lies."""
    clear = tuple(unit for unit in state.lying if unit.number is not None)
    return Turn(replace(state, lying=clear, note="measuring again"))


def _stop(state: Pile, _: Observation) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _mat_cleared,
    (Phase.LAY_UNITS, "undo"): _undo,
    (Phase.LAY_UNITS, "again"): _again,
    (Phase.LAY_UNITS, "true_up"): _came_back,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_UNITS, Glimpsed): _glimpsed,
    (Phase.LAY_UNITS, Seen): _measured,
    **{(phase, KeyPressed): _pressed for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, Seen) | {
    (phase, Glimpsed) for phase in Phase if phase is not Phase.LAY_UNITS
}
