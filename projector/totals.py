"""The totals of a pile, a cut or a rehearsal, as the keys of its `summary` event."""

from __future__ import annotations

from collections.abc import Mapping

from projector.events import Event
from vision.pile import Pile


def pile_keys(pile: Pile) -> Event:
    """Of units that were measured in this run."""
    return {"units": pile.units, "judged": pile.judged, "verdicts": pile.verdicts}


def journal_keys(counts: Mapping[str, int], units: int) -> Event:
    """Of a session in the journal, however many sittings it took."""
    return {"units": units, "judged": sum(counts.values()), "verdicts": dict(counts)}
