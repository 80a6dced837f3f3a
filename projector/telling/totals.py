"""The totals of a pile, a cut or a rehearsal, as the keys of its `summary` event."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from projector.records.faults import RecordsError
from projector.records.journal import Journal
from projector.score import Score
from projector.telling.events import Event
from vision.pile import Pile, sum_up
from vision.units import Judged


def pile_keys(pile: Pile) -> Event:
    """Of units that were measured in this run."""
    return {"units": pile.units, "judged": pile.judged, "verdicts": pile.verdicts}


def session_keys(journal: Journal, session: int, units: Sequence[Judged]) -> Event:
    """Of a session, however many sittings it took; while its records cannot be reached, of this sitting's units."""
    try:
        if journal.save():
            counts = journal.records.totals([session])[session]
            judged = {verdict: count for verdict, count in counts.items() if verdict}
            return journal_keys(judged, sum(counts.values()))
    except RecordsError:  # they went away just now
        pass
    return pile_keys(sum_up(units))


def journal_keys(counts: Mapping[str, int], units: int) -> Event:
    """Of a session in the journal, however many sittings it took."""
    return {"units": units, "judged": sum(counts.values()), "verdicts": dict(counts)}


def strip_keys(scored: Score) -> Event:
    """Of the strips that were cut from yardage in a rehearsal; nothing where there were none."""
    pairs = [pair for pair in scored.strips if pair is not None]
    if not pairs:
        return {}
    widths = [pair.width_mm - pair.true_width_mm for pair in pairs]
    bends = [pair.bend_rad - pair.true_bend_rad for pair in pairs if pair.bend_rad is not None]
    return {
        "strips": len(scored.strips),
        "strip_width_error_rms_mm": round(_rms(widths), 5),
        "bend_error_rms_deg": round(math.degrees(_rms(bends)), 5) if bends else None,
    }


def _rms(errors: Sequence[float]) -> float:
    return math.sqrt(sum(error**2 for error in errors) / len(errors))
