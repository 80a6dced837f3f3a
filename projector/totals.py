"""The totals of a pile, a cut or a rehearsal, as the keys of its `summary` event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from projector.events import Event
from projector.records.faults import RecordsError
from projector.records.journal import Journal
from vision.pile import Pile, sum_up
from vision.units import Judged


def pile_keys(pile: Pile) -> Event:
    """Of units that were measured in this run."""
    return {"units": pile.units, "judged": pile.judged, "verdicts": pile.verdicts}


def session_keys(journal: Journal, session: int, units: Sequence[Judged]) -> Event:
    """Of a session, however many sittings it took; while its records cannot be reached, of this sitting's units."""
    try:
        if journal.save():
            return journal_keys(journal.records.counts(session), len(journal.records.units(session)))
    except RecordsError:  # they went away just now
        pass
    return pile_keys(sum_up(units))


def journal_keys(counts: Mapping[str, int], units: int) -> Event:
    """Of a session in the journal, however many sittings it took."""
    return {"units": units, "judged": sum(counts.values()), "verdicts": dict(counts)}
